"""Pages printed in two columns of text, set below each other: the left column first.

A page is cut only where both columns prove themselves: headers of tables, or headings, begin at
the left edge and again at one place further right, and no table goes across that place.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import groupby

from knobwright.core.reading.rows import Leaflet, Row
from knobwright.core.reading.words import header_role

MIN_GUTTER = 24
"""Nearest place of a second column, in characters from the left edge."""
MIN_ALONE = 4
"""Fewest rows that must begin at the second column, with nothing printed left of them."""
SLACK = 1


def split_pages(leaflet: Leaflet) -> Leaflet:
    """Return the leaflet with the two columns of each page one below the other."""
    if leaflet.source != "pdf":
        return leaflet
    out: list[Row] = []
    for _, rows in groupby(leaflet.rows, key=lambda row: row.page):
        page = list(rows)
        gutter = _gutter(page)
        out.extend(_cut(page, gutter) if gutter else page)
    return leaflet._replace(rows=tuple(out))


def _gutter(rows: Sequence[Row]) -> int:
    """Return the place at which a page's second column begins, 0 where it has none."""
    starts = Counter(row.columns[0] for row in rows if row.columns and row.columns[0] >= MIN_GUTTER)
    for place, n in starts.most_common(3):
        if n >= MIN_ALONE and _is_gutter(rows, place):
            return place
    return 0


def _is_gutter(rows: Sequence[Row], place: int) -> bool:
    """Return whether tables begin at ``place`` and at the left edge, and none goes across."""
    edge = min((row.columns[0] for row in rows if row.columns), default=0)
    left = right = 0
    for row in rows:
        inside = [k for k, at in enumerate(row.columns) if abs(at - place) <= SLACK]
        first = inside[0] if inside else len(row.cells)
        before = row.cells[: sum(1 for at in row.columns if at < place - SLACK)]
        right += bool(inside) and _is_header(row.cells[first:])
        if _is_header(before) and row.columns[0] <= edge + SLACK:
            left += 1
            if inside and header_role(row.cells[first]) and not _is_header(row.cells[first:]):
                return False
    return left > 1 and right > 1


def _is_header(cells: Sequence[str]) -> bool:
    """Return whether cells name the columns of a table, its first one among them."""
    return len(cells) > 1 and bool(header_role(cells[0])) and any(map(header_role, cells[1:]))


def _cut(rows: Sequence[Row], place: int) -> list[Row]:
    """Return the rows of the left column, then those of the right one, places kept."""
    left: list[Row] = []
    right: list[Row] = []
    for row in rows:
        if not row.columns or len(row.columns) != len(row.cells):
            left.append(row)
            continue
        at = sum(1 for start in row.columns if start < place - SLACK)
        if at:
            left.append(row._replace(cells=row.cells[:at], columns=row.columns[:at]))
        if at < len(row.cells):
            right.append(row._replace(cells=row.cells[at:], columns=row.columns[at:]))
    return left + right
