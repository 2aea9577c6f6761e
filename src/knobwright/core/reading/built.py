"""A line in the making, and the question that every builder asks: what does this field stand
for?
"""

from __future__ import annotations

from typing import NamedTuple

from knobwright.core.reading.context import Context
from knobwright.core.reading.found import Doubt, Found
from knobwright.core.reading.messages import Fault
from knobwright.core.reading.runs import field_role
from knobwright.core.reading.tokens import Tok


class Built(NamedTuple):
    """A line in the making.

    ``words`` are the notation words of each message with its status; ``parts`` the value words as
    (message, cell, printed word, bits); ``kind`` is ``parameter``, ``action``, ``shape``,
    ``request``, ``dump``,
    ``program``, ``bank``, ``note``, ``pressure``, ``realtime``, ``identity`` or ``broken``.
    ``check_at`` is the cell of the
    checksum in message 0 (-1: none), ``letters`` the half-byte letters that need a map.
    """

    kind: str
    words: tuple[tuple[str, ...], ...] = ()
    parts: tuple[tuple[int, int, str, int], ...] = ()
    per: frozenset[str] = frozenset()
    check_at: int = -1
    letters: tuple[tuple[str, str], ...] = ()
    doubts: tuple[Doubt, ...] = ()
    faults: tuple[Fault, ...] = ()
    n_bits: int = 0
    address_at: tuple[int, ...] = ()
    likely: Built | None = None
    size: int = 0
    run: str = ""

    @property
    def line(self) -> str:
        """Return the line in the notation of the sheet, running status left out, without
        brackets.
        """
        return write(self.words)

    @property
    def is_exclusive(self) -> bool:
        """Return whether the line is one exclusive message."""
        return bool(self.words) and self.words[0][0] == "F0"


def write(words: tuple[tuple[str, ...], ...]) -> str:
    """Return messages as one line, the status left out where it repeats."""
    out: list[str] = []
    status = ""
    for message in words:
        keep = message[0] != status or message[0] == "F0"
        out.extend(message if keep else message[1:])
        status = message[0] if message[0] != "F0" else ""
    return " ".join(out)


def role_of(tok: Tok, found: Found, context: Context, legends: bool = True) -> tuple[str, str]:
    """Return what a field stands for, and the legend's text: the legend nearest to the row wins."""
    printed = tok.text.lower().lstrip("$").removeprefix("0x").rstrip("h")
    symbols = [printed if tok.kind == "half" else tok.word, tok.word]
    own = field_role(tok.word) if tok.kind == "field" else ""
    wanted: tuple[str, ...] = ()
    if own in ("checksum", "device") and len(tok.word) > 1:
        wanted = ("value", "ignored", "key", "address", "part", "channel", "checksum", "device")
    elif own in ("high", "low") and tok.word in (
        "vh",
        "vl",
        "msb",
        "lsb",
        "hi",
        "lo",
        "high",
        "low",
    ):
        wanted = ("ignored", "high", "low") if tok.word not in ("vh", "vl") else ("ignored",)
    elif own == "value":
        wanted = ("value", "high", "low", "ignored", "checksum")
    for symbol in dict.fromkeys(symbols):
        found_here = context.legends.find(symbol, found.row_index, found.section, found.rows)
        roles = [g for g in found_here if g.role and (not wanted or g.role in wanted)]
        if roles:
            if own in ("checksum", "device") and roles[0].role in ("address", "value", "channel"):
                break
            return roles[0].role, roles[0].text
    return own, ""
