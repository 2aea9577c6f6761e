"""Formulas in notes: ``time in seconds = exp((vv - 40) * 0.025), with vv in decimal``.

A formula decides which raw value a shown one becomes, so only what can be read in one way is taken:
plain arithmetic in the row's own value that the sheet's whitelist compiles, with numbers that are
surely decimal. Everything else stays a raw number.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.errors import InputError
from knobwright.core.sheet.formula import MAX_CHARACTERS, compile_formula

_EQUALS = re.compile(r"=\s*(?P<right>[^=;]{1,200})")
_UNIT = re.compile(r"\b(?:in|en)\s+(?P<unit>[A-Za-z%]{1,14})\s*\Z")
_NOTE = re.compile(r"\b(?:note|nota|anmerkung|remarque|noot)\s*(?P<n>\d{1,2})\b", re.IGNORECASE)
_VALUE = re.compile(r"\b(?:vv|v|value)\b", re.IGNORECASE)
_DECIMAL = re.compile(r"\bde[cz]imal", re.IGNORECASE)
_UNITS = {
    "seconds": "s",
    "second": "s",
    "s": "s",
    "milliseconds": "ms",
    "ms": "ms",
    "hertz": "Hz",
    "hz": "Hz",
    "khz": "kHz",
    "percent": "%",
    "%": "%",
    "db": "dB",
    "cents": "cents",
    "semitones": "semitones",
}


class ReadFormula(NamedTuple):
    """A formula in ``v`` as the sheet writes it, and the unit of what it gives (may be empty)."""

    formula: str
    unit: str


def note_number(text: str) -> int | None:
    """Return the number of the note that a cell refers to, if it does."""
    match = _NOTE.search(text[:200])
    return int(match["n"]) if match else None


def notes_numbered(text: str, number: int) -> list[str]:
    """Return the notes of that number that stand in a paragraph, each up to the next note."""
    marks = [m for m in _NOTE.finditer(text[:4000]) if text[m.end() : m.end() + 1] in ":.)"]
    ends = [mark.start() for mark in marks[1:]] + [len(text)]
    if not marks:
        return []
    return [
        text[mark.end() + 1 : end]
        for mark, end in zip(marks, ends, strict=True)
        if int(mark["n"]) == number
    ]


def read_formula(text: str, *, all_hex: bool) -> ReadFormula | None:
    """Return the formula that a note prints, or ``None`` where it prints none that is sure.

    Parameters
    ----------
    text : str
        The note.
    all_hex : bool
        Whether the leaflet's bare numbers are hexadecimal: then the note must say that its own are
        decimal.
    """
    match = _EQUALS.search(text[:1000])
    if match is None or (all_hex and not _DECIMAL.search(text)):
        return None
    right = match["right"].split(", ")[0].strip().rstrip(".")
    spelled = right.replace("×", "*").replace("−", "-").replace("^", "**")
    spelled = _VALUE.sub("v", spelled)
    if not re.search(r"\bv\b", spelled) or len(spelled) > MAX_CHARACTERS:
        return None
    unit = _UNIT.search(text[: match.start()])
    behind = re.search(r"\s([A-Za-z%]{1,4})\Z", spelled)
    if behind and behind[1].casefold() in _UNITS:
        spelled = spelled[: behind.start()]
    named = unit["unit"] if unit else behind[1] if behind else ""
    try:
        compile_formula(spelled)
    except InputError:
        return None
    return ReadFormula(" ".join(spelled.split()), _UNITS.get(named.casefold(), ""))
