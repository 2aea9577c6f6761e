"""The SoundFont way, listened to by measuring, and what is said where it can't be had.

The measuring tests need what ``make test`` installs: pyfluidsynth, libfluidsynth3 and
timgm6mb-soundfont.
"""

from __future__ import annotations

import builtins
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from knobwright.adapters.audio import roles as r
from knobwright.adapters.audio import soundfont
from knobwright.adapters.audio.curves import RATE_HZ
from knobwright.adapters.audio.score import Control, Played, PlayedNote, PlayedProgram, Score
from knobwright.adapters.audio.soundfont import available, find_font, play
from knobwright.core.errors import InputError
from tests.adapters.audio.listening import (
    Samples,
    centroid_hz,
    cents,
    fundamental_hz,
    level_db,
    one_note,
    part,
    peak,
)

FOUND = available()
needs_font = pytest.mark.skipif(not FOUND, reason=FOUND.reason)
STRINGS = PlayedProgram(0.0, 1, 48)
ORGAN = PlayedProgram(0.0, 1, 16)  # steady: neither falls nor beats
DRY = (Control(0, 1, r.REVERB, 0), Control(0, 1, r.VOLUME, 127))


def sound(*events: Played, key: int = 69, end_s: float = 1.5) -> Samples:
    return play(one_note(*DRY, *events, key=key, end_s=end_s, velocity=100), FOUND.font).samples


@needs_font
@pytest.mark.parametrize("key", [45, 69, 81])
def test_a_note_has_the_pitch_of_its_key(key: int) -> None:
    """A4 = 440 Hz, ISO 16 (from memory); within 10 cents: the font's samples are as they are."""
    wanted = 440 * 2 ** ((key - 69) / 12)
    assert abs(cents(fundamental_hz(part(sound(ORGAN, key=key), 0.3, 1.4), wanted), wanted)) < 10


# General MIDI 2 (RP-024), 3.3.4: 40 log10(value / 127) dB.
@needs_font
@pytest.mark.parametrize(("value", "wanted"), [(100, -4.152), (64, -11.905), (32, -23.946)])
@pytest.mark.parametrize("role", [r.VOLUME, r.EXPRESSION, r.LEVEL, r.MASTER])
def test_levels_follow_the_law_of_general_midi_2(role: str, value: int, wanted: float) -> None:
    quiet = part(sound(ORGAN, Control(0.0, 1, role, value)), 0.3, 1.4)
    assert level_db(quiet) - level_db(part(sound(ORGAN), 0.3, 1.4)) == pytest.approx(wanted, abs=1)


@needs_font
def test_brightness_moves_the_centre_of_the_spectrum() -> None:
    found = [
        centroid_hz(part(sound(ORGAN, Control(0.0, 1, r.BRIGHTNESS, value)), 0.3, 1.4))
        for value in (10, 40, 64)
    ]
    assert found[0] * 1.1 < found[1] < found[2] / 1.1


@needs_font
def test_pan_bend_attack_and_release_are_heard() -> None:
    left = part(sound(ORGAN, Control(0.0, 1, r.PAN, 0)), 0.3, 1.4)
    assert level_db(left[:, 0]) > level_db(left[:, 1]) + 20
    bent = part(sound(ORGAN, Control(0, 1, r.BEND_RANGE, 12), Control(0, 1, r.BEND, 1)), 0.3, 1.4)
    plain_hz = fundamental_hz(part(sound(ORGAN), 0.3, 1.4), 440)
    # Measured: the synthesizer itself bends about 10 cents short of an octave.
    assert abs(cents(fundamental_hz(bent, 880), plain_hz) - 1200) < 15
    tuned = part(sound(ORGAN, Control(0, 1, r.COARSE, -12), Control(0, 1, r.FINE, 50)), 0.3, 1.4)
    assert abs(cents(fundamental_hz(tuned, 226.45), plain_hz) + 1150) < 3
    slow = part(sound(STRINGS, Control(0.0, 1, r.ATTACK, 120)), 0.0, 0.2)
    assert level_db(slow) < level_db(part(sound(STRINGS), 0.0, 0.2)) - 6
    assert len(sound(STRINGS, Control(0, 1, r.RELEASE, 100))) > len(sound(STRINGS)) + RATE_HZ / 10


