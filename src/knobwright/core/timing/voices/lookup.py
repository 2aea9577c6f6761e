"""Look-ups in the order of play: what a channel last said before a moment, and what it says next.

A key is ``channel * stride + moment``, so that one sorted array holds all channels and a search
never leaves the order of time.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from knobwright.core.timing.voices.play import N_CHANNELS, Byte, Int, Play


class Said(NamedTuple):
    """What channels said, and when: sorted keys, and a value for each.

    ``stride`` is one more than the number of moments.
    """

    keys: Int
    values: Int
    stride: int

    def before(self, channel: Byte | Int, moment: Int, default: int) -> Int:
        """Return the last value at or before each moment on its channel."""
        found, known = self.place_before(channel, moment)
        if not len(self.keys):
            return np.full(len(moment), default, np.int64)
        return np.where(known, self.values[found], default)

    def place_before(self, channel: Byte | Int, moment: Int) -> tuple[Int, np.ndarray]:
        """Return where the last one at or before stands, and whether there is one."""
        channel = channel.astype(np.int64)
        found = np.searchsorted(self.keys, channel * self.stride + moment, "right") - 1
        if not len(self.keys):
            return np.zeros(len(moment), np.int64), np.zeros(len(moment), np.bool_)
        known = (found >= 0) & (self.keys[found] >= channel * self.stride)
        return np.maximum(found, 0), known

    def after(self, channel: Byte | Int, moment: Int) -> Int:
        """Return the moment of the next one after each moment on its channel; the last if none."""
        end = self.stride - 1
        if not len(self.keys):
            return np.full(len(moment), end, np.int64)
        channel = channel.astype(np.int64)
        found = np.searchsorted(self.keys, channel * self.stride + moment, "right")
        key = self.keys[np.minimum(found, len(self.keys) - 1)]
        same = (found < len(self.keys)) & (key < (channel + 1) * self.stride)
        return np.where(same, key - channel * self.stride, end)

    def only(self, value: int) -> Said:
        """Return those with one value."""
        kept = self.values == value
        return Said(self.keys[kept], self.values[kept], self.stride)


def said(play: Play, moments: Int, values: Int, *, on_reset: int | None = None) -> Said:
    """Return what is said at moments, with what a reset of the module means on all channels.

    Parameters
    ----------
    play : Play
        Of the song.
    moments, values : arrays of int64
        Of equal length.
    on_reset : int, optional
        Value that a reset brings; ``None``: a reset says nothing about it.
    """
    stride = play.n + 1
    keys = play.channel[moments].astype(np.int64) * stride + moments
    resets = play.resets if on_reset is not None else moments[:0]
    if len(resets):
        channels = np.repeat(np.arange(N_CHANNELS, dtype=np.int64), len(resets))
        keys = np.concatenate((keys, channels * stride + np.tile(resets, N_CHANNELS)))
        values = np.concatenate((values, np.full(len(channels), on_reset, np.int64)))
    order = np.argsort(keys, kind="stable")
    return Said(keys[order], values[order], stride)
