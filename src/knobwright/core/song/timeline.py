"""Whole messages in the order in which they are played, each with its exact time.

Events of one tick stay in track order, and those of one track in the order of the file: so a player
of a format 1 file sends them (common practice; RP-001 says nothing about it).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from knobwright.core.errors import InputError
from knobwright.core.song.arrays import is_channel
from knobwright.core.song.exclusive import join_exclusive
from knobwright.core.song.records import Faults, Song
from knobwright.core.song.tempo import tempo_map
from knobwright.core.wire import N_DATA

_N_DATA = np.array([max(n_data, 0) for n_data in N_DATA], np.int64)


class Timeline(NamedTuple):
    """What is played, in order: arrays and a list of the same length.

    ``ns`` are nanoseconds from the start of the song, ``track`` counts from 0, ``messages`` are
    whole, with their status. ``length_ns`` is the time of the last event, the end of a track too.
    """

    ns: NDArray[np.int64]
    tick: NDArray[np.int64]
    track: NDArray[np.int32]
    messages: list[bytes]
    length_ns: int


def timeline(song: Song, *, pattern: int = 0) -> Timeline:
    """Return a song's messages in playing order.

    Parameters
    ----------
    song : Song
        Of any format.
    pattern : int from 0
        Which track of a format 2 song: its patterns are played on their own. Not looked at in
        other formats.

    Raises
    ------
    InputError
        The time base is none of the standard, or there is no such pattern.
    """
    events = song.events
    chosen = is_channel(events.status)
    whole = join_exclusive(song.data, events, Faults())
    extra = np.fromiter((row.event for row in whole), np.int64, len(whole))
    texts = [row.message for row in whole]
    track = None
    if song.format == 2:
        track = pattern
        if not 0 <= pattern < max(song.n_tracks, 1):
            raise InputError(
                f"the song has the patterns 1 to {song.n_tracks}, and there is no {pattern + 1}",
                where=song.name,
            )
        chosen &= events.track == pattern
        kept = events.track[extra] == pattern
        texts = [text for text, keep in zip(texts, kept.tolist(), strict=True) if keep]
        extra = extra[kept]
    times = tempo_map(song, track=track)
    plain = np.flatnonzero(chosen)
    index = np.concatenate((plain, extra))
    # Track after track is the order of the arrays, so a stable sort by tick keeps it within a tick.
    order = np.lexsort((index, events.tick[index]))
    texts = _channel_messages(song, plain) + texts
    index = index[order]
    ticks = events.tick[index]
    mine = events.tick if track is None else events.tick[events.track == track]
    last = mine.max(keepdims=True) if len(mine) else np.zeros(1, np.int64)
    return Timeline(
        times.ns(ticks), ticks, events.track[index], [texts[i] for i in order.tolist()],
        int(times.ns(last)[0]),
    )  # fmt: skip


def _channel_messages(song: Song, index: NDArray[np.int64]) -> list[bytes]:
    """Return channel messages as bytes."""
    events = song.events
    status = events.status[index]
    rows = np.stack((status, events.first[index], events.second[index]), axis=1).tobytes()
    starts = np.arange(len(index)) * 3
    ends = starts + 1 + _N_DATA[status]
    return [rows[a:b] for a, b in zip(starts.tolist(), ends.tolist(), strict=True)]
