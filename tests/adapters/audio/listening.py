"""Measure instead of listen: level, pitch and colour of sampled sound."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from knobwright.adapters.audio.curves import RATE_HZ
from knobwright.adapters.audio.score import Played, PlayedNote, Score

Samples = NDArray[np.float32]
Floats = NDArray[np.float64]


def part(samples: Samples, start_s: float, end_s: float) -> Floats:
    """Return a stretch of the sound as float64, shape (n, 2)."""
    return samples[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)].astype(np.float64)


def level_db(samples: Floats) -> float:
    """Return the RMS level in dBFS."""
    with np.errstate(divide="ignore"):
        return float(10 * np.log10(np.mean(samples**2)))


def fundamental_hz(samples: Floats, near_hz: float) -> float:
    """Return the frequency of the first partial, looked for within a quarter tone of ``near_hz``.

    A windowed spectrum, padded eight times; the peak of a parabola through the logarithms of the
    highest three bins (common practice, no source).
    """
    mono = samples.sum(axis=1)
    n = len(mono) * 8
    spectrum = np.abs(np.fft.rfft(mono * np.hanning(len(mono)), n))
    step_hz = RATE_HZ / n
    low, high = (round(near_hz * 2 ** (s / 24) / step_hz) for s in (-1, 1))
    at = low + int(np.argmax(spectrum[low:high]))
    before, top, after = np.log(spectrum[at - 1 : at + 2])
    return float((at + (before - after) / (2 * (before - 2 * top + after))) * step_hz)


def cents(found_hz: float, wanted_hz: float) -> float:
    """Return the distance of two frequencies in cents."""
    return float(1200 * np.log2(found_hz / wanted_hz))


def centroid_hz(samples: Floats) -> float:
    """Return the centre of the spectrum, weighted by amplitude."""
    mono = samples.sum(axis=1) * np.hanning(len(samples))
    spectrum = np.abs(np.fft.rfft(mono))
    return float(np.sum(spectrum * np.fft.rfftfreq(len(mono), 1 / RATE_HZ)) / np.sum(spectrum))


def peak(samples: Samples) -> float:
    """Return the highest sample, 0 to 1."""
    return float(np.max(np.abs(samples)))


def one_note(*before: Played, key: int = 69, velocity: int = 127, end_s: float = 1.0) -> Score:
    """Return a score of one note on channel 1, begun at 0 s, behind some events at its start."""
    return Score((*before, PlayedNote(0.0, 1, key, velocity), PlayedNote(end_s, 1, key, 0)))
