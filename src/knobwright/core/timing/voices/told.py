"""Cut notes one by one, and what every rule would cut: for a list, a page or a file."""

from __future__ import annotations

from msgspec import Struct

from knobwright.core.timing.voices.cuts import RULES, cuts_of
from knobwright.core.timing.voices.front import Voices

#: What a note was doing when it was cut.
HELD, BY_PEDAL, RINGING, DRUM, REFUSED = "held", "by pedal", "ringing", "drum", "not played"


class CutNote(Struct, frozen=True):
    """A note that is cut.

    Attributes
    ----------
    at_ns, tick : int
        Where it is cut.
    channel, key, velocity : int
        Of the note: 1 to 16, 0 to 127, 1 to 127.
    by_channel, by_key : int
        Of the note that cuts it; its own where it is not played.
    was : str
        ``held`` (its key is still down), ``by pedal``, ``ringing`` (after its release), ``drum``
        (one that rings out whatever its key does) or ``not played``.
    lost_ns : int
        What it would have sounded longer.
    """

    at_ns: int
    tick: int
    channel: int
    key: int
    velocity: int
    by_channel: int
    by_key: int
    was: str
    lost_ns: int


class Outcome(Struct, frozen=True):
    """What a rule cuts: notes in all, with the key down, only ringing, not played; time lost."""

    rule: str
    n_cut: int
    n_cut_held: int
    n_cut_ringing: int
    n_refused: int
    lost_ns: int


def cut_notes(voices: Voices, *, n_most: int | None = None) -> list[CutNote]:
    """Return the notes that are cut, in order of time.

    Parameters
    ----------
    voices : Voices
        Of a song.
    n_most : int >= 0, optional
        Only the first so many.
    """
    keys, play, cuts = voices.notes.keys, voices.play, voices.cuts
    out = []
    for i in range(len(cuts.note) if n_most is None else min(n_most, len(cuts.note))):
        note, by = int(cuts.note[i]), int(cuts.by[i])
        moment = int(keys.down[by])
        if note == by:
            was = REFUSED
        elif voices.notes.sounds.one_shot[note]:
            was = DRUM
        elif cuts.is_held[i]:
            was = HELD
        else:
            was = RINGING if cuts.is_ringing[i] else BY_PEDAL
        out.append(
            CutNote(
                int(play.ns[moment]), int(play.tick[moment]), int(keys.channel[note]) + 1,
                int(keys.key[note]), int(keys.velocity[note]), int(keys.channel[by]) + 1,
                int(keys.key[by]), was, int(cuts.lost_ns[i]),
            )
        )  # fmt: skip
    return out


def outcomes(voices: Voices) -> list[Outcome]:
    """Return what each rule cuts, in the order of the table."""
    out = []
    for rule in RULES:
        cuts = cuts_of(
            voices.play, voices.notes, voices.module.voices, rule=rule,
            reserve=voices.module.reserve, level=voices.level,
        )  # fmt: skip
        refused = cuts.is_refused
        out.append(
            Outcome(
                rule, len(cuts.note), int((cuts.is_held & ~refused).sum()),
                int(cuts.is_ringing.sum()), int(refused.sum()), int(cuts.lost_ns.sum()),
            )
        )  # fmt: skip
    return out
