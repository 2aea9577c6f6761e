"""Which notes and pedals each source holds, so that they can be let go when the source is gone."""

from __future__ import annotations

from collections.abc import Iterable

from knobwright.core.interfaces import Ledger
from knobwright.core.timing.items import KEPT, NOTE, Item

#: Controllers that hold notes while they are down (MIDI 1.0, table of controllers).
PEDALS = (64, 66, 69)
#: A pedal is down from this value on.
DOWN = 64
#: Sorts of items that may hold something.
HOLDING = (NOTE, KEPT)
_NOTE_OFF, _NOTE_ON, _CONTROL = 0x8, 0x9, 0xB
_PRESSURE = 0xA0  # status bytes below are notes, also those that set a parameter
#: A place is channel times 128 and key; for a pedal, this and channel times 128 and controller.
_PEDAL = 1 << 11


class Held:
    """Notes and pedals by source."""

    __slots__ = ("_by_source",)

    def __init__(self) -> None:
        #: Source to place (see below) to how often it is held.
        self._by_source: dict[str, dict[int, int]] = {}

    def begin(self, source: str, place: int) -> None:
        """Note that a source holds a note (``channel * 128 + key``) once more."""
        held = self._by_source.get(source)
        if held is None:
            held = self._by_source[source] = {}
        held[place] = held.get(place, 0) + 1

    def end(self, source: str, place: int) -> None:
        """Note that a source lets go of a note."""
        held = self._by_source.get(source)
        if held:
            n = held.get(place, 0)
            if n > 1:
                held[place] = n - 1
            elif n:
                del held[place]

    def note(self, item: Item) -> None:
        """Note what an item holds or lets go."""
        message = item.messages[0]
        status = message[0]
        if item.sort == NOTE or status < _PRESSURE:
            place = (status & 0x0F) << 7 | message[1]
            step = self.begin if status >= 0x90 and message[2] else self.end
            step(item.source, place)
        elif item.sort == KEPT and status >> 4 == 0xB and message[1] in PEDALS:
            place = _PEDAL | (status & 0x0F) << 7 | message[1]
            self.end(item.source, place)
            if message[2] >= DOWN:
                self.begin(item.source, place)

    def take(self, source: str) -> tuple[Iterable[tuple[int, int, int]], list[tuple[int, int]]]:
        """Return and forget the notes ``(channel, key, n)`` and the pedals of a source.

        What its controls hold (``source/control``) is its own, too.
        """
        held: dict[int, int] = {}
        for name in [n for n in self._by_source if n == source or n.startswith(f"{source}/")]:
            for place, n in self._by_source.pop(name).items():
                held[place] = held.get(place, 0) + n
        owed = [(place >> 7, place & 0x7F, n) for place, n in held.items() if place < _PEDAL]
        pedals = [(place >> 7 & 0x0F, place & 0x7F) for place in held if place & _PEDAL]
        return owed, pedals

    def clear(self) -> None:
        """Forget everything."""
        self._by_source.clear()


class NoLedger:
    """The ledger of a way out on which nothing sounds: the lights of a surface."""

    def note_on(self, channel: int, key: int) -> None:
        """Do nothing."""

    def note_off(self, channel: int, key: int) -> None:
        """Do nothing."""

    def pedal(self, channel: int, controller: int, value: int) -> None:
        """Do nothing."""

    def owed(self) -> Iterable[tuple[int, int, int]]:
        """Return nothing."""
        return ()

    def pedals(self) -> Iterable[tuple[int, int]]:
        """Return nothing."""
        return ()

    def clear(self) -> None:
        """Do nothing."""


def enter(ledger: Ledger, message: bytes) -> int:
    """Enter what begins to sound, before its bytes are handed over; return its channel as a bit."""
    kind = message[0] >> 4
    if kind == _NOTE_ON:
        if message[2]:
            ledger.note_on(message[0] & 0x0F, message[1])
            return 1 << (message[0] & 0x0F)
    elif kind == _CONTROL and message[1] in PEDALS and message[2] >= DOWN:
        ledger.pedal(message[0] & 0x0F, message[1], message[2])
    return 0


def take_out(ledger: Ledger, message: bytes) -> None:
    """Take out what ends, after its bytes were handed over."""
    kind = message[0] >> 4
    if kind == _NOTE_OFF or (kind == _NOTE_ON and not message[2]):
        ledger.note_off(message[0] & 0x0F, message[1])
    elif kind == _CONTROL and message[1] in PEDALS and message[2] < DOWN:
        ledger.pedal(message[0] & 0x0F, message[1], message[2])
