"""When every message leaves a line that carries its bytes one after the other.

All messages go down one line in their order, each as soon as its time has come and the line is
free: ``start = max(due, end of the one before)``, ``end = start + bytes * time of a byte``. With
the bytes of all messages before as one running sum, the start is that sum plus the largest
``due - sum`` so far: two passes over arrays, no step for a single message. Only what makes a rest
or must wait for one is stepped through, and that is seldom more than a few exclusive messages.

All times are whole nanoseconds; no length is rounded and then added up.

Sources: MIDI 1.0 Detailed Specification 4.2.1, pages 1 (31 250 baud, ten bits a byte), 5 and A-1 to
A-2 (running status), 33 (reset).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from knobwright.core.errors import InputError
from knobwright.core.song.timeline import Timeline
from knobwright.core.timing.pacing import GAP_HOLDS
from knobwright.core.wire import DIN_BAUD
from knobwright.core.wire.cost import BITS_PER_BYTE
from knobwright.core.wire.status import FIRST_REAL_TIME, FIRST_SYSTEM, SYSTEM_RESET

Int = NDArray[np.int64]
Byte = NDArray[np.uint8]
Flags = NDArray[np.bool_]

_S_NS = 1_000_000_000
#: Fastest line that is told: a byte still takes 10 ns.
MAX_BAUD = 1_000_000_000
#: Longest rest after one message.
MAX_REST_NS = 60 * _S_NS
EXCLUSIVE = 0xF0


class Link(NamedTuple):
    """A line and the receiver behind it.

    ``baud`` is in bits a second, ten of them a byte; 0 for a line that sets no limit.
    ``running_status``: a status that repeats is left out. ``gap_ns`` is the rest that the receiver
    needs after an exclusive message, in nanoseconds; ``gap_holds`` says what waits for it: only the
    next ``exclusive``, or ``all`` but real time.
    """

    baud: int = DIN_BAUD
    running_status: bool = False
    gap_ns: int = 0
    gap_holds: str = "exclusive"

    @property
    def byte_ns(self) -> int:
        """Return the time of a byte in whole nanoseconds: exactly 320 000 at 31 250 baud."""
        return BITS_PER_BYTE * _S_NS // self.baud if self.baud else 0

    def check(self) -> None:
        """Refuse what no line is.

        Raises
        ------
        InputError
            The speed or the rest is out of range, or ``gap_holds`` is none of its table.
        """
        if not 0 <= self.baud <= MAX_BAUD:
            raise InputError(f"a line's speed is 0 (no limit) to {MAX_BAUD} baud, not {self.baud}")
        if not 0 <= self.gap_ns <= MAX_REST_NS:
            raise InputError(
                f"a rest is 0 to {MAX_REST_NS // _S_NS} s, found {self.gap_ns / _S_NS:g} s"
            )
        if self.gap_holds not in GAP_HOLDS:
            raise InputError(f"gap_holds is one of {', '.join(GAP_HOLDS)}, not {self.gap_holds!r}")


class Traffic(NamedTuple):
    """Whole messages in the order in which they are sent: arrays and a list of the same length.

    ``due_ns`` never falls. ``status``, ``first`` and ``second`` are the first three bytes of each
    message (0 where it is shorter), ``size`` its bytes with its status. ``tick`` and ``track`` are
    those of the song, zeros where there is none.
    """

    due_ns: Int
    tick: Int
    track: NDArray[np.int32]
    messages: list[bytes]
    status: Byte
    first: Byte
    second: Byte
    size: Int

    @property
    def is_note_on(self) -> Flags:
        """Return which messages begin a note: 9n with a velocity above 0."""
        found: Flags = (self.status & 0xF0 == 0x90) & (self.second > 0)
        return found

    @property
    def channel(self) -> Byte:
        """Return the channel, 0 to 15, of channel messages; no meaning for others."""
        return self.status & np.uint8(15)


class Departures(NamedTuple):
    """When each message goes over the line; arrays as long as the traffic, in nanoseconds.

    ``start_ns`` is when the first bit of its first byte leaves, ``end_ns`` when the last bit of its
    last byte has left. ``n_bytes`` is how many bytes it has on the wire.
    """

    start_ns: Int
    end_ns: Int
    n_bytes: Int


def traffic(line: Timeline) -> Traffic:
    """Return a song's messages as traffic: due when the song says."""
    return _traffic(line.ns, line.tick, line.track, line.messages)


def traffic_of(due_ns: Sequence[int], messages: Sequence[bytes]) -> Traffic:
    """Return any messages as traffic.

    Parameters
    ----------
    due_ns : sequence of int, nanoseconds
        When each may begin; never falling.
    messages : sequence of bytes
        Whole messages with their status, as many.

    Raises
    ------
    InputError
        The lengths differ, or a time lies before the one in front of it.
    """
    n = len(messages)
    times = np.fromiter(due_ns, np.int64, len(due_ns))
    if len(times) != n:
        raise InputError(f"{n} messages need {n} times, found {len(times)}")
    if (np.diff(times) < 0).any():
        at = int(np.argmax(np.diff(times) < 0)) + 1
        raise InputError(f"message {at + 1} of {n} is due before the one in front of it")
    return _traffic(times, np.zeros(n, np.int64), np.zeros(n, np.int32), list(messages))


