"""How controls move over time, and the laws by which they turn into levels.

Sources: level law of volume, expression and master volume, General MIDI 2 (RP-024), 3.3.4, 3.3.6
and 4.1: 40 log10(value / 127) dB; pan law, RP-036.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from knobwright.adapters.audio.roles import AT_REST
from knobwright.adapters.audio.score import Control, Score

#: Samples a second.
RATE_HZ = 48_000
#: Controls are worked out once in so many samples (1.3 ms).
HOP = 64
# A step of a control is spread over so many hops (about 10 ms), so that it makes no click.
_SMOOTH_HOPS = 9

Floats = NDArray[np.float64]


def level_gain(value: Floats | float) -> Floats:
    """Return the gain of a level position 0 to 127: (value / 127) squared, so 40 log10 in dB."""
    return np.square(np.clip(np.asarray(value, dtype=np.float64), 0, 127) / 127)


def pan_gains(value: Floats | float) -> tuple[Floats, Floats]:
    """Return left and right gain of a pan position 0 to 127 (RP-036).

    With x = max(0, value - 1) / 126: cos(pi x / 2) and sin(pi x / 2); 0 and 1 are hard left.
    """
    x = np.clip(np.asarray(value, dtype=np.float64) - 1, 0, 126) / 126
    return np.cos(x * np.pi / 2), np.sin(x * np.pi / 2)


class Curves:
    """The course of every control of a score.

    Parameters
    ----------
    score : Score
        What is to be heard.
    n_samples : int
        Length of the whole.
    """

    def __init__(self, score: Score, n_samples: int) -> None:
        self.n_hops = n_samples // HOP + 2
        self._moves: dict[tuple[int, str, int | None], list[tuple[float, float]]] = {}
        for event in score.events:
            if isinstance(event, Control):
                place = (event.channel, event.role, event.key)
                self._moves.setdefault(place, []).append((event.at_s, event.value))

    def at(self, channel: int, role: str, at_s: float, key: int | None = None) -> float:
        """Return the value of a control at a time in seconds, events of that time included."""
        found = (0.0, AT_REST[role])
        places = (
            [(channel, role, None)]
            if key is None
            else [(channel, role, None), (channel, role, key)]
        )
        for place in places:
            for move in self._moves.get(place, ()):
                if found[0] <= move[0] <= at_s + 1e-9:
                    found = move
        return found[1]

    def steps(self, channel: int, role: str, default: float | None = None) -> Floats:
        """Return a control's value at every hop, changing at once."""
        rest = AT_REST[role] if default is None else default
        values = np.full(self.n_hops, rest, dtype=np.float64)
        for at_s, value in self._moves.get((channel, role, None), ()):
            values[max(0, round(at_s * RATE_HZ / HOP)) :] = value
        return values

    def gains(
        self, channel: int, level_roles: Sequence[str], pan_role: str
    ) -> tuple[Floats, Floats]:
        """Return the smoothed left and right gain of a channel at every hop."""
        gain = np.ones(self.n_hops)
        for role in level_roles:
            gain = gain * level_gain(self.steps(channel, role))
        left, right = pan_gains(self.steps(channel, pan_role))
        return smoothed(gain * left), smoothed(gain * right)


def smoothed(values: Floats) -> Floats:
    """Return the values with every step spread over about 10 ms behind it."""
    if np.all(values == values[0]):
        return values
    window = np.hanning(_SMOOTH_HOPS + 2)[1:-1]
    padded = np.concatenate([np.full(_SMOOTH_HOPS - 1, values[0]), values])
    return np.asarray(np.convolve(padded, window / window.sum(), "valid"), dtype=np.float64)


def to_samples(hops: Floats, start: int, n_samples: int) -> Floats:
    """Return hop values as one value a sample, from sample ``start`` on, by straight lines."""
    at = np.arange(start, start + n_samples) / HOP
    return np.asarray(np.interp(at, np.arange(len(hops)), hops), dtype=np.float64)
