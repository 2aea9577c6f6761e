"""Rows and cells that belong to another row: what hangs on, what only repeats a number."""

from __future__ import annotations

import re

from knobwright.core.reading.choices import find_choices
from knobwright.core.reading.found import Doubt, Found
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.messages import read_messages
from knobwright.core.reading.numbers import spans
from knobwright.core.reading.words import fold


def is_low_part(item: Found) -> bool:
    """Return whether a row is nothing but the low part of a value (controller 38)."""
    items = read_messages(item).items
    return len(items) == 1 and len(items[0]) == 3 and items[0][1].value == 38


def twin_doubts(placed: Placed) -> list[Doubt]:
    """Ask where a number printed twice, hexadecimal and decimal, is not the same number."""
    out: list[Doubt] = []
    for k, role in enumerate(placed.roles):
        if role != "twin" or not placed.cells[k].strip():
            continue
        stem = fold(placed.heads[k]).rsplit(" ", 1)[0].strip(" ,(")
        other = next(
            (j for j, h in enumerate(placed.heads) if j != k and fold(h).startswith(stem)), -1
        )
        if other < 0:
            continue
        dec = [int(n) for n in re.findall(r"(?<![\w.])\d{1,3}(?![\w.])", placed.cells[k])]
        hexed = [
            int(n, 16)
            for n in re.findall(r"(?<![\w.])[0-9A-Fa-f]{2}(?=[hH]?(?![\w.]))", placed.cells[other])
        ]
        if dec and hexed and dec != hexed:
            out.append(
                Doubt(
                    "",
                    f"the hexadecimal column prints {placed.cells[other]}, the decimal "
                    f"column {placed.cells[k]}: they differ",
                    takes="line",
                )
            )
    return out


def hangs_on(placed: Placed, above: Placed) -> bool:
    """Return whether a row's only cell, though it begins in the column of names, belongs to the row
    above: it stands further in, or lists choices or a range."""
    filled = [c for c in placed.cells if c.strip()]
    if len(filled) != 1:
        return False
    if placed.row.columns and above.row.columns and placed.row.columns[0] > above.row.columns[0]:
        return True
    return find_choices(filled[0]) is not None or any(s.is_range for s in spans(filled[0]))


_RESERVED = (
    "reserved", "unused", "not used", "reserviert", "unbenutzt", "frei", "reserve", "inutilise",
    "reservado", "riservato", "gereserveerd", "do not send",
)  # fmt: skip


def is_reserved(placed: Placed) -> bool:
    """Return whether a row's column of names says only that its number is kept free."""
    return fold(placed.cell("label")).strip(" .()[]-–*") in _RESERVED
