"""Whether a table's first row names its columns."""

from __future__ import annotations

import re
from collections.abc import Sequence

_NUMBER = re.compile(
    r"[-+$]?(?:0[xX])?[0-9][0-9A-Fa-f]*[hH]?(?:\s*(?:-|\u2013|\.\.|to)\s*[-+$]?[0-9A-Fa-f]+[hH]?)?\Z"
)
_HEX_PAIRS = re.compile(
    r"(?:\$|0[xX])?[0-9A-Fa-f][0-9A-Za-z][hH]?(?:[ ,]+(?:\$|0[xX])?[0-9A-Fa-f][0-9A-Za-z][hH]?)+\Z"
)
_LEADING = re.compile(r"[-+$\u2212]?\d")
_WORD = re.compile(r"[^\W\d_]{2}")


def looks_like_header(cells: tuple[str, ...], below: Sequence[tuple[str, ...]]) -> bool:
    """Return whether ``cells`` name columns: words only, above rows that hold numbers."""
    named = [cell for cell in cells if cell]
    if len(named) < 2 or not all(_names(cell) for cell in named):
        return False
    return any(_is_data(cell) or _LEADING.match(cell) for row in below for cell in row)


def _names(cell: str) -> bool:
    return len(cell) <= 60 and bool(_WORD.search(cell)) and not _is_data(cell)


def _is_data(cell: str) -> bool:
    return len(cell) <= 200 and bool(_NUMBER.match(cell) or _HEX_PAIRS.match(cell))
