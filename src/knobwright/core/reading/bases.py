"""The controllers that the trade knows by number and by name: what proves a number's base.

A leaflet that prints ``Pan  10`` counts in tens, one that prints ``Pan  0A`` counts in sixteens.
The numbers are those of the control change table of the MIDI 1.0 Detailed Specification (table III)
and of General MIDI 2; the names are the usual ones (common practice, no source).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from knobwright.core.reading.layout import Placed
from knobwright.core.reading.numbers import DEC, HEX
from knobwright.core.reading.words import fold

CONTROLLERS: tuple[tuple[int, tuple[str, ...]], ...] = (
    # number -> how a name of it begins (folded); only numbers whose two readings differ
    (10, ("pan", "panorama", "panpot", "panning", "panoramique")),
    (11, ("expression", "ausdruck", "expresion", "espression", "expressie")),
    (16, ("general purpose 1", "general purpose controller 1")),
    (64, ("hold", "sustain", "damper", "haltepedal", "forte", "pedale forte")),
    (65, ("portamento on", "portamento switch", "portamento (on", "glide switch")),
    (66, ("sostenuto",)),
    (67, ("soft pedal", "una corda")),
    (71, ("resonance", "resonanz", "harmonic content", "timbre", "filter resonance")),
    (72, ("release", "ausklingzeit", "relachement", "rilascio")),
    (73, ("attack", "anstiegszeit", "attaque", "ataque", "attacco")),
    (74, ("cutoff", "cut-off", "brightness", "helligkeit", "brillance", "filter cutoff", "brillo")),
    (75, ("decay",)),
    (76, ("vibrato rate", "vibrato speed")),
    (77, ("vibrato depth",)),
    (78, ("vibrato delay",)),
    (84, ("portamento control", "portamento source")),
    (91, ("reverb", "hall", "room send")),
    (93, ("chorus",)),
    (94, ("celeste", "detune", "variation")),
)


def named_base(digits: str, label: str) -> str:
    """Return the base in which a controller's number fits its name, or nothing.

    Parameters
    ----------
    digits : str
        Two decimal digits without a mark; anything else proves nothing.
    label : str
        The name printed beside it.
    """
    if len(digits) != 2 or not digits.isdigit():
        return ""
    folded = fold(label).strip(" -:*")
    names = dict(CONTROLLERS)
    as_dec = any(folded.startswith(name) for name in names.get(int(digits), ()))
    as_hex = any(folded.startswith(name) for name in names.get(int(digits, 16), ()))
    if as_dec == as_hex:
        return ""
    return DEC if as_dec else HEX


_USUAL = {
    1: ("mod", "vibrato"), 2: ("breath",), 5: ("portamento", "glide"),
    7: ("volume", "level", "lautst"), 120: ("all sound", "sound off"), 121: ("reset",),
    122: ("local",), 123: ("all notes", "notes off"),
}  # fmt: skip


def usual_name(digits: str, label: str) -> bool:
    """Return whether a number, read in either base, is the standard's controller of that name."""
    if named_base(digits, label):
        return True
    folded = fold(label)
    return digits.isdigit() and folded.startswith(_USUAL.get(int(digits), ("\0",)))


_MENTION = re.compile(
    r"\b(?:CC|cc|Cc|Ctrl|ctrl|Ctl|[Cc]ontroller|[Cc]ontrol [Cc]hange|[Rr]egler|[Cc]ontrôleur|"
    r"[Cc]ontrolador|N?RPN(?: MSB)?|n?rpn)\s*"
    r"(?:#|[Nn]o\.?|[Nn]r\.?|[Nn]umber|[Nn]ummer)?\s*[:=]?\s*"
    r"(?P<n>(?:\$|0x)?[0-9][0-9A-F]{0,3}[hH]?)(?![0-9A-Za-z])"
)
_CELL = re.compile(r"\s*(?:CC\s*#?\s*)?(?P<n>(?:\$|0x)?[0-9][0-9A-F]{0,2}[hH]?)(?![0-9A-Za-z])")
_ROLES = ("cc", "cc_msb", "cc_lsb")


