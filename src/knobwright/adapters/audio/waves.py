"""The colours of the built-in tone: sixteen, one for each family of eight program numbers.

They are our own and only meant to be told apart; within a family the slope changes from program to
program. To add or change one, edit a row of ``WAVES``.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

#: Most partials of a note.
MAX_PARTIALS = 64

Floats = NDArray[np.float64]


class Wave(NamedTuple):
    """A colour.

    Partial k has the amplitude ``k ** -slope``, even ones times ``even``. Behind the attack the
    level falls towards ``sustain`` (0 to 1) with the time constant ``decay_s``.
    """

    name: str
    slope: float
    even: float
    sustain: float
    decay_s: float


WAVES: tuple[Wave, ...] = (
    Wave("struck string", 1.5, 1.0, 0.0, 0.9),
    Wave("bar", 2.2, 0.3, 0.0, 0.6),
    Wave("pipes", 1.9, 0.6, 1.0, 1.0),
    Wave("plucked", 1.3, 0.8, 0.0, 0.7),
    Wave("low string", 1.6, 1.0, 0.15, 0.8),
    Wave("bowed", 1.1, 1.0, 0.9, 0.5),
    Wave("many bowed", 1.2, 0.9, 1.0, 1.0),
    Wave("brass", 1.0, 1.0, 0.85, 0.3),
    Wave("reed", 1.2, 0.1, 0.95, 0.3),
    Wave("flute", 2.4, 0.8, 1.0, 1.0),
    Wave("square", 1.0, 0.0, 1.0, 1.0),
    Wave("soft pad", 1.8, 0.9, 1.0, 1.0),
    Wave("bright pad", 1.0, 0.6, 0.8, 1.2),
    Wave("far string", 1.2, 0.5, 0.0, 0.6),
    Wave("wood", 2.0, 0.2, 0.0, 0.15),
    Wave("rough", 0.8, 1.0, 0.5, 0.5),
)

# Spread of the slope over the eight programs of a family.
_SLOPE_STEP = 0.05


def wave_of(program: int) -> Wave:
    """Return the colour of a program byte, 0 to 127."""
    wave = WAVES[program // 8]
    return wave._replace(slope=wave.slope + (program % 8) * _SLOPE_STEP)


def partials(wave: Wave, n_partials: int) -> Floats:
    """Return the amplitudes of partials 1 to ``n_partials``; all 64 together have an RMS of 1."""
    numbers = np.arange(1, MAX_PARTIALS + 1)
    amplitudes = numbers**-wave.slope * np.where(numbers % 2 == 0, wave.even, 1.0)
    whole = np.sqrt(np.sum(amplitudes**2) / 2)
    return np.asarray(amplitudes[:n_partials] / whole, dtype=np.float64)
