"""The same song under the bridge's order rules: the pacing itself, driven on a virtual clock.

Here nothing is computed a second time: :class:`Merge` makes the items, :class:`Pacing` decides what
goes when, as in the bridge; only the clock and the line are this module's. What a waiting newer
value has replaced is never sent; notes do not wait for controllers (``docs/reference/order.md``).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from knobwright.core.timing.items import Item
from knobwright.core.timing.lateness import LATE_NS, Spread, spread
from knobwright.core.timing.merge import Merge, PlaceOf
from knobwright.core.timing.pacing import Counts, Pacing
from knobwright.core.timing.wire import Departures, Link, Traffic, departures

Int = NDArray[np.int64]

#: Where an item never went over the line: a newer value took its place, or it was refused.
NEVER = -1


class Run(NamedTuple):
    """What went over the line; arrays with one row for each item, in the order of the song.

    ``number`` is that of the message in the traffic that completed the item (a selection goes
    with its data). ``end_ns`` is when its last bit left and ``n_bytes`` how many bytes its last
    message had on the wire: both :data:`NEVER` where it was not sent.
    """

    number: Int
    end_ns: Int
    n_bytes: Int
    counts: Counts


class Compared(msgspec.Struct, frozen=True):
    """Notes in the order of the song, and under the order rules.

    ``plain_finish`` and ``plain_start`` are how late notes end on the wire and begin there when
    everything goes in the order of the song; ``finish`` and ``start`` the same by the order rules,
    and ``n_late`` how many notes are later than ``limit_ns`` each way. ``n_replaced`` values and
    bends were not sent because a newer one of the same parameter waited too, ``n_overtaken`` notes
    went before a value that came earlier, ``n_refused`` items found no room.
    """

    plain_finish: Spread
    plain_start: Spread
    n_plain_late: int
    finish: Spread
    start: Spread
    n_late: int
    limit_ns: int
    n_replaced: int
    n_overtaken: int
    n_refused: int


def run_ordered(
    sent: Traffic,
    link: Link,
    *,
    place_of: PlaceOf | None = None,
    items_of: Callable[[bytes], list[Item]] | None = None,
    max_items: int = 4096,
) -> Run:
    """Send messages through the pacing on a virtual clock.

    Parameters
    ----------
    sent : Traffic
        Each message is pushed when it is due.
    link : Link
    place_of : PlaceOf, optional
        Tells which parameter of a sheet bytes set: see :class:`places.Places`.
    items_of : callable, optional
        Makes the items of one message, in place of a :class:`Merge` of one source.
    max_items : int > 0
        As in :class:`Pacing`.

    Raises
    ------
    InputError
        The link is none.
    """
    link.check()
    make = Merge(place_of=place_of).feed if items_of is None else items_of
    pacing = Pacing(
        byte_ns=link.byte_ns, stream=True, gap_ns=link.gap_ns, gap_holds=link.gap_holds,
        running_status=link.running_status, max_items=max_items,
    )  # fmt: skip
    line = _Line(pacing, link.byte_ns)
    index: list[int] = []
    items: list[Item] = []  # held, so that no two of them share an id
    for number, (due_ns, message) in enumerate(
        zip(sent.due_ns.tolist(), sent.messages, strict=True)
    ):
        found = make(message)
        if not found:
            continue
        line.until(due_ns)
        for one in found:
            item = Item._make(one)  # an object of its own, though equal messages may share theirs
            pacing.push(item, due_ns)
            index.append(number)
            items.append(item)
        line.pump(due_ns)
    line.until(None)
    ends = [line.done.get(id(item), (NEVER, NEVER)) for item in items]
    rows = np.asarray(ends, np.int64).reshape(-1, 2)
    return Run(np.asarray(index, np.int64), rows[:, 0], rows[:, 1], pacing.counts)


class _Line:
    """A line that carries each byte in its time, and a clock that goes from deadline to deadline.

    ``done`` tells of each item, by its id, when it ended and how many bytes its last message had.
    """

    def __init__(self, pacing: Pacing, byte_ns: int) -> None:
        self.done: dict[int, tuple[int, int]] = {}
        self._pacing = pacing
        self._byte_ns = byte_ns
        self._n_bytes = 0  # of the message under way

    def pump(self, now_ns: int) -> None:
        """Take all that is due now."""
        while (hand := self._pacing.due(now_ns)) is not None:
            self._n_bytes += len(hand.data)
            if hand.message:
                for item in hand.done:
                    end_ns = now_ns + len(hand.data) * self._byte_ns
                    self.done[id(item)] = (end_ns, self._n_bytes)
                self._n_bytes = 0

    def until(self, end_ns: int | None) -> None:
        """Let time pass up to ``end_ns``, or until nothing waits any more."""
        while (next_ns := self._pacing.next_ns) is not None:
            if end_ns is not None and next_ns > end_ns:
                return
            self.pump(next_ns)


def compare(
    sent: Traffic,
    link: Link,
    *,
    place_of: PlaceOf | None = None,
    limit_ns: int = LATE_NS,
    max_items: int = 4096,
) -> Compared:
    """Return how late notes are in the order of the song, and under the order rules.

    The parameters are those of :func:`run_ordered`; ``limit_ns`` is from where on a note counts as
    late. What was never sent is in no distribution.
    """
    plain = departures(sent, link)
    run = run_ordered(sent, link, place_of=place_of, max_items=max_items)
    ours = _of_notes(sent, run, link)
    notes = sent.is_note_on
    due = sent.due_ns[notes]
    first = Departures(*(column[notes] for column in plain))
    counts = run.counts
    return Compared(
        spread(first.end_ns - due, due), spread(first.start_ns - due, due),
        int((first.end_ns - due > limit_ns).sum()),
        spread(ours.end_ns - ours.due_ns, ours.due_ns),
        spread(ours.start_ns - ours.due_ns, ours.due_ns),
        int((ours.end_ns - ours.due_ns > limit_ns).sum()), limit_ns,
        counts.n_replaced, counts.n_overtaken,
        counts.n_refused_notes + counts.n_refused_offs + counts.n_refused_other
        + counts.n_too_long,
    )  # fmt: skip


class _Notes(NamedTuple):
    due_ns: Int
    start_ns: Int
    end_ns: Int


def _of_notes(sent: Traffic, run: Run, link: Link) -> _Notes:
    """Return the notes that were sent: when due, begun and ended."""
    rows = sent.is_note_on[run.number] & (run.end_ns != NEVER)
    end = run.end_ns[rows]
    return _Notes(sent.due_ns[run.number[rows]], end - run.n_bytes[rows] * link.byte_ns, end)
