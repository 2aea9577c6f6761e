"""WAV files, read back by the standard library and by their bytes."""

from __future__ import annotations

import struct
import wave
from io import BytesIO
from pathlib import Path

import numpy as np
import pytest

from knobwright.adapters.audio.wav import save, to_bytes
from knobwright.core.errors import InputError, StoreError


def read_back(data: bytes) -> tuple[tuple[int, int, int], list[int]]:
    with wave.open(BytesIO(data)) as file:
        shape = (file.getnchannels(), file.getsampwidth(), file.getframerate())
        raw = file.readframes(file.getnframes())
    return shape, list(struct.unpack(f"<{len(raw) // 2}h", raw))


def stereo(*left: float) -> np.ndarray[tuple[int, ...], np.dtype[np.float32]]:
    return np.array([[value, -value] for value in left], dtype=np.float32)


def test_samples_are_rounded_to_16_bits_left_first() -> None:
    shape, found = read_back(to_bytes(stereo(0.0, 0.5, 1.0, 1.6 / 32767), 48_000))
    assert shape == (2, 2, 48_000)
    assert found == [0, 0, 16384, -16384, 32767, -32767, 2, -2]


def test_the_header_is_that_of_pcm() -> None:
    """RIFF/WAVE, format 1 (PCM), as published in the RIFF specification of 1991 (from memory)."""
    data = to_bytes(stereo(0.0, 0.0), 48_000)
    assert data[:4] + data[8:16] == b"RIFFWAVEfmt "
    assert struct.unpack("<IHHIIHH", data[16:36]) == (16, 1, 2, 48_000, 192_000, 4, 16)
    assert data[36:44] == b"data" + struct.pack("<I", 8)
    assert struct.unpack("<I", data[4:8])[0] == len(data) - 8


@pytest.mark.parametrize("value", [1.001, -1.5, float("nan"), float("inf")])
def test_what_would_be_distorted_is_refused(value: float) -> None:
    with pytest.raises(InputError, match="samples lie between -1 and 1"):
        to_bytes(stereo(0.0, value), 48_000)


def test_a_wrong_shape_is_refused() -> None:
    with pytest.raises(InputError, match="shape"):
        to_bytes(np.zeros(4, dtype=np.float32), 48_000)


def test_dither_keeps_the_mean_of_what_is_quieter_than_a_step() -> None:
    """Triangular noise of one step makes rounding errors independent of the signal."""
    quiet = np.full((20_000, 2), 0.3 / 32_767, dtype=np.float32)
    plain, noisy = (read_back(to_bytes(quiet, 48_000, dither=d))[1] for d in (False, True))
    assert set(plain) == {0}
    assert np.mean(noisy) == pytest.approx(0.3, abs=0.02)
    assert set(noisy) <= {-1, 0, 1}
    assert to_bytes(quiet, 48_000, dither=True) == to_bytes(quiet, 48_000, dither=True)
    full = read_back(to_bytes(stereo(*[1.0] * 200), 48_000, dither=True))[1]
    assert max(full) == 32_767


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "x.wav"
    save(path, stereo(0.0, 0.5), 48_000)
    before = path.read_bytes()
    assert read_back(before)[1] == [0, 0, 16384, -16384]
    with pytest.raises(InputError):
        save(path, stereo(2.0), 48_000)
    assert path.read_bytes() == before
    with pytest.raises(StoreError):
        save(tmp_path / "none" / "x.wav", stereo(0.0), 48_000)
    assert [entry.name for entry in tmp_path.iterdir()] == ["x.wav"]
