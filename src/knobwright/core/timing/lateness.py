"""How late messages are: the distribution of what the arithmetic of the line gives.

A message is late by the time from when the song wants it to when its last bit has left: even on a
free line a note takes 0.96 ms. How long it waited is the time to its first bit.
"""

from __future__ import annotations

import msgspec
import numpy as np
from numpy.typing import NDArray

from knobwright.core.timing.wire import Departures, Traffic

Int = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: A note that is later than this is counted. Wessel and Wright (2002) give 10 ms as the upper bound
#: of an acceptable delay; a steady one of 10 ms was not rated worse than none (Jack and others,
#: 2018).
LATE_NS = 10_000_000


class Spread(msgspec.Struct, frozen=True):
    """A distribution of ``n`` times in nanoseconds; zeros where ``n`` is 0.

    ``median_ns`` and ``p99_ns`` are values that occur: the smallest that at least 50 or 99 % of all
    do not exceed (nearest rank). ``worst_due_ns`` is when the first of the worst was due.
    """

    n: int
    median_ns: int
    p99_ns: int
    worst_ns: int
    worst_due_ns: int


class Lateness(msgspec.Struct, frozen=True):
    """How late messages are on a line.

    ``finish`` counts to the end of a message, ``start`` to its beginning; ``notes_finish`` and
    ``notes_start`` are the same of notes that begin. ``n_late_notes`` begin to sound more than
    ``limit_ns`` late: their ends, on the wire, are later than that.
    """

    finish: Spread
    start: Spread
    notes_finish: Spread
    notes_start: Spread
    n_late_notes: int
    limit_ns: int


def spread(times_ns: Int, due_ns: Int) -> Spread:
    """Return the distribution of times that belong to messages due at ``due_ns``."""
    n = len(times_ns)
    if not n:
        return Spread(0, 0, 0, 0, 0)
    ranks = [-(-n * percent // 100) - 1 for percent in (50, 99)]
    ordered = np.partition(times_ns, [*ranks, n - 1])
    worst = int(np.argmax(times_ns))
    return Spread(
        n, int(ordered[ranks[0]]), int(ordered[ranks[1]]), int(times_ns[worst]), int(due_ns[worst])
    )


def lateness(sent: Traffic, found: Departures, *, limit_ns: int = LATE_NS) -> Lateness:
    """Return how late messages are.

    Parameters
    ----------
    sent : Traffic
    found : Departures
        Of the same messages.
    limit_ns : int, nanoseconds
        From where on a note counts as late.
    """
    finish = found.end_ns - sent.due_ns
    start = found.start_ns - sent.due_ns
    notes = sent.is_note_on
    due = sent.due_ns[notes]
    return Lateness(
        spread(finish, sent.due_ns),
        spread(start, sent.due_ns),
        spread(finish[notes], due),
        spread(start[notes], due),
        int((finish[notes] > limit_ns).sum()),
        limit_ns,
    )
