"""Sound files: 16-bit PCM WAV, written whole or not at all."""

from __future__ import annotations

import io
import os
import wave

import numpy as np
from numpy.typing import NDArray

from knobwright.adapters.files.safe import write_bytes
from knobwright.core.errors import InputError

_FULL_SCALE = 32_767


def to_bytes(samples: NDArray[np.float32], rate_hz: int, *, dither: bool = False) -> bytes:
    """Return a 16-bit WAV file.

    Parameters
    ----------
    samples : array of shape (n, channels), -1 to 1
        1 becomes 32 767.
    rate_hz : int
        Samples a second.
    dither : bool
        Add triangular noise of at most one step before rounding, so that what is quieter than a
        step fades into noise; the noise is the same every time.

    Raises
    ------
    InputError
        A sample is not a number or lies outside -1 to 1: it would be distorted.
    """
    if samples.ndim != 2:
        raise InputError(f"samples have the shape (n, channels), not {samples.shape}")
    steps = samples.astype(np.float64) * _FULL_SCALE
    highest = float(np.max(np.abs(steps), initial=0.0))
    if not highest <= _FULL_SCALE:
        found = (
            "one is not a number" if np.isnan(highest) else f"one is {highest / _FULL_SCALE:.3f}"
        )
        raise InputError(f"samples lie between -1 and 1, and {found}", hint="turn the level down")
    if dither:
        random = np.random.default_rng(0)
        steps += random.random(steps.shape) - random.random(steps.shape)
    whole = np.clip(np.rint(steps), -32_768, _FULL_SCALE).astype("<i2")
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as file:
        file.setnchannels(samples.shape[1])
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes(whole.tobytes())
    return buffer.getvalue()


def save(
    path: str | os.PathLike[str],
    samples: NDArray[np.float32],
    rate_hz: int,
    *,
    dither: bool = False,
) -> None:
    """Write a 16-bit WAV file; see :func:`to_bytes`.

    Raises
    ------
    InputError
        A sample is out of range.
    StoreError
        The file can't be written; what was there before is unharmed.
    """
    write_bytes(path, to_bytes(samples, rate_hz, dither=dither))
