"""Messages that silence whole channels."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Sequence

from knobwright.core.timing.items import KEPT, NOTE, Item
from knobwright.core.timing.pacing import Pacing
from knobwright.core.wire.controllers import is_switch
from knobwright.core.wire.messages import is_note_off

#: Channel modes "all sound off" and "all notes off" (MIDI 1.0 Detailed Specification, table V).
SOUND_OFF, NOTES_OFF = 120, 123
#: So many items that let go wait for the line at once.
PORTION = 1_000


def silences(channels: int, controllers: Sequence[int] = (SOUND_OFF, NOTES_OFF)) -> list[Item]:
    """Return these controllers with value 0 for each channel whose bit is set in ``channels``.

    A module that does not know one of them ignores it: held notes are let go one by one as well.
    """
    return [
        Item((bytes((0xB0 | channel, controller, 0)),), KEPT, 1 << channel, source="quiet")
        for channel in range(16)
        if channels >> channel & 1
        for controller in controllers
    ]


def is_end(item: Item) -> bool:
    """Return whether an item ends something: a note-off, or the lift of a switch."""
    message = item.messages[0]
    if item.sort == NOTE:
        return is_note_off(message)
    return message[0] >> 4 == 0xB and is_switch(message[1]) and message[2] < 64


def spill(inbox: deque[Item], limit: int) -> int:
    """Leave out the last of more than ``limit`` items, but for what ends; return how many."""
    kept: list[Item] = []
    n_spilled = 0
    while len(inbox) > limit:
        try:
            item = inbox.pop()
        except IndexError:  # another thread has taken them
            break
        if is_end(item):
            kept.append(item)
        else:
            n_spilled += 1
    inbox.extend(reversed(kept))
    return n_spilled


class Letting:
    """What is let go ahead of everything else: a machine of its own, filled in portions.

    Parameters
    ----------
    machine : Pacing
        Of the same line.
    items : iterable of Item
        In the order to send them; there may be more than can wait at once.
    channels : int
        Those that are silenced, as bits.
    now_ns : int, nanoseconds
    """

    def __init__(self, machine: Pacing, items: Iterable[Item], channels: int, now_ns: int) -> None:
        self.machine = machine
        self.channels = channels
        self._items = deque(items)
        self.feed(now_ns)

    def feed(self, now_ns: int) -> bool:
        """Let a portion more wait; return whether there was any left."""
        was_left = bool(self._items)
        while self._items and self.machine.n_waiting < PORTION:
            self.machine.push(self._items.popleft(), now_ns)
        return was_left
