"""Who may wait: bounds that no stream can break, and no note left hanging by them (rule 8)."""

from __future__ import annotations

from typing import NamedTuple

from knobwright.core.timing.items import Item
from knobwright.core.wire.messages import is_note_on

#: At so many times ``max_items`` everything new is refused.
_HARD_LIMIT = 2
#: A switch is on from this value on (page 12).
_ON = 64


class Refusals(NamedTuple):
    """How many were refused: note-ons, their note-offs, anything else, and too long exclusives."""

    n_notes: int
    n_offs: int
    n_other: int
    n_too_long: int


class Admission:
    """Decides what may wait and keeps note-ons and note-offs together.

    Parameters
    ----------
    max_items : int > 0
        From so many waiting items on, new note-ons are refused.
    longest_exclusive : int or None, bytes
        Longest exclusive that is taken.
    """

    def __init__(self, max_items: int, longest_exclusive: int | None) -> None:
        self._max_items = max_items
        self._longest = longest_exclusive
        # Note-ons taken whose note-off has not come yet, and note-ons refused likewise.
        self._taken = [0] * (16 * 128)
        self._refused: dict[int, int] = {}
        # Switches that were taken as on (pedals that are down): off is taken, however full it is.
        self._on: set[int] = set()
        self._n_notes = self._n_offs = self._n_other = self._n_too_long = 0

    def note(self, message: bytes, n_waiting: int, *, lost: bool) -> bool:
        """Return whether a note message is taken.

        A note-off is refused only with the note-on that it belongs to: as long as one that was
        taken is open, it is taken.
        """
        status, key, velocity = message
        number = (status & 15) << 7 | key
        if velocity and status >= 0x90:
            if lost or n_waiting >= self._max_items:
                self._refused[number] = self._refused.get(number, 0) + 1
                self._n_notes += 1
                return False
            self._taken[number] += 1
            return True
        if self._taken[number]:
            self._taken[number] -= 1
            return True
        if self._refused:
            owed = self._refused.get(number, 0)
            if owed:
                if owed == 1:
                    del self._refused[number]
                else:
                    self._refused[number] = owed - 1
                self._n_offs += 1
                return False
        # A note-off that nobody asked for: it does no harm until the line is full of them.
        return self.other(taken=not self.is_full(n_waiting))

    def give_up(self, message: bytes, *, sent: bool = False) -> bool:
        """Take back a note-on that was taken; return whether it is one (else nothing happens).

        Its note-off, if it is still to come, is refused too, but not where the note-on may have
        been ``sent``.
        """
        if not is_note_on(message):
            return False
        self._n_notes += 1
        number = (message[0] & 15) << 7 | message[1]
        if self._taken[number] and not sent:
            self._taken[number] -= 1
            self._refused[number] = self._refused.get(number, 0) + 1
        return True

    def switch(self, message: bytes, *, taken: bool) -> bool:
        """Return whether a switch's message is taken; off is, where its on was taken.

        ``taken`` tells whether there is room.
        """
        number = (message[0] & 15) << 7 | message[1]
        if message[2] < _ON:
            taken = taken or number in self._on
            self._on.discard(number)
        elif taken:
            self._on.add(number)
        return taken

    def length(self, item: Item) -> bool:
        """Return whether the link carries every exclusive message of an item whole."""
        if self._longest is None:
            return True
        if any(m[0] == 0xF0 and len(m) > self._longest for m in item.messages):
            self._n_too_long += 1
            return False
        return True

    def real_time(self, n_waiting: int) -> bool:
        """Return whether one more real-time message may wait."""
        return self.other(taken=n_waiting < self._max_items)

    def is_full(self, n_waiting: int) -> bool:
        """Return whether the hard limit is reached."""
        return n_waiting >= _HARD_LIMIT * self._max_items

    def other(self, *, taken: bool) -> bool:
        """Count what was not taken, and return ``taken``."""
        self._n_other += not taken
        return taken

    def drop(self, n_items: int) -> None:
        """Count items that were thrown away."""
        self._n_other += n_items

    @property
    def refusals(self) -> Refusals:
        """Return what was refused since the start."""
        return Refusals(self._n_notes, self._n_offs, self._n_other, self._n_too_long)
