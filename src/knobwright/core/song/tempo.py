"""Exact times: from ticks to microseconds and nanoseconds, without any drift.

Every time is computed from the whole fraction: no rounded length is ever added up. With ticks per
quarter note, a tick lasts tempo / division microseconds (RP-001); with frames, one second over
(frames a second * ticks per frame), where 29 means 30000/1001 frames a second (30 drop frame).
Without a tempo event, the tempo is 500 000 microseconds a quarter note: 120 a minute.
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import chain
from math import gcd
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from knobwright.core.errors import InputError
from knobwright.core.song.checks import TEMPO, Division, read_division
from knobwright.core.song.records import META, Song

#: Tempo before the first tempo event, in microseconds a quarter note.
DEFAULT_TEMPO_US = 500_000
#: Latest time that is told: about 146 years.
MAX_NS = 2**62

Int = NDArray[np.int64]


class TempoMap(NamedTuple):
    """Where the tempo changes, as exact numbers.

    The time of a tick is ``(done + (tick - first tick) * rate) / scale`` microseconds, with the
    last stretch that begins at or before it. ``ticks``, ``done`` and ``rates`` are equally long;
    the first stretch begins at tick 0.
    """

    ticks: tuple[int, ...]
    done: tuple[int, ...]
    rates: tuple[int, ...]
    scale: int

    def us(self, tick: int) -> Fraction:
        """Return the exact time of one tick in microseconds."""
        index = int(np.searchsorted(np.asarray(self.ticks), tick, "right")) - 1
        done = self.done[index] + (tick - self.ticks[index]) * self.rates[index]
        return Fraction(done, self.scale)

    def ns(self, ticks: Int) -> Int:
        """Return the times of ticks in whole nanoseconds, each rounded down from the exact one.

        Parameters
        ----------
        ticks : array of int64, 0 or more
            Absolute ticks, in any order.

        Returns
        -------
        array of int64
            Nanoseconds, at most :data:`MAX_NS`.
        """
        if not len(ticks):
            return np.zeros(0, np.int64)
        starts = np.asarray(self.ticks, np.int64)
        common = gcd(1000, self.scale)
        factor, divisor = 1000 // common, self.scale // common
        # No number on the way may be too large for 64 bits; none is larger than this one.
        if (self.done[-1] + int(ticks.max()) * max(self.rates)) * factor < MAX_NS:
            if len(starts) == 1:
                return ticks * np.int64(self.rates[0] * factor) // divisor
            index = np.searchsorted(starts, ticks, "right") - 1
            done = np.asarray(self.done, np.int64)[index]
            exact: Int = done + (ticks - starts[index]) * np.asarray(self.rates, np.int64)[index]
            return exact * factor // divisor
        index = np.searchsorted(starts, ticks, "right") - 1
        slow = (
            (self.done[i] + (tick - self.ticks[i]) * self.rates[i]) * factor // divisor
            for i, tick in zip(index.tolist(), ticks.tolist(), strict=True)
        )
        return np.fromiter((min(time_ns, MAX_NS) for time_ns in slow), np.int64, len(ticks))


def tempo_map(song: Song, *, track: int | None = None) -> TempoMap:
    """Return a song's tempo map.

    Parameters
    ----------
    song : Song
        Of any format.
    track : int from 0, optional
        The pattern of a format 2 song, which has a tempo of its own. ``None``: tempo events of all
        tracks count for all (formats 0 and 1).

    Raises
    ------
    InputError
        The time base is none that the standard knows: it is never guessed.
    """
    tempos = _tempo_tracks(song)
    if track is not None:
        return _map(song, tempos.get(track, []))
    return _map(song, sorted(chain(*tempos.values()), key=_by_tick))


def event_ns(song: Song) -> Int:
    """Return the time of every event in nanoseconds, each format 2 pattern from 0.

    Raises
    ------
    InputError
        As :func:`tempo_map`.
    """
    ticks = song.events.tick
    if song.format != 2:
        return tempo_map(song).ns(ticks)
    tempos = _tempo_tracks(song)
    edges = np.searchsorted(song.events.track, np.asarray([(t, t + 1) for t in tempos]).reshape(-1))
    times = _map(song, []).ns(ticks)  # for all patterns that say nothing about their tempo
    for track, start, stop in zip(tempos, edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        times[start:stop] = _map(song, tempos[track]).ns(ticks[start:stop])
    return times


def _map(song: Song, tempos: Sequence[tuple[int, int]]) -> TempoMap:
    """Return the map that (tick, microseconds a quarter note) in order of time give."""
    division = read_division(song.division)
    if not division.is_known:
        raise InputError(
            f"times can't be computed: the time base is {division.words()}",
            where=f"{song.name}, byte 12" if song.name else "byte 12",
            hint="the standard knows 1 to 32767 ticks a quarter note, or 24, 25, 29 or 30 frames",
        )
    if division.frames:
        rate, scale = _frame_rate(division)
        return TempoMap((0,), (0,), (rate,), scale)
    ticks, done, rates = [0], [0], [DEFAULT_TEMPO_US]
    for tick, tempo in tempos:
        done.append(done[-1] + (tick - ticks[-1]) * rates[-1])
        ticks.append(tick)
        rates.append(tempo)
    return TempoMap(tuple(ticks), tuple(done), tuple(rates), division.per_quarter)


def _frame_rate(division: Division) -> tuple[int, int]:
    """Return rate and scale of a time base of frames: a tick lasts rate / scale microseconds."""
    frames = Fraction(30_000, 1_001) if division.frames == 29 else Fraction(division.frames)
    tick_us = 1_000_000 / (frames * division.per_frame)
    return tick_us.numerator, tick_us.denominator


def _by_tick(tempo: tuple[int, int]) -> int:
    return tempo[0]


def _tempo_tracks(song: Song) -> dict[int, list[tuple[int, int]]]:
    """Return (tick, microseconds a quarter note) of each track that has any, in order of time.

    Of several at one tick the last one counts. A tempo of 0 is none, and one that is cut short is
    not used: ``checks`` says so.
    """
    events = song.events
    found = np.flatnonzero((events.status == META) & (events.first == TEMPO) & (events.size >= 3))
    tracks: dict[int, list[tuple[int, int]]] = {}
    for track, tick, at in zip(
        events.track[found].tolist(), events.tick[found].tolist(), events.at[found].tolist(),
        strict=True,
    ):  # fmt: skip
        tempo = int.from_bytes(song.data[at : at + 3], "big")
        if tempo:
            tracks.setdefault(track, []).append((tick, tempo))
    return tracks
