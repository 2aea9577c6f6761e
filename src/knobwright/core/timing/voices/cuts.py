"""Which notes a module with too few voices cuts, by the rule that it follows.

When more notes come than there are voices, the receiver is free in how it copes (MIDI 1.0 Detailed
Specification 4.2.1, p. A-4), and few leaflets say. So a rule is chosen, and its outcome shown. A
note is cut as a whole: all of its voices get free. To add a rule, give it a row in ``RULES``.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from heapq import heappop, heappush
from typing import NamedTuple

import numpy as np

from knobwright.core.errors import NamingError
from knobwright.core.timing.voices.count import sounding
from knobwright.core.timing.voices.ends import Ends
from knobwright.core.timing.voices.notes import Keys
from knobwright.core.timing.voices.play import Flags, Int, Play
from knobwright.core.timing.voices.programs import Sounds


class Notes(NamedTuple):
    """Everything about the notes of a song; each array as long as there are notes."""

    keys: Keys
    released: Int
    sounds: Sounds
    ends: Ends


class _Lists(NamedTuple):
    """Notes as lists, which a loop reads much faster than arrays."""

    down: list[int]
    up: list[int]
    released: list[int]
    end: list[int]
    velocity: list[int]
    channel: list[int]
    voices: list[int]


class Rule(NamedTuple):
    """A rule: name, words, and what chooses a note of several (in the order of their beginnings).

    ``choose`` gets the notes, the numbers of those that may be cut, and the moment; ``None``: the
    new note is not played.
    """

    name: str
    words: str
    choose: Callable[[_Lists, list[int], int], int] | None


def _oldest(notes: _Lists, numbers: list[int], moment: int) -> int:
    return numbers[0]


def _last(notes: _Lists, numbers: list[int], moment: int) -> int:
    return numbers[-1]


def _quietest(notes: _Lists, numbers: list[int], moment: int) -> int:
    return min(numbers, key=notes.velocity.__getitem__)  # of equal ones min takes the first


def _released_first(notes: _Lists, numbers: list[int], moment: int) -> int:
    """Return a note in its tail, else one that only a pedal holds, else the oldest."""

    def order(note: int) -> tuple[int, int]:
        if notes.released[note] <= moment:
            return 0, notes.released[note]
        return (1, notes.up[note]) if notes.up[note] <= moment else (2, note)

    return min(numbers, key=order)


RULES: dict[str, Rule] = {
    row.name: row
    for row in (
        Rule("oldest", "the note that began first is cut", _oldest),
        Rule(
            "quietest",
            "the note that was struck most softly is cut, of several the oldest",
            _quietest,
        ),
        Rule(
            "released",
            "notes that ring out are cut first, then those that only a pedal holds, then the "
            "oldest",
            _released_first,
        ),
        Rule("last", "the last note takes over from the one struck just before it", _last),
        Rule("refused", "a note that finds no voice free is not played", None),
    )
}
DEFAULT_RULE = "oldest"


class Cuts(NamedTuple):
    """Which notes are cut: arrays of one length, in order of time.

    ``note`` is the number of the note that is cut, ``by`` of the one that cuts it; a note that is
    not played at all is cut by itself. ``lost_ns`` is what it would have sounded longer.
    ``is_held`` tells whether its key was still down, ``is_ringing`` whether only its tail was cut.
    """

    note: Int
    by: Int
    lost_ns: Int
    is_held: Flags
    is_ringing: Flags

    @property
    def is_refused(self) -> Flags:
        """Return which notes are not played at all."""
        refused: Flags = self.note == self.by
        return refused


def rule_of(name: str) -> Rule:
    """Return a rule.

    Raises
    ------
    NamingError
        There is no such rule.
    """
    if name not in RULES:
        raise NamingError(
            f"there is no rule {name!r} for cutting notes",
            hint=f"the rules are {', '.join(RULES)}",
            candidates=tuple(RULES),
        )
    return RULES[name]


def cuts_of(
    play: Play,
    notes: Notes,
    n_voices: int,
    *,
    rule: str = DEFAULT_RULE,
    reserve: Mapping[int, int] | None = None,
    level: Int | None = None,
) -> Cuts:
    """Return which notes are cut.

    Parameters
    ----------
    play, notes
        Of the song.
    n_voices : int >= 0
        Voices of the module; 0: any number, so that nothing is cut.
    rule : str
        A row of ``RULES``.
    reserve : mapping of int, 1 to 16, to int, optional
        Voices kept for channels: others may take none of them.
    level : array of int64, optional
        Voices after each moment, where they are known already.

    Raises
    ------
    NamingError
        There is no such rule.
    """
    chosen = rule_of(rule)
    kept = {channel - 1: n for channel, n in (reserve or {}).items() if n > 0}
    found: list[tuple[int, int]] = []
    if n_voices:
        down, voices = notes.keys.down, notes.sounds.voices
        if level is None:
            level = sounding(play.n, down, notes.ends.moment, voices)
        crowded = np.flatnonzero(level[down] + sum(kept.values()) > n_voices)
        if len(crowded):
            wanted = level[down[crowded]].tolist()
            found = _Allotment(notes, n_voices, chosen, kept).run(crowded.tolist(), wanted)
    return _told(play, notes, found)


def _told(play: Play, notes: Notes, found: list[tuple[int, int]]) -> Cuts:
    pairs = np.array(found, np.int64).reshape(-1, 2)
    note, by = pairs[:, 0], pairs[:, 1]
    moment = notes.keys.down[by]
    lost = notes.ends.ns[note] - play.ns[moment]
    ringing = (notes.released[note] <= moment) & ~notes.sounds.one_shot[note]
    return Cuts(note, by, lost, notes.keys.up[note] > moment, ringing)


class _Allotment:
    """Gives voices to notes one after the other, where they are short."""

    def __init__(self, notes: Notes, n_voices: int, rule: Rule, reserve: Mapping[int, int]) -> None:
        keys = notes.keys
        # A one-shot has no release: it counts as held, as long as it rings.
        released = np.where(notes.sounds.one_shot, np.iinfo(np.int64).max, notes.released)
        self._notes = _Lists(
            keys.down.tolist(), keys.up.tolist(), released.tolist(),
            notes.ends.moment.tolist(), keys.velocity.tolist(), keys.channel.tolist(),
            notes.sounds.voices.tolist(),
        )  # fmt: skip
        self._n_voices, self._rule, self._reserve = n_voices, rule, reserve
        self._cut: list[tuple[int, int]] = []

    def run(self, crowded: list[int], level: list[int]) -> list[tuple[int, int]]:
        """Return (note, by which note) of every note that is cut.

        ``crowded`` are the notes that may find no voice; ``level`` is what would sound then if
        nothing had been cut.
        """
        end, down, voices = self._notes.end, self._notes.down, self._notes.voices
        alive: list[int] = []
        done = lost = 0
        gone: list[tuple[int, int]] = []  # (end it would have had, voices), the nearest first
        for new, wanted in zip(crowded, level, strict=True):
            moment = down[new]
            while gone and gone[0][0] <= moment:
                lost -= heappop(gone)[1]
            over = wanted - lost - self._n_voices
            if not voices[new] or not (over > 0 or self._reserve):
                continue
            alive.extend(range(done, new))
            alive = [note for note in alive if end[note] > moment]
            done = new
            for victim in self._victims(alive, new, moment, over):
                heappush(gone, (end[victim], voices[victim]))
                lost += voices[victim]
                end[victim] = moment
                self._cut.append((victim, new))
        return self._cut

    def _victims(self, alive: list[int], new: int, moment: int, over: int) -> list[int]:
        """Return the notes to cut until the new one fits, or the new one itself."""
        notes, choose = self._notes, self._rule.choose
        mine = notes.channel[new]
        used = Counter[int]()
        for note in alive if self._reserve else ():
            used[notes.channel[note]] += notes.voices[note]
        victims: list[int] = []
        candidates = [note for note in alive if notes.voices[note]]
        while over + self._set_apart(used, mine) > 0:
            if self._reserve:
                candidates = [note for note in candidates if self._may_go(note, used, mine)]
            if choose is None or not candidates:
                return [new]  # whatever were cut, it would not fit: nothing else is cut for it
            victim = choose(notes, candidates, moment)
            candidates.remove(victim)
            victims.append(victim)
            used[notes.channel[victim]] -= notes.voices[victim]
            over -= notes.voices[victim]
        return victims

    def _set_apart(self, used: Counter[int], mine: int) -> int:
        """Return how many free voices are kept for other channels."""
        others = self._reserve.items()
        return sum(max(0, n - used[channel]) for channel, n in others if channel != mine)

    def _may_go(self, note: int, used: Counter[int], mine: int) -> bool:
        """Return whether a note may be cut: its channel keeps its reserve without it."""
        channel, n = self._notes.channel[note], self._notes.voices[note]
        return channel == mine or used[channel] - n >= self._reserve.get(channel, 0)
