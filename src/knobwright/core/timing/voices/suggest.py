"""What helps a song that wants more voices than the module has, and how much each thing helps.

Every suggestion is applied to a copy and measured again; one that helps nothing is not made. What a
suggestion does to the music is for a person to judge: nothing is applied by itself. To add one,
write a function that yields proposals and give it a row in ``SUGGESTIONS``.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator
from typing import NamedTuple

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from knobwright.core.errors import NamingError
from knobwright.core.song.records import Song
from knobwright.core.timing.voices.change import Added, Change, changed_play, event_of, together
from knobwright.core.timing.voices.count import time_above
from knobwright.core.timing.voices.doubles import doubled, leave_out
from knobwright.core.timing.voices.front import Voices, measure
from knobwright.core.timing.voices.module import Polyphony
from knobwright.core.timing.voices.pedals import pedal
from knobwright.core.timing.voices.play import CONTROL, DAMPER, SOSTENUTO, Int

#: The pedal is lifted at most this often.
LIFT_NS = 500_000_000
#: Chords of this many notes can be thinned: their lowest and highest note stay.
_CHORD = 3


class Effect(Struct, frozen=True):
    """Where a song stands: most voices wanted, notes cut, those with their key down, time above."""

    peak: int
    n_cut: int
    n_cut_held: int
    above_ns: int


class Suggestion(Struct, frozen=True):
    """Something that helps.

    Attributes
    ----------
    name : str
        A row of ``SUGGESTIONS``.
    sentence : str
        What to do, and how much it helps.
    channel : int, 1 to 16, or 0
        The part that it is about; 0 for the whole song.
    n_events : int
        Events of the song that are left out or added.
    before, after : Effect
        The song as it is, and with this one thing done.
    """

    name: str
    sentence: str
    channel: int
    n_events: int
    before: Effect
    after: Effect


class Proposal(NamedTuple):
    """Something to try: what is said of it, the change of the song, or another module."""

    words: str
    channel: int
    change: Change = Change()
    module: Polyphony | None = None


class Tried(NamedTuple):
    """A suggestion, with the change of the song that it needs (none where the module changes)."""

    suggestion: Suggestion
    change: Change


class Mended(NamedTuple):
    """A song that was mended: the steps in order, all of them as one change, and what comes out."""

    steps: tuple[Tried, ...]
    change: Change
    voices: Voices


Maker = Callable[[Voices], Iterator[Proposal]]


class Row(NamedTuple):
    """A kind of suggestion: its name, what it means, and what makes proposals."""

    name: str
    words: str
    make: Maker


def _doubled(voices: Voices) -> Iterator[Proposal]:
    found = doubled(voices.play, voices.notes, across=False)
    if len(found):
        words = f"leave out {_notes(len(found))} that another note of the same channel doubles"
        yield Proposal(words, 0, leave_out(voices.play, found))


def _doubled_across(voices: Voices) -> Iterator[Proposal]:
    found = doubled(voices.play, voices.notes, across=True)
    if len(found):
        words = (
            f"leave out {_notes(len(found))} that another channel with the same program doubles "
            "(they may have been doubled for a wider sound)"
        )
        yield Proposal(words, 0, leave_out(voices.play, found))


def _shorter_tails(voices: Voices) -> Iterator[Proposal]:
    choices = voices.module.choices
    if not (voices.notes.sounds.tail_ns[~voices.notes.sounds.one_shot] > 0).any():
        return
    for percent, words in ((50, "half as long"), (0, "away altogether")):
        if percent < choices.tail_percent:
            shorter = voices.module._replace(choices=replace(choices, tail_percent=percent))
            yield Proposal(f"set the release of the programs so that tails are {words}", 0,
                           module=shorter)  # fmt: skip


def _no_pedal(voices: Voices) -> Iterator[Proposal]:
    play = voices.play
    for channel in _held_channels(voices):
        moments = play.moments(DAMPER, SOSTENUTO)
        moments = moments[play.channel[moments] == channel]
        change = Change(frozenset(event_of(play, moments).tolist()))
        yield Proposal(f"leave out the pedals of channel {channel + 1}", channel + 1, change)


def _lifted_pedal(voices: Voices) -> Iterator[Proposal]:
    """Propose to lift the damper for a moment before notes that find no voice."""
    play, crowded = voices.play, _crowded(voices)
    damper = pedal(play, DAMPER)
    for channel in _held_channels(voices):
        where = np.full(len(crowded), channel, np.uint8)
        down = crowded[damper.before(where, crowded, 0) == 1]
        if not len(down):
            continue
        presses = play.moments(DAMPER)
        presses = presses[play.channel[presses] == channel]
        added: list[Added] = []
        last_ns = -LIFT_NS
        for moment in down.tolist():
            press = int(presses[np.searchsorted(presses, moment) - 1])
            now_ns, lift_tick = int(play.ns[moment]), int(play.tick[moment]) - 1
            # Where the pedal goes down with the notes, there is nothing to lift yet.
            if now_ns - last_ns < LIFT_NS or lift_tick <= play.tick[press]:
                continue
            last_ns = now_ns
            added += _lift(int(play.track[press]), lift_tick, channel, int(play.second[press]))
        if not added:
            continue
        words = f"lift the damper pedal of channel {channel + 1} for a moment {_times(len(added))}"
        yield Proposal(words, channel + 1, Change(added=tuple(added)))


def _lift(track: int, tick: int, channel: int, value: int) -> list[Added]:
    status = CONTROL | channel
    up, down = bytes((status, DAMPER, 0)), bytes((status, DAMPER, value))
    return [Added(track, tick, up), Added(track, tick, down)]


def _thinner(voices: Voices) -> Iterator[Proposal]:
    """Propose to leave out the inner notes of chords that sound while voices are short."""
    notes, play = voices.notes, voices.play
    crowded = _crowded(voices)
    keys = notes.keys
    short = np.searchsorted(crowded, keys.down) < np.searchsorted(crowded, notes.ends.moment)
    for channel in np.unique(keys.channel[short & ~notes.sounds.is_drum]).tolist():
        mine = np.flatnonzero((keys.channel == channel) & short)
        inner = _inner(play.tick[keys.down[mine]], keys.key[mine])
        if inner.any():
            found = mine[inner]
            words = (
                f"thin channel {channel + 1}: leave out {_notes(len(found))} inside chords, "
                "highest and lowest stay"
            )
            yield Proposal(words, channel + 1, leave_out(play, found))


def _inner(tick: Int, key: np.ndarray) -> np.ndarray:
    """Return which notes are neither the lowest nor the highest of a chord of three or more."""
    order = np.lexsort((key, tick))
    new = np.ones(len(tick), np.bool_)
    new[1:] = np.diff(tick[order]) > 0
    starts = np.append(np.flatnonzero(new), len(tick))
    size = np.diff(starts)
    inside = ~new
    inside[starts[1:] - 1] = False
    inside &= np.repeat(size >= _CHORD, size)
    found = np.zeros(len(tick), np.bool_)
    found[order] = inside
    return found


def _lighter(voices: Voices) -> Iterator[Proposal]:
    """Propose programs of one voice in place of heavier ones, one program after the other."""
    sounds, module = voices.notes.sounds, voices.module
    for code in np.unique(sounds.program[sounds.voices > 1]).tolist():
        triple = (code >> 14, (code >> 7) & 127, code & 127)
        cost = module.programs[triple]
        lighter = {**module.programs, triple: cost._replace(voices=1)}
        channels = np.unique(voices.notes.keys.channel[sounds.program == code]) + 1
        words = (
            f"choose a program of one voice a note in place of program byte {triple[2]} (bank "
            f"{triple[0]}, {triple[1]}), which takes {cost.voices}, on channel "
            f"{', '.join(map(str, channels.tolist()))}"
        )
        one = int(channels[0]) if len(channels) == 1 else 0
        yield Proposal(words, one, module=module._replace(programs=lighter))


SUGGESTIONS: dict[str, Row] = {
    row.name: row
    for row in (
        Row("doubled", "notes doubled on their own channel are left out", _doubled),
        Row("doubled-across", "notes doubled by another channel are left out", _doubled_across),
        Row("shorter-tails", "the module is set to a shorter release", _shorter_tails),
        Row("lifted-pedal", "the damper is lifted where voices are short", _lifted_pedal),
        Row("no-pedal", "a part plays without its pedals", _no_pedal),
        Row("lighter-program", "a program takes fewer voices a note", _lighter),
        Row("thinner", "a part's chords are thinned where voices are short", _thinner),
    )
}


def suggest(song: Song, voices: Voices, names: Collection[str] | None = None) -> list[Tried]:
    """Return what helps, the greatest help first.

    Parameters
    ----------
    song : Song
        As it was read.
    voices : Voices
        Of this song, as :func:`~knobwright.core.timing.voices.voices_of` returns it.
    names : collection of str, optional
        Only these rows of ``SUGGESTIONS``.

    Returns
    -------
    list of Tried
        Empty where no note is cut. Each one is measured alone: two together may save less than
        their sum.

    Raises
    ------
    NamingError
        There is no such row.
    """
    rows = _rows(names)
    if not len(voices.cuts.note):
        return []
    before = effect(voices)
    tried = [
        _told(row, proposal, before, effect(_apply(song, voices, proposal)))
        for row in rows
        for proposal in row.make(voices)
    ]
    helping = [one for one in tried if _rank(one.suggestion.after) < _rank(before)]
    return sorted(helping, key=lambda one: _rank(one.suggestion.after))


def _rows(names: Collection[str] | None) -> list[Row]:
    if names is None:
        return list(SUGGESTIONS.values())
    unknown = sorted(set(names) - SUGGESTIONS.keys())
    if unknown:
        raise NamingError(
            f"there is no suggestion {unknown[0]!r}",
            hint=f"the suggestions are {', '.join(SUGGESTIONS)}",
            candidates=tuple(SUGGESTIONS),
        )
    return [row for name, row in SUGGESTIONS.items() if name in names]


def _rank(effect: Effect) -> tuple[int, int, int]:
    """Return by what songs are compared: notes cut, those with their key down, time above."""
    return effect.n_cut, effect.n_cut_held, effect.above_ns


def _apply(song: Song, voices: Voices, proposal: Proposal) -> Voices:
    """Return the voices of a copy on which the proposal was carried out."""
    play = voices.play
    if not proposal.change.is_empty:
        play = changed_play(song, play, proposal.change)
    return measure(play, proposal.module or voices.module, rule=voices.rule)


def apply(song: Song, voices: Voices, change: Change) -> Voices:
    """Return the voices of a copy of the song with a change; ``voices`` are those without it."""
    return measure(changed_play(song, voices.play, change), voices.module, rule=voices.rule)


def mend(song: Song, voices: Voices, names: Collection[str], *, n_most: int = 16) -> Mended:
    """Carry out suggestions one after the other until no note is cut or none of them helps.

    Parameters
    ----------
    song, voices
        As for :func:`suggest`.
    names : collection of str
        The rows of ``SUGGESTIONS`` that may be carried out; those that change the module, not the
        song, are passed over.
    n_most : int >= 0
        Most steps.

    Returns
    -------
    Mended
        Each step is measured after those before it. The song itself stays as it is:
        :func:`~knobwright.core.timing.voices.change.changed_tracks` gives the tracks to write.

    Raises
    ------
    NamingError
        There is no such row.
    """
    steps: list[Tried] = []
    now = voices
    while len(steps) < n_most:
        done = {(one.suggestion.channel, one.suggestion.name) for one in steps}
        # What was added is not taken out again, so a pedal that is lifted already stays there.
        usable = [
            one for one in suggest(song, now, names)
            if not one.change.is_empty and not (
                one.suggestion.name == "no-pedal"
                and (one.suggestion.channel, "lifted-pedal") in done
            )
        ]  # fmt: skip
        if not usable:
            break
        steps.append(usable[0])
        now = apply(song, now, usable[0].change)
    change = together([one.change for one in steps])
    return Mended(tuple(steps), change, apply(song, voices, change))


def effect(voices: Voices) -> Effect:
    """Return where a song stands."""
    limit, cuts = voices.module.voices, voices.cuts
    above = time_above(voices.curve(), limit) if limit else 0
    return Effect(voices.peak, len(cuts.note), int(cuts.is_held.sum()), above)


def _told(row: Row, proposal: Proposal, before: Effect, after: Effect) -> Tried:
    sentence = (
        f"{proposal.words}: {_saved(before, after)}, at most {after.peak} voices in place of "
        f"{before.peak}"
    )
    n_events = len(proposal.change.removed) + len(proposal.change.added)
    suggestion = Suggestion(row.name, sentence, proposal.channel, n_events, before, after)
    return Tried(suggestion, proposal.change)


def _crowded(voices: Voices) -> Int:
    """Return the moments at which notes cut others, each once."""
    return np.unique(voices.notes.keys.down[voices.cuts.by])


def _held_channels(voices: Voices) -> list[int]:
    """Return the channels on which only a pedal holds notes while voices are short."""
    notes, crowded = voices.notes, _crowded(voices)
    lasts = np.minimum(notes.released, notes.ends.moment)
    by_pedal = np.searchsorted(crowded, notes.keys.up) < np.searchsorted(crowded, lasts)
    channels: list[int] = np.unique(notes.keys.channel[by_pedal & ~notes.sounds.one_shot]).tolist()
    return channels


def _saved(before: Effect, after: Effect) -> str:
    """Return in words how much better it gets; it does, or nobody would say so."""
    if before.n_cut > after.n_cut:
        fewer = _notes(before.n_cut - after.n_cut)
        return f"{fewer} fewer cut ({before.n_cut} -> {after.n_cut})"
    if before.n_cut_held > after.n_cut_held:
        fewer = _notes(before.n_cut_held - after.n_cut_held)
        return f"as many notes cut, {fewer} fewer with the key still down"
    return (
        f"as many notes cut, {(before.above_ns - after.above_ns) / 1e9:.2f} s less above the limit"
    )


def _notes(n: int) -> str:
    return "1 note" if n == 1 else f"{n} notes"


def _times(n_added: int) -> str:
    n = n_added // 2
    return "once" if n == 1 else f"{n} times"
