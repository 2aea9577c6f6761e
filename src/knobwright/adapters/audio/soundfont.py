"""A score through a general-purpose SoundFont synthesizer in this process: the extra ``sound``.

Needed are the Python package pyfluidsynth, the FluidSynth library and a SoundFont. Where one is not
there, :func:`available` says which and how to get it; nothing else of the program needs them.

The synthesizer has no filter on controller 74, no times on 72, 73 and 75 and no master volume, so
those go as its own generator NRPNs (controller 99 = 120: SoundFont 2.01, generators 8, 34, 36, 38),
and every level that is not controller 7 goes, multiplied, as expression: all follow the same law.
Levels per key and what vibrato does beyond modulation are not heard.
"""

from __future__ import annotations

import contextlib
import io
import os
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from knobwright.adapters.audio import roles as r
from knobwright.adapters.audio.curves import RATE_HZ
from knobwright.adapters.audio.score import PlayedNote, PlayedProgram, Score
from knobwright.adapters.audio.tone import MAX_S, SILENCE_S, Played, turned_down
from knobwright.core.errors import InputError

#: Where SoundFonts usually are (common practice, no source).
FOLDERS = (
    "/usr/share/sounds/sf2",
    "/usr/share/sounds/sf3",
    "/usr/share/soundfonts",
    "/usr/local/share/soundfonts",
)
_PREFERRED = "default-GM"

# Loud enough for one note, and halved until nothing is cut off.
_GAIN = 0.5
_LEAST_GAIN = 0.01
_CUT_OFF = 32_766
# Longest ringing behind the last event, and the fade at its end.
_TAIL_S, _FADE_S = 3.0, 0.05
_QUIET = 2 / 32_768  # the synthesizer's dither
_DIRECT = {name: number for number, name in r.CONTROLLERS.items()}
# Generator numbers, steps of the position for an octave or for twice the time, and cents a unit.
_GENERATORS = {
    r.BRIGHTNESS: (8, 14.0),
    r.ATTACK: (34, 9.0),
    r.DECAY: (36, 16.0),
    r.RELEASE: (38, 16.0),
}
_CENTS_A_UNIT = 2
_LEVELS = (r.EXPRESSION, r.LEVEL, r.MASTER)
_DRUM_BANK = 128


class Availability(NamedTuple):
    """Whether the synthesizer can play: the font to use, or why not and what to do."""

    font: str = ""
    reason: str = ""
    hint: str = ""

    def __bool__(self) -> bool:
        """Return whether it can play."""
        return bool(self.font)


def available(font: str | os.PathLike[str] | None = None) -> Availability:
    """Return whether the synthesizer can play, and with which SoundFont.

    Parameters
    ----------
    font : path, optional
        The SoundFont to use; otherwise the usual folders are searched.
    """
    module = _module()
    if isinstance(module, Availability):
        return module
    if font is not None:
        path = Path(font)
        if not path.is_file():
            return Availability(reason=f"there is no SoundFont {path}", hint="check the path")
        return Availability(str(path))
    found = find_font()
    if found is None:
        return Availability(
            reason=f"no SoundFont was found in {', '.join(FOLDERS)}",
            hint="Debian: apt install timgm6mb-soundfont",
        )
    return Availability(str(found))


def find_font(folders: tuple[str, ...] = FOLDERS) -> Path | None:
    """Return a SoundFont of the usual folders: the system's default one first."""
    fonts = [
        path
        for folder in folders
        for path in sorted(Path(folder).glob("*.sf[23]"))
        if path.is_file()
    ]
    return min(fonts, key=lambda path: path.stem != _PREFERRED, default=None)


def _module() -> Any:
    """Return the Python package, or an ``Availability`` that says why it can't be used."""
    try:
        # Imported late: it searches for the library with other programs, and may print its find.
        with contextlib.redirect_stdout(io.StringIO()):
            import fluidsynth
    except ModuleNotFoundError:
        return Availability(
            reason="the Python package pyfluidsynth is not installed",
            hint="pip install 'knobwright[sound]'",
        )
    except (ImportError, OSError):
        return Availability(
            reason="the FluidSynth library was not found",
            hint="Debian: apt install libfluidsynth3",
        )
    if not hasattr(fluidsynth, "Synth"):
        return Availability(
            reason="another package named fluidsynth is installed in place of pyfluidsynth",
            hint="pip uninstall fluidsynth; pip install pyfluidsynth",
        )
    return fluidsynth


def play(score: Score, font: str) -> Played:
    """Return a score played with a SoundFont.

    Raises
    ------
    InputError
        The synthesizer is not there, the file is no SoundFont, or the score is longer than ten
        minutes.
    """
    module = _module()
    if isinstance(module, Availability):
        raise InputError(module.reason, hint=module.hint)
    if score.end_s > MAX_S:
        raise InputError(
            f"up to {MAX_S:.0f} s are played, and this has {score.end_s:.0f} s",
            hint="play a shorter part",
        )
    gain = _GAIN
    while True:
        samples = _Player(module, score, font, gain).run()
        if (
            int(np.max(np.abs(samples.astype(np.int32)), initial=0)) < _CUT_OFF
            or gain < _LEAST_GAIN
        ):
            break
        gain /= 2
    played = turned_down(_finished(samples.astype(np.float64) / 32_768))
    return played._replace(
        turned_down_db=played.turned_down_db + 20 * float(np.log10(_GAIN / gain))
    )


