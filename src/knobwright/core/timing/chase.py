"""What must be sent before a song is begun in its middle, so that it sounds as from its start.

Of everything before the starting place, the last of each kind stays, where it stood: programs with
their bank, controllers, registered and non-registered parameters, bends, pressure, modes, exclusive
messages. Steps up and down stay, all of them. Notes do not sound on from before: none is begun.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable

from knobwright.core.timing.items import KEPT, NOTE, REAL_TIME, Item

#: Channel modes that only end notes (MIDI 1.0, page 24): all sound off, all notes off.
_ENDS = (120, 123)
_RESET_CONTROLLERS = 121
_FIRST_MODE = 120
_STEPS = (96, 97)
#: Channel modes that undo each other: omni off and on, mono and poly.
_PAIRS = {125: 124, 127: 126}
#: General MIDI System On, Off and General MIDI 2 System On: what came before is gone.
_RESETS = ((0x09, 0x01), (0x09, 0x02), (0x09, 0x03))


class Chase:
    """Remembers the items before the starting place."""

    def __init__(self) -> None:
        self._kept: dict[Hashable, Item] = {}
        self._n = 0

    def take(self, items: Iterable[Item]) -> None:
        """Take items in the order in which they would have been sent."""
        for item in items:
            if item.sort in (NOTE, REAL_TIME):
                continue
            name = self._name(item)
            if name is None:
                continue
            # Taken out and put in again: the last one stands where it came.
            self._kept.pop(name, None)
            self._kept[name] = item

    def items(self) -> list[Item]:
        """Return what is to be sent, in order."""
        return list(self._kept.values())

    def _name(self, item: Item) -> Hashable | None:
        """Return what an item sets, so that a later one takes its place; ``None``: nothing."""
        if item.key is not None:
            return ("key", item.key)
        message = item.messages[-1]
        if item.sort == KEPT and message[0] >= 0xF0:
            return self._exclusive_name(item, message)
        kind, number = message[0] & 0xF0, message[1]
        if kind == 0xC0:
            return ("program", message[0])
        if kind != 0xB0:
            return ("kind", message[0])
        if number in _STEPS:
            return self._unlike_any()
        if number >= _FIRST_MODE:
            if number in _ENDS:
                return None
            return ("mode", message[0], _PAIRS.get(number, number))
        return ("data", item.messages[: item.n_selection], message[0], number)

    def _exclusive_name(self, item: Item, message: bytes) -> Hashable:
        if message[0] == 0xFF or _is_reset(message):
            self._kept.clear()
        return ("system", item.messages)

    def _unlike_any(self) -> Hashable:
        self._n += 1
        return ("step", self._n)


def _is_reset(message: bytes) -> bool:
    return len(message) == 6 and message[1] == 0x7E and tuple(message[3:5]) in _RESETS
