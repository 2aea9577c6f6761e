"""The voices of a song, measured; the rules in words: ``docs/reference/voices.md``."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from msgspec import Struct

from knobwright.core.song.records import Song
from knobwright.core.timing.voices.count import (
    Curve,
    channel_peaks,
    curve,
    sounding,
    time_above,
)  # fmt: skip
from knobwright.core.timing.voices.cuts import DEFAULT_RULE, Cuts, Notes, cuts_of
from knobwright.core.timing.voices.ends import NEVER, ends_of
from knobwright.core.timing.voices.module import Polyphony
from knobwright.core.timing.voices.notes import keys_of, most_held
from knobwright.core.timing.voices.pedals import released
from knobwright.core.timing.voices.play import N_CHANNELS, Int, Play, play_of
from knobwright.core.timing.voices.programs import sounds_of


class Voices(NamedTuple):
    """Voices of a song.

    Attributes
    ----------
    play : Play
        What of the song decides about voices.
    notes : Notes
        Its notes: arrays, in the order in which they begin.
    level : array of int64
        Voices wanted after each moment of ``play``, were there as many as are wanted.
    cuts : Cuts
        Which notes are cut by the rule.
    module : Polyphony
        What the notes were held against.
    rule : str
        The rule: a row of ``RULES``.
    """

    play: Play
    notes: Notes
    level: Int
    cuts: Cuts
    module: Polyphony
    rule: str

    @property
    def n_notes(self) -> int:
        """Return how many notes there are."""
        return len(self.notes.keys.down)

    @property
    def peak(self) -> int:
        """Return the most voices wanted at once."""
        return int(self.level.max(initial=0))

    @property
    def peak_moment(self) -> int:
        """Return the first moment at which most voices are wanted; -1 without notes."""
        return int(np.argmax(self.level)) if len(self.level) else -1

    def curve(self) -> Curve:
        """Return voices wanted over time."""
        notes = self.notes
        return curve(self.play, notes.keys, notes.ends, notes.sounds.voices)


class PartVoices(Struct, frozen=True):
    """Voices of one channel: notes, most voices at once, its share at the song's peak, its cuts."""

    channel: int
    n_notes: int
    peak: int
    at_peak: int
    n_cut: int


class VoiceFigures(Struct, frozen=True):
    """Voices of a song in figures.

    Attributes
    ----------
    n_notes : int
        Notes of the song.
    held : int
        Most keys down at once, each key of a channel counted once.
    peak : int
        Most voices wanted at once; ``peak_ns`` and ``peak_tick`` say where first.
    limit : int
        Voices of the module, 0 where nobody says.
    above_ns : int
        For how long more than that are wanted.
    rule : str
        How cut notes were chosen.
    n_cut, n_cut_held, n_cut_ringing, n_refused : int
        Notes cut in all; those whose key was still down; those that were only ringing out; those
        not played at all.
    n_never_ending : int
        Notes that are never let go.
    n_stray_offs : int
        Note-offs for keys that are not down.
    parts : tuple of PartVoices
        Channels with notes.
    """

    n_notes: int
    held: int
    peak: int
    peak_ns: int
    peak_tick: int
    limit: int
    above_ns: int
    rule: str
    n_cut: int
    n_cut_held: int
    n_cut_ringing: int
    n_refused: int
    n_never_ending: int
    n_stray_offs: int
    parts: tuple[PartVoices, ...]


def voices_of(
    song: Song,
    module: Polyphony | None = None,
    *,
    rule: str = DEFAULT_RULE,
    pattern: int = 0,
) -> Voices:
    """Return the voices of a song.

    Parameters
    ----------
    song : Song
        Of any format.
    module : Polyphony, optional
        See :func:`~knobwright.core.timing.voices.module.polyphony`; without it any number of
        voices.
    rule : str
        A row of ``RULES``: how notes are chosen to be cut.
    pattern : int from 0
        Which track of a format 2 song.

    Raises
    ------
    InputError
        The time base is none of the standard, there is no such pattern or rule, or one of the
        choices is out of range.
    """
    return measure(play_of(song, pattern=pattern), module or Polyphony(), rule=rule)


def measure(play: Play, module: Polyphony, *, rule: str = DEFAULT_RULE) -> Voices:
    """Return the voices of what is played; as :func:`voices_of`."""
    module.choices.check()
    repeats = module.choices.repeats
    keys = keys_of(play, repeats)
    free = released(play, keys)
    sounds = sounds_of(play, keys, module)
    ends = ends_of(play, keys, free, sounds, repeats)
    notes = Notes(keys, free, sounds, ends)
    level = sounding(play.n, keys.down, ends.moment, sounds.voices)
    cuts = cuts_of(play, notes, module.voices, rule=rule, reserve=module.reserve, level=level)
    return Voices(play, notes, level, cuts, module, rule)


def figures(voices: Voices) -> VoiceFigures:
    """Return the figures of a song's voices."""
    play, notes, cuts = voices.play, voices.notes, voices.cuts
    at = voices.peak_moment
    has_notes = voices.n_notes > 0
    refused = cuts.is_refused
    limit = voices.module.voices
    return VoiceFigures(
        n_notes=voices.n_notes,
        held=most_held(play),
        peak=voices.peak,
        peak_ns=int(play.ns[at]) if has_notes else 0,
        peak_tick=int(play.tick[at]) if has_notes else 0,
        limit=limit,
        above_ns=time_above(voices.curve(), limit) if 0 < limit < voices.peak else 0,
        rule=voices.rule,
        n_cut=len(cuts.note),
        n_cut_held=int((cuts.is_held & ~refused).sum()),
        n_cut_ringing=int(cuts.is_ringing.sum()),
        n_refused=int(refused.sum()),
        n_never_ending=int((notes.ends.how == NEVER).sum()),
        n_stray_offs=len(notes.keys.stray),
        parts=_parts(voices),
    )


def _parts(voices: Voices) -> tuple[PartVoices, ...]:
    keys, ends = voices.notes.keys, voices.notes.ends
    taken = voices.notes.sounds.voices
    peaks = channel_peaks(voices.play.n, keys, ends, taken)
    n_notes = np.bincount(keys.channel, minlength=N_CHANNELS).tolist()
    n_cut = np.bincount(keys.channel[voices.cuts.note], minlength=N_CHANNELS).tolist()
    at = voices.peak_moment
    then = (keys.down <= at) & (ends.moment > at)
    return tuple(
        PartVoices(
            channel + 1, n_notes[channel], peaks[channel],
            int(taken[then & (keys.channel == channel)].sum()), n_cut[channel],
        )
        for channel in range(N_CHANNELS) if n_notes[channel]
    )  # fmt: skip
