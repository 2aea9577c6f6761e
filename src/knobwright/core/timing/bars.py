"""Bars and beats: which place of the printed music a tick is.

Source: Standard MIDI Files 1.0 (RP-001), time signature events; 4/4 where there is none. A
signature in the middle of a bar begins a new one (common practice, no source).
"""

from __future__ import annotations

from bisect import bisect_right
from typing import NamedTuple

from knobwright.core.song.checks import TIME_SIGNATURE, read_division
from knobwright.core.song.metas import metas
from knobwright.core.song.records import Song

#: Smallest beat that is taken for one: a 128th note.
_MAX_POWER = 7


class _Stretch(NamedTuple):
    """Bars of one signature: from which tick and bar on, beats a bar, and the note of a beat."""

    tick: int
    bar: int
    beats: int
    unit: int  # the note that gets a beat: 4 for quarters


class Bars:
    """Tells the bar and beat of ticks.

    Parameters
    ----------
    song : Song
        Of any format.
    pattern : int from 0
        Whose signatures count in a format 2 song.
    """

    def __init__(self, song: Song, *, pattern: int = 0) -> None:
        self._per_quarter = read_division(song.division).per_quarter
        found: dict[int, tuple[int, int]] = {}
        for meta in metas(song, TIME_SIGNATURE):
            if song.format == 2 and meta.track != pattern:
                continue
            if len(meta.content) >= 2 and meta.content[0] and meta.content[1] <= _MAX_POWER:
                found[meta.tick] = (meta.content[0], 1 << meta.content[1])
        self._stretches = [_Stretch(0, 1, 4, 4)]
        for tick in sorted(found) if self._per_quarter else ():
            last = self._stretches[-1]
            n_bars = -(-(tick - last.tick) * last.unit // (4 * self._per_quarter * last.beats))
            self._stretches.append(_Stretch(tick, last.bar + n_bars, *found[tick]))
        self._ticks = [stretch.tick for stretch in self._stretches]

    def place(self, tick: int) -> tuple[int, float] | None:
        """Return bar and beat, both from 1; ``None`` where the time base is frames or none."""
        if not self._per_quarter or tick < 0:
            return None
        begun, bar, beats, unit = self._stretches[bisect_right(self._ticks, tick) - 1]
        passed = (tick - begun) * unit  # in beats times four quarters
        bar_length = 4 * self._per_quarter * beats
        n_bars, inside = divmod(passed, bar_length)
        return bar + n_bars, round(1 + inside / (4 * self._per_quarter), 3)

    def words(self, tick: int) -> str:
        """Return a place for people: ``bar 12, beat 3.5``, or the tick where there are no bars."""
        found = self.place(tick)
        return f"tick {tick}" if found is None else f"bar {found[0]}, beat {found[1]:g}"
