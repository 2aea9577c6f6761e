"""What is wrong with the voices of a song: each a finding with its place."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from knobwright.core.timing.findings import Finding, make
from knobwright.core.timing.voices.doubles import doubled
from knobwright.core.timing.voices.ends import NEVER
from knobwright.core.timing.voices.front import Voices
from knobwright.core.timing.voices.pedals import never_lifted
from knobwright.core.timing.voices.play import DAMPER, N_CHANNELS, SOSTENUTO, Int

#: Cuts that lie no farther apart belong to one place.
TOGETHER_NS = 2_000_000_000


def voice_findings(voices: Voices) -> list[Finding]:
    """Return the findings about a song's voices, those of one kind in order of time.

    Parameters
    ----------
    voices : Voices
        Of a song, held against its module.
    """
    return [
        *_short(voices),
        *_too_heavy(voices),
        *_stuck_pedals(voices),
        *_never_ending(voices),
        *_doubled(voices),
    ]


def _short(voices: Voices) -> Iterator[Finding]:
    """Yield one finding for each stretch in which notes are cut."""
    cuts, play = voices.cuts, voices.play
    moments = voices.notes.keys.down[cuts.by]
    if not len(moments):
        return
    gaps = np.flatnonzero(np.diff(play.ns[moments]) > TOGETHER_NS) + 1
    edges = [0, *gaps.tolist(), len(moments)]
    for start, stop in pairwise(edges):
        first, last = int(moments[start]), int(moments[stop - 1])
        yield _stretch(voices, slice(start, stop), first, last)


def _stretch(voices: Voices, rows: slice, first: int, last: int) -> Finding:
    cuts, play, limit = voices.cuts, voices.play, voices.module.voices
    peak = int(voices.level[first : last + 1].max())
    n, refused = rows.stop - rows.start, int(cuts.is_refused[rows].sum())
    held = int((cuts.is_held & ~cuts.is_refused)[rows].sum())
    ringing = int(cuts.is_ringing[rows].sum())
    channels = Counter((voices.notes.keys.channel[cuts.note[rows]] + 1).tolist())
    channel, most = min(channels.items(), key=lambda pair: (-pair[1], pair[0]))
    detail = [f"{held} with the key still down"]
    if ringing:
        detail.append(f"{ringing} only ringing out")
    if refused:
        detail.append(f"{refused} not played at all")
    where = f"all on channel {channel}" if most == n else f"most on channel {channel} ({most})"
    return make(
        "voices-short",
        f"up to {peak} voices are wanted and the module has {limit}: {_notes(n)} cut "
        f"({', '.join(detail)}), {where}; rule: {voices.rule}",
        at_ns=int(play.ns[first]), until_ns=int(play.ns[last]), tick=int(play.tick[first]),
        channel=channel if most == n else None, value=float(peak), limit=float(limit),
        unit="voices",
    )  # fmt: skip


def _too_heavy(voices: Voices) -> Iterator[Finding]:
    """Yield a finding for each channel with notes that take more voices than the module has."""
    limit, notes, play = voices.module.voices, voices.notes, voices.play
    heavy = np.flatnonzero(notes.sounds.voices > limit) if limit else np.zeros(0, np.int64)
    for channel, number in _first_of_channel(voices, heavy):
        moment, taken = int(notes.keys.down[number]), int(notes.sounds.voices[number])
        yield make(
            "voices-too-heavy",
            f"channel {channel}: one note of the program takes {taken} voices, and the module has "
            f"{limit}",
            at_ns=int(play.ns[moment]), tick=int(play.tick[moment]), channel=channel,
            value=float(taken), limit=float(limit), unit="voices",
        )  # fmt: skip


def _stuck_pedals(voices: Voices) -> Iterator[Finding]:
    """Yield a finding for each pedal that holds notes and is never lifted again."""
    notes, play = voices.notes, voices.play
    held = (notes.ends.how == NEVER) & (notes.keys.up < play.n)
    if not held.any():
        return
    for number, name in ((DAMPER, "damper"), (SOSTENUTO, "sostenuto")):
        for channel, moment in never_lifted(play, number):
            n = int((held & (notes.keys.channel == channel) & (notes.keys.up > moment)).sum())
            if n:
                yield make(
                    "voices-pedal-stuck",
                    f"channel {channel + 1}: the {name} pedal goes down here and is never lifted; "
                    f"{_notes(n)} {'rings' if n == 1 else 'ring'} to the end",
                    at_ns=int(play.ns[moment]), tick=int(play.tick[moment]), channel=channel + 1,
                    value=float(n), unit="notes",
                )  # fmt: skip


def _never_ending(voices: Voices) -> Iterator[Finding]:
    notes, play = voices.notes, voices.play
    hanging = np.flatnonzero((notes.ends.how == NEVER) & (notes.keys.up == play.n))
    counts = np.bincount(notes.keys.channel[hanging], minlength=N_CHANNELS).tolist()
    for channel, number in _first_of_channel(voices, hanging):
        moment, n = int(notes.keys.down[number]), counts[channel - 1]
        yield make(
            "voices-note-never-ends",
            f"channel {channel}: {_notes(n)} without a note-off, the first of them key "
            f"{int(notes.keys.key[number])}",
            at_ns=int(play.ns[moment]), tick=int(play.tick[moment]), channel=channel,
            value=float(n), unit="notes",
        )  # fmt: skip


def _doubled(voices: Voices) -> Iterator[Finding]:
    """Yield a finding where a note is struck twice at the same time on its own channel."""
    found = doubled(voices.play, voices.notes, across=False)
    keys, play = voices.notes.keys, voices.play
    counts = np.bincount(keys.channel[found], minlength=N_CHANNELS).tolist()
    for channel, number in _first_of_channel(voices, found):
        moment, n = int(keys.down[number]), counts[channel - 1]
        yield make(
            "voices-doubled",
            f"channel {channel}: {_notes(n)} struck twice at the same time, the first of them key "
            f"{int(keys.key[number])}",
            at_ns=int(play.ns[moment]), tick=int(play.tick[moment]), channel=channel,
            value=float(n), unit="notes",
        )  # fmt: skip


def _first_of_channel(voices: Voices, numbers: Int) -> Iterator[tuple[int, int]]:
    """Yield (channel 1 to 16, number) of the first of some notes on each channel."""
    channels, first = np.unique(voices.notes.keys.channel[numbers], return_index=True)
    for channel, index in zip(channels.tolist(), first.tolist(), strict=True):
        yield channel + 1, int(numbers[index])


def _notes(n: int) -> str:
    return "1 note" if n == 1 else f"{n} notes"
