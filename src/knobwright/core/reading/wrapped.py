"""Cells that go on in the next row: ``00 00 -`` above ``7F 7F``, ``high`` above ``bits first``."""

from __future__ import annotations

import re

Texts = tuple[tuple[str, str, str], ...]

_OPEN_RANGE = re.compile(r"(?:[-–~…,]|\.\.|\b(?:to|bis|à|a|al|tot))\s*\Z")
_OPEN_NOTE = re.compile(r"[^\W\d_]\s*\Z")
_GOES_ON = re.compile(r"\s*[a-zà-ÿ]{2,}(?:[\s;,.)]|\Z)")


def add_wrapped(texts: Texts, cells: Texts) -> Texts:
    """Return a row's texts with the cells of the row below it.

    A range that ends in a dash, and a note that ends in the middle of a sentence, go on in the
    same column below; everything else stays a text of its own.
    """
    out = list(texts)
    for role, head, cell in cells:
        at = next(
            (k for k in range(len(out) - 1, -1, -1) if out[k][:2] == (role, head) and head), -1
        )
        if at >= 0 and _goes_on(role, out[at][2], cell):
            out[at] = (role, head, f"{out[at][2].rstrip()} {cell.strip()}")
        else:
            out.append((role, head, cell))
    return tuple(out)


def _goes_on(role: str, above: str, below: str) -> bool:
    """Return whether a cell is the rest of the one above it."""
    if role == "range":
        return bool(_OPEN_RANGE.search(above))
    if role == "note":
        return bool(_OPEN_NOTE.search(above) and _GOES_ON.match(below))
    return False
