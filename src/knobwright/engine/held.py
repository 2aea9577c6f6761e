"""Which notes and pedals each source holds, so that they can be let go when the source is gone."""

from __future__ import annotations

from collections.abc import Iterable

from knobwright.core.timing.items import KEPT, NOTE, Item

#: Controllers that hold notes while they are down (MIDI 1.0, table of controllers).
PEDALS = (64, 66, 69)
#: A pedal is down from this value on.
DOWN = 64
#: Sorts of items that may hold something.
HOLDING = (NOTE, KEPT)


class Held:
    """Notes and pedals by source."""

    __slots__ = ("_by_source",)

    def __init__(self) -> None:
        #: Source to (status without its kind, key or controller) to how often it is held.
        self._by_source: dict[str, dict[tuple[int, int, bool], int]] = {}

    def note(self, item: Item) -> None:
        """Note what an item holds or lets go."""
        if item.sort == NOTE:
            message = item.messages[0]
            held = self._by_source.setdefault(item.source, {})
            place = (message[0] & 0x0F, message[1], False)
            n = held.get(place, 0) + (1 if message[0] >= 0x90 and message[2] else -1)
            if n > 0:
                held[place] = n
            else:
                held.pop(place, None)
        elif item.sort == KEPT:
            message = item.messages[0]
            if message[0] & 0xF0 == 0xB0 and message[1] in PEDALS:
                held = self._by_source.setdefault(item.source, {})
                place = (message[0] & 0x0F, message[1], True)
                if message[2] >= DOWN:
                    held[place] = 1
                else:
                    held.pop(place, None)

    def take(self, source: str) -> tuple[Iterable[tuple[int, int, int]], list[tuple[int, int]]]:
        """Return and forget the notes ``(channel, key, n)`` and the pedals of a source."""
        held = self._by_source.pop(source, {})
        owed = [(channel, key, n) for (channel, key, is_pedal), n in held.items() if not is_pedal]
        pedals = [(channel, key) for channel, key, is_pedal in held if is_pedal]
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
