"""How full the line is: bytes and busy time by window, and how much waits.

Everything is counted exactly: a message that lasts across the edge of a window counts on both sides
with the time that it has there.
"""

from __future__ import annotations

from typing import NamedTuple

import msgspec
import numpy as np
from numpy.typing import NDArray

from knobwright.core.errors import InputError
from knobwright.core.timing.wire import Departures, Traffic

Int = NDArray[np.int64]

SECOND_NS = 1_000_000_000
MAX_WIDTH_NS = 86_400 * SECOND_NS
#: Most windows that are made: a song may claim to last for years.
MAX_WINDOWS = 200_000


class Busiest(msgspec.Struct, frozen=True):
    """The fullest window of a width, of all that begin with a message; the first of equal ones.

    ``n_due_bytes`` is what the song wants sent in it and ``due_at_ns`` where that window begins;
    ``busy_ns`` is how long the line is busy at most in one, and ``busy_at_ns`` where that begins.
    Load is ``busy_ns`` of ``width_ns``.
    """

    width_ns: int
    n_due_bytes: int
    due_at_ns: int
    busy_ns: int
    busy_at_ns: int

    @property
    def load(self) -> float:
        """Return the share of the time in which the line is busy there, 0 to 1."""
        return self.busy_ns / self.width_ns


class Windows(NamedTuple):
    """Equal windows that follow each other from 0; arrays of the same length.

    ``busy_ns`` is how long the line is busy in each, ``n_due_bytes`` the bytes of the messages that
    the song wants sent in it.
    """

    width_ns: int
    busy_ns: Int
    n_due_bytes: Int

    @property
    def load(self) -> NDArray[np.float64]:
        """Return the share of each window in which the line is busy, 0 to 1."""
        return np.asarray(self.busy_ns / self.width_ns, np.float64)


class Depth(NamedTuple):
    """How much waits or is on the line, from each of these times on; arrays of the same length.

    ``at_ns`` rises and holds each time once.
    """

    at_ns: Int
    n_messages: Int
    n_bytes: Int


def busiest(sent: Traffic, found: Departures, width_ns: int = SECOND_NS) -> Busiest:
    """Return the fullest window of a width in nanoseconds, above 0 and at most a day."""
    _check_width(width_ns)
    if not len(sent.due_ns):
        return Busiest(width_ns, 0, 0, 0, 0)
    total = np.concatenate(([0], np.cumsum(found.n_bytes)))
    n_due = total[np.searchsorted(sent.due_ns, sent.due_ns + width_ns)] - total[:-1]
    # Of messages due together the first sees them all, and argmax takes the first of equals.
    due = int(np.argmax(n_due))
    busy = busy_until(found, found.start_ns + width_ns) - busy_until(found, found.start_ns)
    fullest = int(np.argmax(busy))
    return Busiest(
        width_ns, int(n_due[due]), int(sent.due_ns[due]), int(busy[fullest]),
        int(found.start_ns[fullest]),
    )  # fmt: skip


def busy_until(found: Departures, times_ns: Int) -> Int:
    """Return how long the line has been busy up to each time, in nanoseconds."""
    if not len(found.start_ns):
        return np.zeros(len(times_ns), np.int64)
    service = found.end_ns - found.start_ns
    before = np.cumsum(service) - service
    index = np.searchsorted(found.start_ns, times_ns, "right") - 1
    inside = np.minimum(times_ns - found.start_ns[index], service[index])
    out: Int = np.where(index < 0, 0, before[index] + inside)
    return out


def windows(sent: Traffic, found: Departures, width_ns: int = SECOND_NS) -> Windows:
    """Return the load of windows that follow each other, for a curve.

    Parameters
    ----------
    sent, found
        The messages and when they leave.
    width_ns : int > 0, nanoseconds
        Doubled until no more than :data:`MAX_WINDOWS` are needed; see ``width_ns`` of the result.

    Raises
    ------
    InputError
        The width is 0 or less, or above a day.
    """
    _check_width(width_ns)
    end = int(found.end_ns[-1]) if len(found.end_ns) else 0
    while end > width_ns * MAX_WINDOWS:
        width_ns *= 2
    # The last message may take no time on a line without a limit, and be due at the very end.
    n_windows = end // width_ns + 1 if len(found.end_ns) else 0
    edges = np.arange(n_windows + 1, dtype=np.int64) * width_ns
    total = np.concatenate(([0], np.cumsum(found.n_bytes)))
    n_due = np.diff(total[np.searchsorted(sent.due_ns, edges)])
    return Windows(width_ns, np.diff(busy_until(found, edges)), n_due)


def depth(sent: Traffic, found: Departures) -> Depth:
    """Return how many messages and bytes wait or are on the line, over time.

    A message counts from when it is due to when its last bit has left.
    """
    at = np.concatenate((sent.due_ns, found.end_ns))
    one = np.ones(len(sent.due_ns), np.int64)
    order = np.argsort(at, kind="stable")
    at = at[order]
    messages = np.cumsum(np.concatenate((one, -one))[order])
    octets = np.cumsum(np.concatenate((found.n_bytes, -found.n_bytes))[order])
    last = np.append(at[1:] != at[:-1], True)[: len(at)]
    return Depth(at[last], messages[last], octets[last])


def _check_width(width_ns: int) -> None:
    if not 0 < width_ns <= MAX_WIDTH_NS:
        raise InputError(f"a window is wider than 0 and at most a day, found {width_ns} ns")
