"""A song with some events left out and some added: as a copy to measure, and as tracks to write.

A change names events by their number in the song's arrays, so that several changes of one song can
be put together; the song itself stays as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from knobwright.core.errors import InputError
from knobwright.core.song.records import META, Event, Song
from knobwright.core.song.write import track_events
from knobwright.core.timing.voices.play import Int, Play


class Added(NamedTuple):
    """A channel message that is added: it goes before all events of its tick in its track.

    ``track`` counts from 0. Several at one place keep the order in which they are given.
    """

    track: int
    tick: int
    data: bytes


class Change(NamedTuple):
    """What is left out of a song, by the numbers of its events, and what is added."""

    removed: frozenset[int] = frozenset()
    added: tuple[Added, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Return whether nothing is changed."""
        return not self.removed and not self.added


def together(changes: Sequence[Change]) -> Change:
    """Return several changes of one song as one."""
    added: dict[Added, None] = {}
    for change in changes:
        added.update(dict.fromkeys(change.added))
    return Change(frozenset().union(*(change.removed for change in changes)), tuple(added))


def event_of(play: Play, moments: Int) -> Int:
    """Return the numbers of the song's events at moments; an added one has none: it is left out."""
    rank = play.rank[moments]
    found: Int = rank[rank & 1 == 1] >> 1
    return found


def changed_play(song: Song, play: Play, change: Change) -> Play:
    """Return what of the changed song decides about voices.

    Parameters
    ----------
    song : Song
        As it was read.
    play : Play
        Of this song, unchanged.
    change : Change
        Programs, notes, pedals and modes only: nothing else is looked at here.

    Raises
    ------
    InputError
        Something is added that is no channel message, or to a track that is not there.
    """
    gone = np.fromiter(change.removed, np.int64, len(change.removed))
    kept = np.flatnonzero(~np.isin(play.rank, 2 * gone + 1))
    if not change.added:
        return _chosen(play, kept)
    check_added(song, change)
    rows = np.array([[*row.data, 0, 0][:3] for row in change.added], np.uint8)
    track = np.array([row.track for row in change.added], np.int32)
    tick = np.array([row.tick for row in change.added], np.int64)
    ranks = [2 * first_event(song, row.track, row.tick) for row in change.added]
    whole = _chosen(play, kept)
    joined = whole._replace(
        ns=np.concatenate((whole.ns, play.times.ns(tick))),
        tick=np.concatenate((whole.tick, tick)),
        status=np.concatenate((whole.status, rows[:, 0])),
        first=np.concatenate((whole.first, rows[:, 1])),
        second=np.concatenate((whole.second, rows[:, 2])),
        rank=np.concatenate((whole.rank, np.array(ranks, np.int64))),
        track=np.concatenate((whole.track, track)),
    )
    return _chosen(joined, np.lexsort((joined.rank, joined.tick)))


def _chosen(play: Play, index: Int) -> Play:
    """Return some rows of a play in a new order."""
    return play._replace(
        ns=play.ns[index], tick=play.tick[index], status=play.status[index],
        first=play.first[index], second=play.second[index], rank=play.rank[index],
        track=play.track[index],
    )  # fmt: skip


def check_added(song: Song, change: Change) -> None:
    """Check what is added.

    Raises
    ------
    InputError
        It is no channel message, or goes to a track that is not there.
    """
    for row in change.added:
        if not row.data or not 0x80 <= row.data[0] < 0xF0:
            raise InputError(
                f"a channel message can be added to a song, and {row.data.hex(' ').upper()} is none"
            )
        if not 0 <= row.track < song.n_tracks or row.tick < 0:
            raise InputError(
                f"the song has the tracks 1 to {song.n_tracks} from tick 0 on, and there is no "
                f"track {row.track + 1}, tick {row.tick}"
            )


def first_event(song: Song, track: int, tick: int) -> int:
    """Return the number of the first event of a track at or after a tick."""
    start, stop = np.searchsorted(song.events.track, (track, track + 1)).tolist()
    after = int(np.searchsorted(song.events.tick[start:stop], tick, "left"))
    return int(start) + after


def changed_tracks(song: Song, change: Change) -> dict[int, list[Event]]:
    """Return the tracks that a change touches, for :func:`~knobwright.core.song.write.rewrite`.

    Raises
    ------
    InputError
        As :func:`check_added`.
    DecodeError
        A touched track has events that can't be read: they would be lost.
    """
    check_added(song, change)
    touched = {row.track for row in change.added}
    touched |= {int(song.events.track[number]) for number in change.removed}
    out: dict[int, list[Event]] = {}
    for track in sorted(touched):
        first = int(np.searchsorted(song.events.track, track))
        rows: list[tuple[int, Event]] = [
            (2 * number + 1, event)
            for number, event in enumerate(track_events(song, track), first)
            if number not in change.removed
        ]
        for row in change.added:
            if row.track == track:
                place = 2 * first_event(song, track, row.tick)
                rows.append((place, Event(row.tick, row.data)))
        rows.sort(key=lambda pair: (pair[1].tick, pair[0]))
        out[track] = _in_order([event for _, event in rows])
    return out


def _in_order(events: list[Event]) -> list[Event]:
    """Return events with the end of track last, not before what was added behind it."""
    ends = [event for event in events if event.data[:2] == bytes((META, 0x2F))]
    body = [event for event in events if event.data[:2] != bytes((META, 0x2F))]
    last = body[-1].tick if body else 0
    return [*body, *(end._replace(tick=max(end.tick, last)) for end in ends[-1:])]
