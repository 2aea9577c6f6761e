"""One way to sound: through a SoundFont where all it needs is installed, else by the own tone."""

from __future__ import annotations

import os
from collections.abc import Iterable

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from knobwright.adapters.audio import soundfont, tone
from knobwright.adapters.audio.curves import RATE_HZ
from knobwright.adapters.audio.score import make_score
from knobwright.core.codec.events import Event
from knobwright.core.errors import InputError
from knobwright.core.sheet.records import Sheet

SOUNDFONT = "soundfont"
TONE = "tone"
#: How a stand-in may sound; "best" is the SoundFont where it can be had.
CHOICES = ("best", SOUNDFONT, TONE)


class Rendered(Struct, frozen=True):
    """A rendered sound.

    ``samples`` has the shape (n, 2), float32, at ``rate_hz``. ``by`` is what played it, ``words``
    says so to the user with the reason. ``turned_down_db`` tells by how much the whole was made
    quieter so that its peak is at most -3 dBFS; ``peak_dbfs`` is -inf for silence.
    """

    samples: NDArray[np.float32]
    rate_hz: int
    by: str
    words: str
    peak_dbfs: float
    turned_down_db: float = 0.0

    @property
    def seconds(self) -> float:
        """Return the length in seconds."""
        return len(self.samples) / self.rate_hz


def render(
    acted: Iterable[tuple[int, Event]],
    sheet: Sheet,
    *,
    by: str = "best",
    font: str | os.PathLike[str] | None = None,
) -> Rendered:
    """Return the sound of what a module acted on.

    Parameters
    ----------
    acted : iterable of (int, Event)
        Times in nanoseconds, ascending, with the settings, programs and notes of a stand-in.
    sheet : Sheet
        The module's sheet: which parameter does what is guessed from it (see ``roles``).
    by : str
        One of ``CHOICES``.
    font : path, optional
        The SoundFont to use.

    Raises
    ------
    InputError
        There is no such choice, the SoundFont way was asked for and can't be had, or the whole is
        longer than ten minutes.
    """
    if by not in CHOICES:
        raise InputError(f"a stand-in sounds by {', '.join(CHOICES)}, not {by!r}")
    score = make_score(acted, sheet)
    found = soundfont.Availability() if by == TONE else soundfont.available(font)
    if by == SOUNDFONT and not found:
        raise InputError(found.reason, hint=found.hint)
    if found:
        played = soundfont.play(score, found.font)
        return _rendered(played, SOUNDFONT, f"played with the SoundFont {found.font}")
    words = "played by the built-in tone"
    if by != TONE:
        words += f": {found.reason} ({found.hint})"
    return _rendered(tone.play(score), TONE, words)


def _rendered(played: tone.Played, by: str, words: str) -> Rendered:
    peak = float(np.max(np.abs(played.samples), initial=0.0))
    with np.errstate(divide="ignore"):
        peak_dbfs = float(20 * np.log10(peak))
    return Rendered(played.samples, RATE_HZ, by, words, peak_dbfs, played.turned_down_db)
