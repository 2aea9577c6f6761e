"""Bytes printed in decimal, one a column: ``240 | 125 | dev | 42 | 16 | 0 | v | sum | 247``.

Read only where the leaflet says that its numbers are decimal. A sum such as ``176+ch`` is a status
byte with a channel, ``32+ch`` half a byte of it.
"""

from __future__ import annotations

import re

from knobwright.core.reading.context import Context, has_example_word
from knobwright.core.reading.dialects.bytelines import describe, joined
from knobwright.core.reading.exclusive import is_plain_part
from knobwright.core.reading.found import Found, fixed, half, slip
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.numbers import DEC
from knobwright.core.reading.runs import N_DATA, field_role
from knobwright.core.reading.tokens import Tok, one_token
from knobwright.core.reading.words import fold

_SUM = re.compile(r"(?P<n>\d{1,3})\s*\+\s*(?P<sym>[a-z]{1,4})\Z")
_EXCLUSIVE, _END = 240, 247


def read(placed: Placed, context: Context) -> list[Found]:
    """Return the parameter of a row whose cells are the bytes of a message in decimal."""
    if len(placed.cells) < 3 or context.bytes_base(placed.section) != DEC:
        return []
    cells = [c.strip() for c in placed.cells]
    start = next((k for k, c in enumerate(cells) if _is_status(c)), -1)
    if start < 0:
        return []
    end = _end(cells, start)
    if end - start < 3:
        return []
    above = context.rows[placed.row_index - 1].row.text if placed.row_index else ""
    if has_example_word(placed.row.text) or has_example_word(f"{placed.section} {above}"[-120:]):
        return []
    text, cuts = joined(placed)
    label, texts, prose = describe(placed, text, cuts, cuts[start:end], context)
    if prose:
        return []
    texts = tuple(t for t in texts if t[0] != "bytes")
    toks = tuple(_tok(c, placed, context) for c in cells[start:end])
    return [
        Found(
            label,
            placed.section,
            placed.row.place,
            placed.row_index,
            toks,
            texts,
            "decimal bytes",
            base=DEC,
        )
    ]


def _is_status(cell: str) -> bool:
    """Return whether a cell prints a status byte in decimal: 128 to 255, or one with a channel."""
    match = _SUM.match(cell)
    number = match["n"] if match else cell
    return len(number) == 3 and number.isdigit() and 0x80 <= int(number) <= 0xFF


def _end(cells: list[str], start: int) -> int:
    """Return the cell behind the last one of the messages that begin at ``start``."""
    if cells[start] == str(_EXCLUSIVE):
        ends = [k for k in range(start, len(cells)) if cells[k] == str(_END)]
        return ends[0] + 1 if ends else start
    at = start
    while at < len(cells) and _is_status(cells[at]):
        status = int(cells[at][:3])
        at += 1 + N_DATA.get(status >> 4, 0)
    return min(at, len(cells))


def _tok(cell: str, placed: Placed, context: Context) -> Tok:
    """Return the token that a cell stands for; what is no byte is a slip."""
    if match := _SUM.match(cell):
        number = int(match["n"])
        if number < 0x80:
            from_zero = number % 16 == 0 and _is_from_zero(match["sym"], placed, context)
            return half(number >> 4, match["sym"]) if from_zero else slip(cell)
        symbol = "n" if field_role(match["sym"]) == "channel" else match["sym"][0]
        return half(number >> 4, symbol) if number <= 0xF0 and number % 16 == 0 else slip(cell)
    if cell.isdigit():
        value = int(cell)
        return fixed(value) if value <= 0xFF else slip(cell)
    tok = one_token(cell)
    return tok if tok.kind in ("field", "twin") else slip(cell or "(nothing)")


def _is_from_zero(symbol: str, placed: Placed, context: Context) -> bool:
    """Return whether the leaflet says that a channel's or part's letter counts from 0 (``the
    channel less 1``, ``0 to 15``): added to a byte, 1 to 16 would make another byte."""
    legends = context.legends.find(symbol, placed.row_index, placed.section)
    texts = [fold(g.text) for g in legends if g.role in ("channel", "part")]
    return bool(texts) and all(is_plain_part(t) or _ZERO.search(t) for t in texts)


_ZERO = re.compile(r"(?<![\w.+])0\s*(?:-|–|to|bis|à|a|\.\.\.?|tot|through)\s*(?:15|0?f)h?\b")
