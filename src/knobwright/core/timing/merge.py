"""Several sources on one link: each one's selections and banks are kept apart from the others'.

A module has one selected parameter and one bank a channel, whoever sends. Here each source has its
own: its data go out with its own selection before them, its program changes with its own bank.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from knobwright.core.timing.classify import (
    BANKS,
    DATA,
    NRPN,
    NULL,
    RESET_CONTROLLERS,
    RPN,
    SELECTORS,
    Class,
    of_controller,
    of_data,
    of_message,
)
from knobwright.core.timing.items import KEPT, NOTE, VALUE, Item
from knobwright.core.timing.settings import (
    Place,
    from_messages,
    from_setting,
    is_continuous,
    place_of,
    shared_bases,
)

__all__ = [
    "Merge",
    "Place",
    "PlaceOf",
    "from_messages",
    "from_setting",
    "is_continuous",
    "place_of",
    "shared_bases",
]

#: Given the messages of a controller, or selection and data: their place by the sheet, if any.
PlaceOf = Callable[[tuple[bytes, ...]], Place | None]

_MASKS = tuple(1 << channel for channel in range(16))
_ACTIVE_SENSING = 0xFE
_SYSTEM_RESET = 0xFF
_MAX_CLASSES = 8192
_new = tuple.__new__


class _Selection(NamedTuple):
    """What a source has selected on a channel: the messages that say so, high part first."""

    kind: str
    high: int
    low: int
    messages: tuple[bytes, bytes]


class Merge:
    """Makes items of one source's raw messages.

    Parameters
    ----------
    source : str
        Written into the items.
    place_of : PlaceOf, optional
        Tells which parameter of the sheet bytes set: see :class:`places.Places`. Without it a
        value belongs to its own controller or number.

    Attributes
    ----------
    n_unplaced : int
        Data entries and steps that were dropped because this source had selected nothing, or null.
    n_sensing : int
        Active sensing bytes taken out: the link has its own (a keyboard that is unplugged must not
        silence the module).
    """

    def __init__(self, source: str = "", place_of: PlaceOf | None = None) -> None:
        self.source = source
        self.n_unplaced = 0
        self.n_sensing = 0
        self._place_of = place_of
        self._numbers: dict[int, dict[int, int]] = {}  # channel: selector number: value
        self._selected: dict[int, _Selection | None] = {}
        self._banks: dict[int, dict[int, bytes]] = {}  # channel: bank controller: message
        self._classes: dict[tuple[object, ...], Class] = {}
        self._ready: dict[bytes, Item] = {}

    def feed(self, message: bytes) -> list[Item]:
        """Return the items of one whole message with its status byte; often one, or none."""
        ready = self._ready.get(message)
        if ready is not None:
            return [ready]
        items = self._made(message)
        if len(items) == 1 and items[0].sort != KEPT and len(items[0].messages) == 1:
            # The same bytes of this source are the same item again: nothing that it has selected
            # is in them.
            if len(self._ready) >= _MAX_CLASSES:
                self._ready.clear()
            self._ready[message] = items[0]
        return items

    def _made(self, message: bytes) -> list[Item]:
        status = message[0]
        kind = status >> 4
        if kind in (0x8, 0x9):
            mask = _MASKS[status & 15]
            return [_new(Item, ((message,), NOTE, mask, None, None, 0, 0, self.source))]
        if kind == 0xB:
            return self._control(status & 15, message)
        if kind == 0xC:
            return [self._program(status & 15, message)]
        if status == _ACTIVE_SENSING:
            self.n_sensing += 1
            return []
        if status == _SYSTEM_RESET:
            self.forget()
        found = of_message(message)
        if found.sort == VALUE:  # pressure
            found = self._known((status, message[1] if kind == 0xA else 0), (message,), found)
        return [self._item((message,), found)]

    def forget(self) -> None:
        """Forget selections and banks: the source was away, or another one is there now."""
        self._numbers.clear()
        self._selected.clear()
        self._banks.clear()

    def _item(self, messages: tuple[bytes, ...], found: Class, n_selection: int = 0) -> Item:
        sort, channels, base, key = found
        return _new(Item, (messages, sort, channels, key, base, n_selection, 0, self.source))

    def _known(self, name: tuple[object, ...], messages: tuple[bytes, ...], found: Class) -> Class:
        """Return the class after the sheet; asked once for each controller or number."""
        known = self._classes.get(name)
        if known is None:
            place = self._place_of(messages) if self._place_of is not None else None
            known = found if place is None or found.base is None else _placed(found, place, name)
            if len(self._classes) >= _MAX_CLASSES:
                self._classes.clear()  # a stream of made-up numbers must not fill the memory
            self._classes[name] = known
        return known

    def _control(self, channel: int, message: bytes) -> list[Item]:
        number = message[1]
        name = (message[0], number)
        known = self._classes.get(name)
        if known is not None:
            return [self._item((message,), known)]
        if number in SELECTORS:
            return self._select(channel, number, message[2])
        if number in DATA:
            return self._data(channel, number, message)
        if number in BANKS:
            banks = self._banks.setdefault(channel, {})
            banks.pop(number, None)  # the last one sent stands last
            banks[number] = message
        elif number == RESET_CONTROLLERS:  # the selection becomes null (RP-015)
            self._numbers.pop(channel, None)
            self._selected.pop(channel, None)
        found = of_controller(channel, number, message[2])
        if found.sort == VALUE:
            found = self._known(name, (message,), found)
        return [self._item((message,), found)]

    def _select(self, channel: int, number: int, value: int) -> list[Item]:
        """Remember a selection; only null is sent by itself."""
        numbers = self._numbers.setdefault(channel, {})
        numbers[number] = value
        low_number = number & ~1
        kind = NRPN if low_number == 98 else RPN
        high, low = numbers.get(low_number + 1), numbers.get(low_number)
        self._selected[channel] = None
        if high is None or low is None:
            return []
        status = 0xB0 | channel
        messages = (bytes((status, low_number + 1, high)), bytes((status, low_number, low)))
        if high == low == NULL:
            base = ("null", channel)
            return [self._item(messages, Class(VALUE, 1 << channel, base, base))]
        self._selected[channel] = _Selection(kind, high, low, messages)
        return []

    def _data(self, channel: int, number: int, message: bytes) -> list[Item]:
        """Return data with their selection, or nothing where this source has none."""
        selected = self._selected.get(channel)
        if selected is None:
            self.n_unplaced += 1
            return []
        kind, high, low, selection = selected
        messages = (*selection, message)
        found = self._classes.get((kind, channel, high, low, number))
        if found is None:
            found = of_data(channel, kind, high, low, number)
            found = self._known((kind, channel, high, low, number), messages, found)
        return [self._item(messages, found, 2)]

    def _program(self, channel: int, message: bytes) -> Item:
        """Return a program change with the bank that this source has set."""
        banks = tuple(self._banks.get(channel, {}).values())
        return self._item((*banks, message), Class(KEPT, 1 << channel), len(banks))


def _placed(found: Class, place: Place, name: tuple[object, ...]) -> Class:
    """Return a class with what the sheet says of the place: stricter, or with its base."""
    if place.kept:
        return Class(KEPT, found.channels)
    if found.sort == KEPT:  # a step
        return found._replace(base=place.base)
    return found._replace(base=place.base, key=(place.base, name))