@needs_font
def test_drum_channels_are_those_of_the_module() -> None:
    def hit(drums: tuple[int, ...]) -> Samples:
        score = Score((*DRY, PlayedNote(0, 1, 38, 100), PlayedNote(0.5, 1, 38, 0)), drums)
        return play(score, FOUND.font).samples

    drum, piano = hit((1,)), hit((10,))
    n = round(0.3 * RATE_HZ)
    assert centroid_hz(drum[:n].astype(np.float64)) > 2 * centroid_hz(piano[:n].astype(np.float64))


@needs_font
def test_it_is_low_ends_in_silence_and_is_the_same_every_time() -> None:
    first = sound(STRINGS)
    assert -30 < 20 * np.log10(peak(first)) <= -3
    assert not first[-round(0.2 * RATE_HZ) :].any()
    assert np.array_equal(first, sound(STRINGS))


@needs_font
def test_a_loud_chord_is_turned_down_and_not_cut_off() -> None:
    keys = range(36, 96)
    events = (*(PlayedNote(0.0, 1, key, 127) for key in keys),
              *(PlayedNote(1.0, 1, key, 0) for key in keys))  # fmt: skip
    played = play(Score((*DRY, ORGAN, *events)), FOUND.font)
    assert played.turned_down_db > 6
    assert peak(played.samples) <= 10 ** (-3 / 20) + 1e-4
    flat = np.abs(np.diff(played.samples[:, 0])) == 0
    assert flat[RATE_HZ // 4 : RATE_HZ // 2].mean() < 0.01


@needs_font
def test_a_file_that_is_no_soundfont_is_refused(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "x.sf2"
    path.write_bytes(b"no font")
    with pytest.raises(InputError, match="no SoundFont that can be read"):
        play(one_note(), str(path))
    capfd.readouterr()  # the library says so on standard error, too


@needs_font
def test_nothing_is_printed_even_where_ci_is_set() -> None:
    """The Python package prints which library it found when CI is set."""
    code = "from knobwright.adapters.audio.soundfont import available; assert available()"
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        check=True,
        env={"CI": "true", "PATH": "/usr/bin:/bin:/sbin", "PYTHONPATH": ":".join(sys.path)},
    )
    assert (done.stdout, done.stderr) == ("", "")


def without(monkeypatch: pytest.MonkeyPatch, error: type[ImportError]) -> None:
    """Make ``import fluidsynth`` fail."""
    plain = builtins.__import__

    def fail(name: str, *rest: Any, **more: Any) -> ModuleType:
        if name == "fluidsynth":
            raise error("Couldn't find it")
        return plain(name, *rest, **more)

    monkeypatch.delitem(sys.modules, "fluidsynth", raising=False)
    monkeypatch.setattr(builtins, "__import__", fail)


@pytest.mark.parametrize(
    ("error", "reason", "hint"),
    [
        (ModuleNotFoundError, "pyfluidsynth is not installed", "pip install 'knobwright[sound]'"),
        (ImportError, "library was not found", "apt install libfluidsynth3"),
    ],
)
def test_what_is_missing_is_named_with_how_to_get_it(
    monkeypatch: pytest.MonkeyPatch, error: type[ImportError], reason: str, hint: str
) -> None:
    without(monkeypatch, error)
    found = available()
    assert not found
    assert reason in found.reason
    assert hint in found.hint
    with pytest.raises(InputError, match=reason):
        play(one_note(), "x.sf2")


def test_a_missing_font_is_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(soundfont, "_module", lambda: ModuleType("there"))
    monkeypatch.setattr(soundfont, "find_font", lambda: None)
    assert "timgm6mb-soundfont" in available().hint
    assert "there is no SoundFont" in available(tmp_path / "x.sf2").reason


def test_the_systems_default_font_comes_first(tmp_path: Path) -> None:
    assert find_font((str(tmp_path), str(tmp_path / "none"))) is None
    for name in ("a.sf2", "default-GM.sf2", "b.sf3", "c.txt"):
        (tmp_path / name).touch()
    assert find_font((str(tmp_path),)) == tmp_path / "default-GM.sf2"
    (tmp_path / "default-GM.sf2").unlink()
    assert find_font((str(tmp_path),)) == tmp_path / "a.sf2"
