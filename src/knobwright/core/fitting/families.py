"""Which sounds are of a kind: families of programs and groups of drums, and the nearest substitute.

The families are those of General MIDI (RP-003, table 1). Which words in a module's own names point
to which family, which families are next of kin, and which drums can stand for each other is common
practice, no source: what follows from it is a proposal and never more.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from knobwright.core.codec.names import fold
from knobwright.core.fitting.programs import FAMILIES
from knobwright.core.sheet.records import Program

#: Beginnings of words in names that point to a family. To teach a word, add it to its row.
_WORDS: dict[str, str] = {
    "Piano": "piano upright grand tine clav harpsichord keys honky",
    "Chromatic Percussion": "celesta glock bell vibes vibraphone marimba xylo box bars dulcimer "
                            "mallet chime",
    "Organ": "organ drawbar accordion harmonica",
    "Guitar": "guitar",
    "Bass": "bass",
    "Strings": "violin viola cello contrabass harp timpani pizzicato tremolo",
    "Ensemble": "string ensemble choir voice vocal aah ooh orchestra",
    "Brass": "brass trumpet trombone tuba horn cornet",
    "Reed": "sax oboe bassoon clarinet",
    "Pipe": "flute piccolo recorder whistle ocarina bottle shakuhachi",
    "Synth Lead": "lead square sawtooth",
    "Synth Pad": "pad sweep halo",
    "Synth Effects": "fx rain crystal atmosphere echoes",
    "Ethnic": "sitar banjo shamisen koto kalimba fiddle shanai bagpipe",
    "Percussive": "agogo steel woodblock taiko tom drum cymbal",
    "Sound Effects": "noise breath seashore bird telephone helicopter applause gunshot",
}  # fmt: skip
#: Families that may stand for each other, the nearest first.
RELATED: dict[str, tuple[str, ...]] = {
    "Piano": ("Chromatic Percussion", "Guitar"),
    "Chromatic Percussion": ("Piano", "Percussive"),
    "Organ": ("Reed", "Ensemble"),
    "Guitar": ("Ethnic", "Piano"),
    "Bass": ("Guitar",),
    "Strings": ("Ensemble", "Reed"),
    "Ensemble": ("Strings", "Synth Pad"),
    "Brass": ("Reed", "Synth Lead"),
    "Reed": ("Pipe", "Brass"),
    "Pipe": ("Reed", "Synth Lead"),
    "Synth Lead": ("Brass", "Pipe", "Reed"),
    "Synth Pad": ("Ensemble", "Strings"),
    "Synth Effects": ("Synth Pad", "Ensemble"),
    "Ethnic": ("Guitar", "Reed"),
    "Percussive": ("Chromatic Percussion",),
    "Sound Effects": (),
}
#: General MIDI drum keys that may stand for each other (names: RP-003, table 3; RP-024, app. B).
DRUM_GROUPS: dict[str, tuple[int, ...]] = {
    "bass drums": (35, 36, 86, 87),
    "snares": (38, 40, 37, 39, 31),
    "toms": (41, 43, 45, 47, 48, 50),
    "hats": (42, 44, 46),
    "crashes": (49, 57, 55, 52),
    "rides": (51, 59, 53),
    "hand drums": (60, 61, 62, 63, 64, 65, 66),
    "shakers": (69, 70, 82, 54, 83, 58, 73, 74),
    "bells and woods": (56, 67, 68, 75, 76, 77, 85, 80, 81, 34, 33),
    "whistles": (71, 72),
    "cuicas": (78, 79),
}
_SAME_BEGINNING = 3
_RELATED_SHARE = 0.5


class Substitute(NamedTuple):
    """A program of the module that may stand for another, how near it is (0 to 2), and why."""

    program: Program
    nearness: float
    why: str


def family_by_name(name: str) -> str:
    """Return the family that a program's name points to, or an empty string.

    The last word that points to one decides: a *reed piano* is a piano.

    Examples
    --------
    >>> family_by_name("Reed piano, soft"), family_by_name("Solo violin"), family_by_name("X 7")
    ('Piano', 'Strings', '')
    """
    for word in reversed(fold(name).split()):
        for family, beginnings in _WORDS.items():
            if any(word.startswith(beginning) for beginning in beginnings.split()):
                return family
    return ""


def family_of_program(program: Program) -> str:
    """Return a program's family: what its sheet says, or else what its name points to."""
    if program.family in FAMILIES:
        return program.family
    return family_by_name(program.family) or family_by_name(program.name)


def likeness(name: str, other: str, family: str = "") -> float:
    """Return how much two names have in common, 0 to 1: the share of words that begin alike.

    Words of the family's own name say nothing within it, and do not count.
    """
    mine, others = _plain_words(name, family), _plain_words(other, family)
    if not mine or not others:
        return 0.0
    hits = sum(max(_alike(word, with_word) for with_word in others) for word in mine)
    return hits / max(len(mine), len(others))


def nearest(wanted: Program, programs: Sequence[Program]) -> Substitute | None:
    """Return the program that comes nearest, or ``None`` where nothing is of a kind.

    Parameters
    ----------
    wanted : Program
        What a song asks for, with its name and family.
    programs : sequence of Program
        What the module has.
    """
    family = family_of_program(wanted)
    best: Substitute | None = None
    for program in programs:
        found = _compare(wanted, family, program)
        if found is not None and (best is None or found.nearness > best.nearness):
            best = found
    return best


def _compare(wanted: Program, family: str, program: Program) -> Substitute | None:
    alike = likeness(wanted.name, program.name, family)
    theirs = family_of_program(program)
    if theirs and theirs == family:
        why = f"same family, {family}" + ("; the names are alike" if alike else "")
        return Substitute(program, 1 + alike, why)
    if family and theirs in RELATED.get(family, ()):
        place = RELATED[family].index(theirs)
        why = f"{theirs} is next of kin to {family}"
        return Substitute(program, _RELATED_SHARE / (1 + place) + alike / 10, why)
    return None


def nearest_key(key: int, keys: Iterable[int]) -> tuple[int, str] | None:
    """Return the drum key that comes nearest to a General MIDI key, and why; or ``None``.

    Only keys of the same group count; of these the one nearest in the group's order.
    """
    there = set(keys)
    for name, group in DRUM_GROUPS.items():
        if key in group:
            at = group.index(key)
            found = [other for other in group if other in there and other != key]
            if found:
                best = min(found, key=lambda other: (abs(group.index(other) - at), other))
                return best, f"both are {name}"
    return None


def _plain_words(name: str, family: str) -> list[str]:
    common = fold(family).split()
    return [w for w in fold(name).split() if not w.isdecimal() and w not in common]


def _alike(word: str, other: str) -> float:
    if word == other:
        return 1.0
    n = 0
    for one, two in zip(word, other, strict=False):
        if one != two:
            break
        n += 1
    return n / max(len(word), len(other)) if n >= min(_SAME_BEGINNING, len(word)) else 0.0
