"""The records that pass from dialects to the draft: what was found in a row, and what is in
doubt.
"""

from __future__ import annotations

from typing import Any, NamedTuple

from knobwright.core.reading.tokens import Tok

Tree = dict[str, Any]


class Choice(NamedTuple):
    """One answer to a doubt: its name, what it means and what it writes into the thing in doubt."""

    name: str
    meaning: str
    gives: Tree


class Doubt(NamedTuple):
    """One thing that the print doesn't decide.

    ``topic`` is empty for the line itself, else ``range``, ``default``, ...; ``understood``
    says what
    was read. ``only`` marks what is unclear: the parameter is not taken, only asked about.
    """

    topic: str
    understood: str
    choices: tuple[Choice, ...] = ()
    only: bool = True
    takes: str = ""


class Found(NamedTuple):
    """One parameter, or another way to one, as a dialect found it in a row.

    ``toks`` are the bytes of its messages in order; ``texts`` what else is printed for it, each
    with the
    role of its cell (empty where unknown) and its header. ``rows`` counts the rows it takes up.
    ``base`` is
    the base in which unmarked bytes are printed. ``doubts`` are the dialect's own.
    """

    label: str
    section: str
    place: str
    row_index: int
    toks: tuple[Tok, ...]
    texts: tuple[tuple[str, str, str], ...] = ()
    dialect: str = ""
    doubts: tuple[Doubt, ...] = ()
    rows: int = 1
    base: str = ""
    route_group: int = 0
    is_prose: bool = False
    head: int = -1
    shape: str = ""

    @property
    def printed(self) -> str:
        """Return the bytes as they were printed."""
        return " ".join(tok.text for tok in self.toks if tok.text)


def fixed(value: int) -> Tok:
    """Return a token for a byte that a dialect worked out itself."""
    return Tok("byte", f"{value:02X}", 0, 0, value, "", True)


def half(digit: int, letter: str) -> Tok:
    """Return a token for a half byte that a dialect worked out itself, such as ``Bn``."""
    return Tok("half", f"{digit:X}{letter}", 0, 0, digit, letter, True)


def field(word: str, text: str = "") -> Tok:
    """Return a token for a field word."""
    return Tok("field", text or word, 0, 0, -1, word)


def slip(text: str) -> Tok:
    """Return a token for a number that is no byte."""
    return Tok("slip", text, 0, 0)