def _traffic(due_ns: Int, tick: Int, track: NDArray[np.int32], messages: list[bytes]) -> Traffic:
    """Take the first bytes and the lengths out of all messages at once."""
    size = np.fromiter(map(len, messages), np.int64, len(messages))
    octets = np.frombuffer(b"".join(messages) + b"\0\0", np.uint8)
    at = np.cumsum(size) - size
    first = np.where(size > 1, octets[at + 1], 0).astype(np.uint8)
    second = np.where(size > 2, octets[at + 2], 0).astype(np.uint8)
    return Traffic(due_ns, tick, track, messages, octets[at], first, second, size)


def wire_bytes(sent: Traffic, *, running_status: bool) -> Int:
    """Return how many bytes each message has on the wire.

    Parameters
    ----------
    sent : Traffic
    running_status : bool
        A channel message whose status is that of the message before leaves it out. F0 to F7 and FF
        clear it, other real time leaves it alone. (The bridge also repeats a status every two
        seconds: one byte more then.)
    """
    if not running_status:
        return sent.size
    status = sent.status
    felt = np.flatnonzero((status < FIRST_REAL_TIME) | (status == SYSTEM_RESET))
    row = status[felt]
    repeats = (row[1:] == row[:-1]) & (row[1:] < FIRST_SYSTEM)
    n_bytes = sent.size.copy()
    n_bytes[felt[1:][repeats]] -= 1
    return n_bytes


def departures(sent: Traffic, link: Link, *, rest_ns: Int | None = None) -> Departures:
    """Return when every message leaves.

    Parameters
    ----------
    sent : Traffic
        At most some millions of messages.
    link : Link
    rest_ns : array of int64, nanoseconds, optional
        As long as the traffic: rest after each message, in which nothing but real time begins (a
        reset). It adds nothing to a longer rest of the link.

    Returns
    -------
    Departures
        Messages keep their order, real time too: here it only passes over a rest, as the next
        message in the row. In ``ordered`` it goes first.

    Raises
    ------
    InputError
        The link is none.
    """
    link.check()
    n_bytes = wire_bytes(sent, running_status=link.running_status)
    service = n_bytes * link.byte_ns
    before = np.cumsum(service) - service
    # From here on a message's time is told as how far the line is behind its work: one number that
    # can only grow.
    behind = sent.due_ns - before
    behind = _held(sent, link, rest_ns, behind, before, service)
    start_ns = np.maximum.accumulate(behind) + before
    return Departures(start_ns, start_ns + service, n_bytes)


def _held(
    sent: Traffic, link: Link, rest_ns: Int | None, behind: Int, before: Int, service: Int
) -> Int:
    """Return ``behind`` with what waits for a rest put later.

    Only messages that make a rest, or are the first to wait for one, are stepped through: between
    them the largest number is taken at once.
    """
    is_exclusive = sent.status == EXCLUSIVE
    rests = np.zeros(len(behind), np.int64) if rest_ns is None else rest_ns
    if link.gap_ns and link.gap_holds == "all":
        rests = np.maximum(rests, np.where(is_exclusive, link.gap_ns, 0))
    gap_ns = link.gap_ns if link.gap_holds == "exclusive" else 0
    resting = np.flatnonzero(rests > 0)
    waits = _is_not_real_time(sent.status)
    candidates = np.flatnonzero(waits)
    after = np.searchsorted(candidates, resting, "right")
    first_after = candidates[after[after < len(candidates)]]
    exclusives = np.flatnonzero(is_exclusive) if gap_ns else resting[:0]
    places = np.unique(np.concatenate((resting, first_after, exclusives)))
    if not len(places):
        return behind
    edges = np.concatenate((places[:1] * 0, places[:-1] + 1))
    most = np.maximum.reduceat(behind[: places[-1] + 1], edges)
    level, rest_end, gap_end = int(most[0]), 0, 0
    held = []
    columns = (most, before[places], service[places], rests[places], waits[places],
               is_exclusive[places])  # fmt: skip
    for top, done, own, rest, does_wait, is_ex in zip(*(c.tolist() for c in columns), strict=True):
        level = max(level, top)
        if does_wait:
            level = max(level, rest_end - done)
        if is_ex and gap_ns:
            level = max(level, gap_end - done)
        held.append(level)
        end = done + level + own
        if is_ex:
            gap_end = end + gap_ns
        if rest:
            rest_end = max(rest_end, end + rest)
    out = behind.copy()
    out[places] = held
    return out


def _is_not_real_time(status: Byte) -> Flags:
    """Return which messages a rest holds up: all but F8 to FE."""
    found: Flags = (status < FIRST_REAL_TIME) | (status == SYSTEM_RESET)
    return found


def byte_starts(found: Departures, link: Link) -> Int:
    """Return when every single byte on the wire begins, in nanoseconds, in order."""
    total = np.cumsum(found.n_bytes)
    inside = np.arange(int(total[-1]) if len(total) else 0) - np.repeat(
        total - found.n_bytes, found.n_bytes
    )
    return np.repeat(found.start_ns, found.n_bytes) + inside * link.byte_ns
