"""The whole messages of a song in playing order, each with the events of the file that it is from.

Unlike a timeline this knows the place of each message in the file, so that single messages can be
taken out or replaced and all others stay as they are.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from knobwright.core.song.arrays import is_channel
from knobwright.core.song.exclusive import join_exclusive
from knobwright.core.song.records import EXCLUSIVE, META, PACKET, UNREADABLE, Faults, Song
from knobwright.core.wire import N_BYTES

_START, _END = b"\xf0", b"\xf7"


class Told(NamedTuple):
    """A message: its tick and track (from 0), and the numbers of its events.

    An exclusive message in packets has several events; it counts at the last of them.
    """

    tick: int
    track: int
    events: tuple[int, ...]
    message: bytes

    @property
    def channel(self) -> int:
        """Return its channel, 1 to 16, or 0 for a system message."""
        return (self.message[0] & 0x0F) + 1 if self.message[0] < EXCLUSIVE else 0

    @property
    def kind(self) -> int:
        """Return the high half of its status byte."""
        return self.message[0] >> 4

    @property
    def begins_note(self) -> bool:
        """Return whether it begins a note: velocity 0 does not."""
        return self.kind == 0x9 and self.message[2] > 0

    @property
    def is_note(self) -> bool:
        """Return whether it begins or ends a note."""
        return self.kind in (0x8, 0x9)


class Loose(NamedTuple):
    """An event with bytes that are to be sent and are no whole message, with its first bytes."""

    event: int
    data: bytes


def told(song: Song, track: int | None = None) -> tuple[list[Told], list[Loose]]:
    """Return a song's messages in playing order, and the events that make none.

    Parameters
    ----------
    song : Song
        Of any format.
    track : int from 0, optional
        Only this one (a pattern of a format 2 song).
    """
    events = song.events
    rows: list[Told] = []
    mine = np.ones(song.n_events, np.bool_) if track is None else events.track == track
    places = np.flatnonzero(is_channel(events.status) & mine)
    columns = (events.tick, events.track, events.status, events.first, events.second)
    for place, tick, at, status, first, second in zip(
        places.tolist(), *(column[places].tolist() for column in columns), strict=True
    ):
        message = bytes((status, first, second)[: N_BYTES[status]])
        rows.append(Told(tick, at, (place,), message))
    used: set[int] = set()
    in_packets = _packets(song)
    for event, message in join_exclusive(song.data, events, Faults()):
        packets = in_packets.get(event, (event,))
        used.update(packets)
        if mine[event]:
            rows.append(Told(int(events.tick[event]), int(events.track[event]), packets, message))
    # Stable: a track's messages stay in the order of its events, tracks in theirs.
    rows.sort(key=lambda row: (row.tick, row.events[-1]))
    system = np.flatnonzero((events.status >= EXCLUSIVE) & (events.status != META) & mine)
    loose = [Loose(i, content(song, i)) for i in system.tolist() if i not in used]
    return rows, loose


def content(song: Song, event: int) -> bytes:
    """Return the bytes that an event of exclusive, packet or system kind sends."""
    events = song.events
    at, status = int(events.at[event]), int(events.status[event])
    data = song.data[at : at + int(events.size[event])]
    return data if status == PACKET else bytes((status,)) + data


def n_unreadable(song: Song) -> int:
    """Return how many events can't be read: they can't be written anew either."""
    return int(np.count_nonzero(song.events.status == UNREADABLE))


def _packets(song: Song) -> dict[int, tuple[int, ...]]:
    """Return the events of each exclusive message in packets, by the event that completes it."""
    events = song.events
    found: dict[int, tuple[int, ...]] = {}
    open_ones: list[int] = []
    wanted = (events.status == EXCLUSIVE) | (events.status == PACKET)
    for i in np.flatnonzero(wanted).tolist():
        if open_ones and events.track[i] != events.track[open_ones[0]]:
            open_ones = []
        data = content(song, i)
        if open_ones and events.status[i] == PACKET:
            open_ones.append(i)
            if data.endswith(_END):
                found[i] = tuple(open_ones)
                open_ones = []
        else:
            begins = data.startswith(_START) and not data.endswith(_END)
            open_ones = [i] if begins else []
    return found