class _Count(NamedTuple):
    """How many numbers of a section prove something of the base they are printed in."""

    letters: int = 0
    marked: int = 0
    tens: int = 0
    named_dec: int = 0
    named_hex: int = 0


class Bases:
    """What the controller numbers of a leaflet prove of their base, by section and in all."""

    def __init__(self, rows: Sequence[Placed]) -> None:
        counts: dict[str, list[int]] = {}
        for placed in rows:
            if placed.kind == "blank" or len(placed.row.text) > 2000:
                continue
            for digits, label in _numbers(placed):
                proof = _proof(digits, label)
                for key in {placed.section, ""}:
                    own = counts.setdefault(key, [0] * 5)
                    for k, n in enumerate(proof):
                        own[k] += n
        self.counts = {key: _Count(*values) for key, values in counts.items()}

    def named(self, section: str) -> str:
        """Return the base in which the numbers fit the names beside them, or nothing."""
        for key in (section, ""):
            count = self.counts.get(key, _Count())
            if count.named_dec != count.named_hex:
                return DEC if count.named_dec > count.named_hex else HEX
        return ""

    def corrected(self, base: str, section: str, role: str) -> str:
        """Return the base of a column of numbers: names outweigh leading zeros, proof fills a gap.

        Parameters
        ----------
        base : str
            What the column itself tells, empty where it tells nothing.
        role : str
            The column's role; controllers are counted in tens where nothing else is printed,
            parameter numbers only where the leaflet's controllers are proven so.
        """
        if base == HEX and role in _ROLES and not self._letters(section):
            return DEC if self.named(section) == DEC else base
        if base:
            return base
        if role in _ROLES:
            return self.of(section)
        proven = self.counts.get("", _Count())
        if proven.tens + proven.named_dec and not proven.letters and not proven.marked:
            return DEC
        return ""

    def _letters(self, section: str) -> bool:
        """Return whether a number with a hex letter stands in the section, or else anywhere."""
        return bool(self.counts.get(section, self.counts.get("", _Count())).letters)

    def of(self, section: str) -> str:
        """Return the base of a controller number without a mark, empty where it is in doubt.

        Without any sign of hexadecimal print the trade counts controllers in tens.
        """
        for key in (section, ""):
            count = self.counts.get(key, _Count())
            if count.letters and not count.tens and count.named_hex >= count.named_dec:
                return HEX
            if named := self.named(key):
                return named
            if count.tens and not count.letters:
                return DEC
            if count.letters:
                return ""
        return "" if self.counts.get("", _Count()).marked else DEC


NUMBER_ROLES = (
    *_ROLES, "nrpn", "rpn", "nrpn_msb", "nrpn_lsb", "rpn_msb", "rpn_lsb", "address",
)  # fmt: skip
"""Roles of columns that hold the number of a controller or parameter."""


def mentions(text: str) -> Iterator[tuple[bool, str]]:
    """Yield the numbers that a text names, as printed: (whether a parameter number, digits)."""
    for match in _MENTION.finditer(text):
        yield "rpn" in match.group()[:5].lower(), match["n"]


def _numbers(placed: Placed) -> Iterator[tuple[str, str]]:
    """Yield the controller numbers of a row as printed, each with the name beside it."""
    label = placed.cell("label")
    for cell, role in zip(placed.cells, placed.roles, strict=False):
        if role in _ROLES and (match := _CELL.match(cell)):
            yield match["n"], label
    text = "  ".join(placed.cells)
    for match in _MENTION.finditer(text):
        behind = text[match.end() :].lstrip(" \t:=-–,.|)")
        before = text[: match.start()].rstrip(" \t:=-–,.|(")
        yield match["n"], label or behind or before


def _proof(digits: str, label: str) -> _Count:
    """Return what one printed number proves."""
    bare = digits.lstrip("$").removeprefix("0x").rstrip("hH")
    if bare != digits:
        return _Count(marked=1)
    if not bare.isdigit():
        return _Count(letters=1)
    named = named_base(bare, label)
    return _Count(
        tens=int(len(bare) == 3 and int(bare) <= 127),
        named_dec=int(named == DEC),
        named_hex=int(named == HEX),
    )
