"""From a sheet on the disk to a sound file."""

from __future__ import annotations

import wave
from pathlib import Path

import numpy as np
import pytest

from knobwright.adapters.audio import soundfont
from knobwright.core.errors import InputError, SheetError
from knobwright.wiring.sound import open_standin, render_wav

PHRASE = (
    (0, "B0 07 7F B0 00 79 20 00 C0 10"),
    (0, "90 45 64"),
    (500_000_000, "F0 7F 7F 04 01 00 40 F7"),  # master volume 2000 hex: half of the way
    (1_000_000_000, "80 45 40"),
)


def play_phrase(
    tmp_path: Path, by: str
) -> tuple[np.ndarray[tuple[int, ...], np.dtype[np.int16]], str]:
    recorded = open_standin("general-midi-2")
    for at_ns, words in PHRASE:
        recorded.standin.receive(bytes.fromhex(words), at_ns)
    written = render_wav(tmp_path / "x.wav", recorded, by=by)
    assert written.by in written.words or "SoundFont" in written.words
    assert written.peak_dbfs <= -3
    with wave.open(written.path) as file:
        assert (file.getframerate(), file.getnchannels()) == (48_000, 2)
        assert file.getnframes() / 48_000 == pytest.approx(written.seconds)
        data = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2")
    return data.reshape(-1, 2), written.words


@pytest.mark.parametrize("by", ["tone", "best"])
def test_a_phrase_is_heard_as_it_was_sent(tmp_path: Path, by: str) -> None:
    """Half of master volume is -12 dB (General MIDI 2, 4.1: the square law)."""
    samples, _ = play_phrase(tmp_path, by)
    before, after = (
        np.sqrt(np.mean(samples[a:b].astype(np.float64) ** 2))
        for a, b in ((12_000, 23_000), (30_000, 47_000))
    )
    assert 20 * np.log10(after / before) == pytest.approx(-12, abs=1.2)
    assert not samples[-9_000:].any()


def test_the_tone_plays_and_says_why_where_there_is_no_soundfont(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    missing = soundfont.Availability(reason="nothing is there", hint="get it")
    monkeypatch.setattr(soundfont, "available", lambda font: missing)
    _, words = play_phrase(tmp_path, "best")
    assert words == "played by the built-in tone: nothing is there (get it)"
    with pytest.raises(InputError, match="nothing is there"):
        play_phrase(tmp_path, "soundfont")
    with pytest.raises(InputError, match="not 'loud'"):
        play_phrase(tmp_path, "loud")


def test_a_sheet_with_faults_opens_no_stand_in(tmp_path: Path) -> None:
    path = tmp_path / "x.sheet.toml"
    path.write_text("format = 1\n[module]\n", encoding="utf-8")
    with pytest.raises(SheetError):
        open_standin(str(path))
