"""A stand-in whose doings are recorded, and their sound as a file."""

from __future__ import annotations

import os
from typing import NamedTuple

from knobwright.adapters.files import sheets
from knobwright.core.codec.events import Event
from knobwright.core.codec.plan import Codec
from knobwright.engine.standin import StandIn


class Recorded(NamedTuple):
    """A stand-in, and the growing list of what it acted on, each with its time in nanoseconds."""

    standin: StandIn
    acted: list[tuple[int, Event]]


class Written(NamedTuple):
    """A sound file that was written: what played it, in words too, its length and its level.

    ``peak_dbfs`` is -inf for silence; ``turned_down_db`` is how much the whole was made quieter.
    """

    path: str
    by: str
    words: str
    seconds: float
    peak_dbfs: float
    turned_down_db: float


def open_standin(path: str) -> Recorded:
    """Return a stand-in of the sheet at a path (or of a standard sheet by its name).

    Raises
    ------
    SheetError
        The sheet has faults.
    InputError, StoreError
        The sheet can't be read.
    """
    return record_standin(Codec(sheets.load(path).require()))


def record_standin(codec: Codec) -> Recorded:
    """Return a new stand-in of a codec whose doings are recorded, for :func:`render_wav`.

    The record grows with every event: it is for a demo or a phrase, not for hours.
    """
    acted: list[tuple[int, Event]] = []
    standin = StandIn(codec, listener=lambda event, at_ns: acted.append((at_ns, event)))
    return Recorded(standin, acted)


def render_wav(
    path: str | os.PathLike[str],
    recorded: Recorded,
    *,
    by: str = "best",
    font: str | os.PathLike[str] | None = None,
) -> Written:
    """Write the sound of what a stand-in acted on as a 16-bit WAV file, whole or not at all.

    Parameters
    ----------
    path : path
        Where to.
    recorded : Recorded
        From :func:`open_standin` or :func:`record_standin`, after it took its bytes.
    by : str
        ``best`` (a SoundFont where everything for it is installed, else the built-in tone),
        ``soundfont`` or ``tone``.
    font : path, optional
        The SoundFont to use.

    Raises
    ------
    InputError
        The SoundFont way was asked for and can't be had, or there is too much to play.
    StoreError
        The file can't be written.
    """
    # Imported late: arrays take a while, and most commands make no sound.
    from knobwright.adapters.audio import wav
    from knobwright.adapters.audio.render import render

    sound = render(recorded.acted, recorded.standin.codec.sheet, by=by, font=font)
    wav.save(path, sound.samples, sound.rate_hz, dither=False)
    return Written(
        os.fspath(path),
        sound.by,
        sound.words,
        sound.seconds,
        sound.peak_dbfs,
        sound.turned_down_db,
    )
