"""Drums of the built-in tone: bursts of filtered noise, the same for a key every time."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Burst(NamedTuple):
    """A band of noise: centre in Hz, width in octaves, seconds in which it falls by 8.7 dB."""

    centre_hz: float
    octaves: float
    decay_s: float


_LOW, _SNARE, _CLAP = Burst(75, 0.7, 0.09), Burst(1_200, 2.2, 0.07), Burst(1_600, 1.2, 0.06)
_SHUT, _OPEN = Burst(8_500, 1.0, 0.025), Burst(8_000, 1.2, 0.14)
_CYMBAL, _CLICK = Burst(6_000, 1.8, 0.4), Burst(2_600, 0.8, 0.02)

#: Bursts by key, as General MIDI 1 (RP-003, table 3) lays out its drums; any other key has a burst
#: at its pitch.
BURSTS: dict[int, Burst] = {
    35: _LOW,
    36: _LOW._replace(centre_hz=90),
    37: _CLICK,
    38: _SNARE,
    39: _CLAP,
    40: _SNARE._replace(centre_hz=1_600),
    41: Burst(95, 0.6, 0.12),
    42: _SHUT,
    43: Burst(115, 0.6, 0.12),
    44: _SHUT._replace(centre_hz=7_000),
    45: Burst(140, 0.6, 0.12),
    46: _OPEN,
    47: Burst(170, 0.6, 0.12),
    48: Burst(205, 0.6, 0.11),
    49: _CYMBAL,
    50: Burst(245, 0.6, 0.11),
    51: _CYMBAL._replace(centre_hz=7_500, decay_s=0.3),
    54: Burst(9_000, 0.8, 0.08),
    56: Burst(800, 0.4, 0.08),
    57: _CYMBAL._replace(centre_hz=5_000),
}

# A burst is cut where it has fallen by 8.7 dB so often: about 60 dB.
_N_DECAYS = 7.0
_ATTACK_S = 0.001
_FADE_S = 0.01


def burst_of(key: int) -> Burst:
    """Return the burst of a key, 0 to 127."""
    return BURSTS.get(key) or Burst(440.0 * 2 ** ((key - 57) / 12), 0.8, 0.08)


def burst_s(key: int) -> float:
    """Return how long a key's burst lasts, in seconds."""
    return burst_of(key).decay_s * _N_DECAYS


def drum(key: int, rate_hz: int) -> Floats:
    """Return a key's burst as samples with a peak of 1 and no DC.

    The noise comes from a generator seeded with the key, so that it is the same every time.
    """
    burst = burst_of(key)
    n = int(burst.decay_s * _N_DECAYS * rate_hz)
    noise = np.random.default_rng(key).standard_normal(n)
    spectrum = np.fft.rfft(noise)
    frequencies = np.fft.rfftfreq(n, 1 / rate_hz)
    frequencies[0] = frequencies[1] / 2
    away = np.log2(frequencies / min(burst.centre_hz, 0.3 * rate_hz)) / (burst.octaves / 2)
    band = np.exp(-0.5 * away**2)
    band[0] = 0.0
    t = np.arange(n) / rate_hz
    shape = np.exp(-t / burst.decay_s) * np.minimum(t / _ATTACK_S, 1.0)
    shape *= np.minimum((t[-1] - t) / _FADE_S, 1.0)
    sound = np.fft.irfft(spectrum * band, n) * shape
    sound -= shape * (sound.sum() / shape.sum())
    return np.asarray(sound / np.max(np.abs(sound)), dtype=np.float64)
