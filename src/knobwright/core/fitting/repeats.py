"""Settings that set what is set already: leaving them out changes nothing that can be heard.

What counts as set is what has been sent, and it is forgotten wherever something may have changed it
in another way: a reset, an exclusive message, steps up and down, a non-registered parameter. Never
left out are notes, pressure on single keys, switches, banks by themselves, what is meant for the
next note, and channel modes.

Sources: MIDI 1.0 Detailed Specification 4.2.1, page 12 (a high part that comes sets the low part to
0), pages 17 and 18 (a selection keeps the value).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from knobwright.core.fitting.told import Told
from knobwright.core.timing.classify import (
    BANKS,
    DATA_HIGH,
    DATA_LOW,
    FIRST_MODE,
    NULL,
    SELECTORS,
    STEP_DOWN,
    STEP_UP,
)

_NEVER = frozenset((*range(64, 70), 84, 88))
_REGISTERED = (100, 101)


class _Channel:
    """What a channel has set, as far as it is known."""

    def __init__(self) -> None:
        self.bank: list[int | None] = [None, None]
        self.program: tuple[int | None, int | None, int] | None = None
        self.forget()
        self.selectors: dict[int, int] = {}
        self.is_registered: bool | None = None

    def forget(self) -> None:
        """Forget values, and whether the program is still as it was chosen."""
        self.values: dict[int, int] = {}  # controllers by number
        self.wide: dict[int, bytes] = {}  # bend and channel pressure by status
        self.data: dict[tuple[bool, int, int, int], int] = {}
        self.program = None

    def take(self, message: bytes) -> bool:
        """Take a message; return whether it sets what is set already."""
        kind = message[0] >> 4
        if kind == 0xB:
            return self._control(message[1], message[2])
        if kind == 0xC:
            chosen = (self.bank[0], self.bank[1], message[1])
            same = chosen == self.program
            self.program = chosen
            return same
        if kind in (0xD, 0xE):
            same = self.wide.get(kind) == message[1:]
            self.wide[kind] = message[1:]
            return same
        return False

    def _control(self, number: int, value: int) -> bool:
        if number in BANKS:
            self.bank[number == BANKS[1]] = value
            return False
        if number in SELECTORS:
            return self._select(number, value)
        if number in (DATA_HIGH, DATA_LOW):
            return self._enter(number, value)
        if number in (STEP_UP, STEP_DOWN) or number >= FIRST_MODE:
            self.forget()
            if number == 121:  # the selection becomes null (RP-015)
                self.selectors, self.is_registered = {}, None
            return False
        if number in _NEVER:
            return False
        same = self.values.get(number) == value
        if number < 32 and self.values.get(number + 32):
            same = False  # its low part would become 0
        self.values[number] = value
        if number < 32:
            self.values[number + 32] = 0
        if not same:  # another way to a non-registered parameter, perhaps
            self.data = {name: v for name, v in self.data.items() if name[0]}
        return same

    def _select(self, number: int, value: int) -> bool:
        registered = number in _REGISTERED
        same = self.is_registered is registered and self.selectors.get(number) == value
        self.selectors[number] = value
        self.is_registered = registered
        return same

    def _enter(self, number: int, value: int) -> bool:
        registered = self.is_registered
        if registered is None:
            return False
        low = 100 if registered else 98
        high_part, low_part = self.selectors.get(low + 1), self.selectors.get(low)
        if high_part is None or low_part is None or high_part == low_part == NULL:
            return False
        name = (registered, high_part, low_part, number)
        same = self.data.get(name) == value
        if number == DATA_HIGH:
            other = (registered, high_part, low_part, DATA_LOW)
            if self.data.get(other):
                same = False
            self.data[other] = 0
        self.data[name] = value
        if not registered and not same:
            self.values, self.program = {}, None  # it may be another way to a controller
        return same


def repeats_in(
    music: Sequence[Told],
    instead: Mapping[Told, tuple[bytes, ...]],
    set_up: Iterable[bytes],
) -> frozenset[Told]:
    """Return the messages of the music that set what is set already.

    Parameters
    ----------
    music : sequence of Told
        In playing order.
    instead : mapping
        Messages that are sent in another's place.
    set_up : iterable of bytes
        What is sent before the music.
    """
    channels = [_Channel() for _ in range(16)]

    def take(message: bytes) -> bool:
        if message[0] >= 0xF0:
            if message[0] in (0xF0, 0xFF):  # a reset, perhaps: banks and selections are gone, too
                channels[:] = [_Channel() for _ in channels]
            return False
        return channels[message[0] & 15].take(message)

    for message in set_up:
        take(message)
    found: set[Told] = set()
    for row in music:
        if row.is_note:
            continue
        sent = instead.get(row, (row.message,))
        same = [take(message) for message in sent]
        # A program stands behind its bank: the bank alone is never the same.
        if same[-1] and (len(sent) == 1 or row.kind == 0xC):
            found.add(row)
    return frozenset(found)
