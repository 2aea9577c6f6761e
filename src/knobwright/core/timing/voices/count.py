"""How many voices sound at once: sums over the moments of a song, in whole numbers."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from knobwright.core.timing.voices.ends import Ends
from knobwright.core.timing.voices.notes import Keys
from knobwright.core.timing.voices.play import N_CHANNELS, Flags, Int, Play


class Curve(NamedTuple):
    """Voices over time: from ``ns[i]`` on sound ``voices[i]``. Several steps may share a time."""

    ns: Int
    voices: Int


def sounding(n: int, start: Int, end: Int, voices: Int) -> Int:
    """Return how many voices sound after each moment 0 to ``n`` - 1.

    Parameters
    ----------
    n : int >= 0
        Number of moments.
    start, end : arrays of int64
        Moments of notes: no two begin at one moment, and none ends before it begins.
    voices : array of int64
        What each note takes.
    """
    change = np.zeros(n + 1, np.int64)
    change[start] = voices
    change -= by_moment(end, voices, n + 1)
    total: Int = np.cumsum(change)[:n]
    return total


def by_moment(moment: Int, voices: Int, n: int) -> Int:
    """Return the sum of voices at each moment, in whole numbers."""
    if not len(moment):
        return np.zeros(n, np.int64)
    most = int(voices.max())
    if most == 1 and int(voices.min()) == 1:
        return np.bincount(moment, minlength=n)
    total = np.zeros(n, np.int64)
    for value in np.unique(voices).tolist():
        total += value * np.bincount(moment[voices == value], minlength=n)
    return total


def channel_peaks(n: int, keys: Keys, ends: Ends, voices: Int) -> list[int]:
    """Return the most voices of each of the 16 channels, 0 for one without notes."""
    peaks = [0] * N_CHANNELS
    for channel in np.flatnonzero(np.bincount(keys.channel, minlength=N_CHANNELS)).tolist():
        mine: Flags = keys.channel == channel
        # Only the moments at which a note of the channel begins matter, so few are summed over.
        start, taken = keys.down[mine], voices[mine]
        gone = np.sort(ends.moment[mine])
        if int(taken.max()) == int(taken.min()):
            left = np.searchsorted(gone, start, "right")
            level = (np.arange(1, len(start) + 1) - left) * int(taken[0])
        else:
            level = sounding(n, start, ends.moment[mine], taken)
        peaks[channel] = int(level.max())
    return peaks


def curve(play: Play, keys: Keys, ends: Ends, voices: Int) -> Curve:
    """Return voices over time with the true ends of all tails.

    What ends before a moment stands before it, at its own time; so the highest step is the peak.
    """
    start_key, end_key = keys.down * 2 + 1, ends.moment * 2
    ns = np.concatenate((play.ns[keys.down], ends.ns))
    order = np.lexsort((ns, np.concatenate((start_key, end_key))))
    change = np.concatenate((voices, -voices))[order]
    return Curve(ns[order], np.cumsum(change))


def time_above(steps: Curve, limit: int) -> int:
    """Return for how many nanoseconds more than ``limit`` voices are wanted."""
    if len(steps.ns) < 2:
        return 0
    lasting = np.diff(steps.ns)
    return int(lasting[steps.voices[:-1] > limit].sum())
