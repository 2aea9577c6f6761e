"""From the places of events to arrays: times, status with running status filled in, data.

Everything here works on whole arrays: no step is taken for a single event.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from knobwright.core.song.records import EXCLUSIVE, META, UNREADABLE, Events, Faults
from knobwright.core.song.tracks import PADDING, Places
from knobwright.core.wire import KINDS, N_DATA
from knobwright.core.wire.status import UNDEFINED

Int = NDArray[np.int64]
Byte = NDArray[np.uint8]
Flags = NDArray[np.bool_]

_MAX_DELTA_BYTES = 4
#: Data bytes of each status; 1 for what has no status, which passes over one byte.
_N_DATA: Byte = np.array(
    [1 if byte < 0x80 else max(N_DATA[byte], 0) for byte in range(256)], np.uint8
)
_UNDEFINED: Flags = np.array([kind == UNDEFINED for kind in KINDS])


def no_events() -> Events:
    """Return the events of a song without any."""
    octets = np.zeros(0, np.uint8)
    numbers = np.zeros(0, np.int32)
    return Events(numbers.astype(np.int64), numbers, octets, octets, octets, numbers, numbers)


def make_events(data: bytes, places: Places, faults: Faults) -> Events:
    """Return the events that the walk found.

    Parameters
    ----------
    data : bytes
        The song.
    places : Places
        Where its events are.
    faults : Faults
        Takes what is wrong with single events: running status from nowhere or across system
        events, data bytes above 7F, delta times of more than four bytes.
    """
    if not len(places.events):
        return no_events()
    octets = np.frombuffer(data + PADDING, np.uint8)
    place = np.frombuffer(places.events, np.int32).astype(np.int64)
    counts = np.frombuffer(places.n_events, np.int32).astype(np.int64)
    firsts = np.cumsum(counts) - counts
    track = np.repeat(np.arange(len(counts), dtype=np.int32), counts)
    status = _statuses(octets[place], firsts[track], place, track, faults)
    system = np.frombuffer(places.system, np.int32).astype(np.int64)
    at = place + (octets[place] >= 0x80)
    size = _N_DATA[status].astype(np.int32)
    end = at + size
    end[system] = np.frombuffer(places.system_end, np.int32)
    delta = _deltas(octets, place, end, counts, firsts, places, faults, track)
    first, second = _data_bytes(octets, at, size, status, track, faults)
    kind = status[system]
    first[system] = np.where(kind == META, octets[at[system]], 0)
    second[system] = 0
    at[system] = np.frombuffer(places.system_at, np.int32)
    size[system] = np.frombuffer(places.system_size, np.int32)
    status[system[_UNDEFINED[kind]]] = UNREADABLE
    return Events(_ticks(delta, counts, firsts), track, status, first, second,
                  at.astype(np.int32), size)  # fmt: skip


def _statuses(
    found: Byte, first_of_track: Int, place: Int, track: NDArray[np.int32], faults: Faults
) -> Byte:
    """Return each event's status, running status filled in; 0 where there is none to run."""
    running = np.flatnonzero(found < 0x80)
    status = found.copy()
    if not len(running):
        return status
    number = np.arange(len(found))
    last = np.maximum.accumulate(np.where(is_channel(found), number, -1))[running]
    nowhere = last < first_of_track[running]
    status[running] = np.where(nowhere, UNREADABLE, found[last])
    before = running - 1
    across = ~nowhere & (found[before] >= EXCLUSIVE)
    for index in _some(running, nowhere, faults):
        words = "a data byte stands where the track has no status yet"
        faults.add(place[index], track[index] + 1, words, "left out")
    for index in _some(running, across, faults):
        words = "running status goes on across a meta event or exclusive message"
        done = f"taken as {status[index]:02X}, as players do"
        faults.add(place[index], track[index] + 1, words, done)
    return status


def _some(index: Int, wrong: Flags, faults: Faults) -> list[int]:
    """Return the first events where something is wrong; count the rest of them as faults."""
    wrong_ones = index[np.flatnonzero(wrong)]
    most = 50
    faults.n += max(0, len(wrong_ones) - most)
    listed: list[int] = wrong_ones[:most].tolist()
    return listed


def _deltas(
    octets: Byte,
    place: Int,
    end: Int,
    counts: Int,
    firsts: Int,
    places: Places,
    faults: Faults,
    track: NDArray[np.int32],
) -> Int:
    """Return the delta time in front of each event, in ticks."""
    start = np.empty_like(place)
    start[1:] = end[:-1]
    held = np.flatnonzero(counts)
    start[firsts[held]] = np.frombuffer(places.starts, np.int32)[held]
    delta = (octets[place - 1] & 0x7F).astype(np.int64)
    longer = np.flatnonzero(place - start > 1)
    if not len(longer):
        return delta
    n_bytes = (place - start)[longer]
    for k in range(2, _MAX_DELTA_BYTES + 1):
        delta[longer] += (octets[place[longer] - k] & 0x7F).astype(np.int64) << 7 * (k - 1)
        goes_on = n_bytes > k
        longer, n_bytes = longer[goes_on], n_bytes[goes_on]
        if not len(longer):
            return delta
    for index in _some(longer, np.ones(len(longer), np.bool_), faults):
        words = f"a delta time has {place[index] - start[index]} bytes, and 4 are the most"
        faults.add(start[index], track[index] + 1, words, "its last 28 bits count")
    return delta


def _data_bytes(
    octets: Byte,
    at: Int,
    size: NDArray[np.int32],
    status: Byte,
    track: NDArray[np.int32],
    faults: Faults,
) -> tuple[Byte, Byte]:
    """Return first and second data byte of channel messages; a bad one makes it unreadable."""
    first = octets[at]
    second = octets[at + 1]
    second[size < 2] = 0
    bad = ((first | second) >= 0x80) & (status < EXCLUSIVE) & (status != UNREADABLE)
    if bad.any():
        wrong = np.flatnonzero(bad)
        for index in _some(wrong, np.ones(len(wrong), np.bool_), faults):
            content = octets[at[index] : at[index] + size[index]].tobytes().hex(" ").upper()
            words = f"the data bytes of a message {status[index]:02X} are 00 to 7F, found {content}"
            faults.add(at[index], track[index] + 1, words, "the message is left out")
        status[wrong] = UNREADABLE
    return first, second


def _ticks(delta: Int, counts: Int, firsts: Int) -> Int:
    """Return absolute ticks, each track from 0."""
    total = np.cumsum(delta)
    if len(counts) == 1:
        return total
    held = counts > 0
    before = total[firsts[held]] - delta[firsts[held]]
    total -= np.repeat(before, counts[held])
    return total


def is_channel(status: Byte) -> Flags:
    """Return which events are channel messages that can be sent."""
    return (status >= 0x80) & (status < EXCLUSIVE)