def _finished(samples: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the samples faded where they are quiet for good, with true silence behind."""
    loud = np.flatnonzero(np.max(np.abs(samples), axis=1) > _QUIET)
    n_fade = round(_FADE_S * RATE_HZ)
    last = min(int(loud[-1]) + 1 + n_fade if len(loud) else 0, len(samples))
    kept = samples[:last].copy()
    n_fade = min(n_fade, last)
    kept[last - n_fade :] *= np.linspace(1, 0, n_fade)[:, np.newaxis]
    return np.concatenate([kept, np.zeros((round(SILENCE_S * RATE_HZ), 2))])


class _Player:
    """One run of the synthesizer over a score."""

    def __init__(self, module: Any, score: Score, font: str, gain: float) -> None:
        self._score = score
        self._synth = module.Synth(gain=gain, samplerate=float(RATE_HZ), channels=16)
        self._font = self._synth.sfload(font)
        if self._font == -1:
            self._synth.delete()
            raise InputError("this is no SoundFont that can be read", where=font)
        self._levels: dict[tuple[int, str], float] = {}
        self._now = 0

    def run(self) -> NDArray[np.int16]:
        """Return the samples, shape (n, 2)."""
        pieces: list[NDArray[np.int16]] = []
        try:
            for channel in range(1, 17):
                self._program(channel, 0)
                for role in (*_DIRECT, *_LEVELS, r.BEND_RANGE):
                    self._control(channel, role, r.AT_REST[role])
            for event in self._score.events:
                self._advance(event.at_s, pieces)
                if isinstance(event, PlayedNote):
                    self._note(event)
                elif isinstance(event, PlayedProgram):
                    self._program(event.channel, event.number, event.bank)
                elif event.key is None:
                    self._control(event.channel, event.role, event.value)
            for channel in range(16):
                self._synth.cc(channel, 64, 0)
                self._synth.all_notes_off(channel)
            self._advance(self._score.end_s + _TAIL_S, pieces)
        finally:
            self._synth.delete()
        return np.concatenate(pieces)

    def _advance(self, at_s: float, pieces: list[NDArray[np.int16]]) -> None:
        n = round(at_s * RATE_HZ) - self._now
        if n > 0:
            pieces.append(np.asarray(self._synth.get_samples(n), dtype=np.int16).reshape(-1, 2))
            self._now += n

    def _note(self, note: PlayedNote) -> None:
        if note.velocity:
            self._synth.noteon(note.channel - 1, note.key, note.velocity)
        else:
            self._synth.noteoff(note.channel - 1, note.key)

    def _program(self, channel: int, number: int, bank: tuple[int, int] = (0, 0)) -> None:
        """Choose a preset; where the font lacks the bank, the same program of bank 0."""
        drums = channel in self._score.drum_channels
        high, low = bank
        banks = (_DRUM_BANK,) if drums else (high << 7 | low, low, high, 0)
        for wanted in banks:
            if self._synth.sfpreset_name(self._font, wanted, number):
                self._synth.program_select(channel - 1, self._font, wanted, number)
                return
        fallback = _DRUM_BANK if drums else 0
        self._synth.program_select(channel - 1, self._font, fallback, 0)

    def _control(self, channel: int, role: str, value: float) -> None:
        at = channel - 1
        if role in _LEVELS:
            self._levels[channel, role] = value
            whole = np.prod([self._levels.get((channel, name), 127.0) / 127 for name in _LEVELS])
            self._synth.cc(at, _DIRECT[r.EXPRESSION], _byte(float(whole) * 127))
        elif role in _GENERATORS:
            generator, steps = _GENERATORS[role]
            self._generator(at, generator, (value - 64) / steps * 1200)
        elif role == r.BEND:
            self._synth.pitch_bend(at, round(min(max(value, -1), 8191 / 8192) * 8192))
        elif role == r.BEND_RANGE:
            self._rpn(at, 0, int(value), round(value % 1 * 100))
        elif role == r.FINE:
            bits = min(max(round(value / 100 * 8192) + 8192, 0), 16_383)
            self._rpn(at, 1, bits >> 7, bits & 0x7F)
        elif role == r.COARSE:
            self._rpn(at, 2, _byte(value + 64), 0)
        elif role in _DIRECT:
            self._synth.cc(at, _DIRECT[role], _byte(value))

    def _rpn(self, at: int, number: int, high: int, low: int) -> None:
        for controller, value in (
            (101, 0),
            (100, number),
            (6, high),
            (38, low),
            (101, 127),
            (100, 127),
        ):
            self._synth.cc(at, controller, value)

    def _generator(self, at: int, generator: int, cents: float) -> None:
        bits = min(max(8192 + round(cents / _CENTS_A_UNIT), 0), 16_383)
        for controller, value in ((99, 120), (98, generator), (38, bits & 0x7F), (6, bits >> 7)):
            self._synth.cc(at, controller, value)
        for controller in (101, 100):
            self._synth.cc(at, controller, 127)


def _byte(value: float) -> int:
    return min(max(round(value), 0), 127)
