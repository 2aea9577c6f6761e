"""Table rows of a PDF that belong together: broken cells, and tables that go on overleaf."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import groupby, pairwise

from knobwright.core.reading.rows import Row
from knobwright.core.reading.sources_wrap import begins_message, glue, is_bytes

_TIGHT = 1.5  # lines of one cell are at most this many type sizes apart
_CLEAR = 1.25  # rows are at least this much further apart than the lines of a cell


def join_tight(rows: Sequence[Row], heights: Mapping[int, tuple[float, float]]) -> list[Row]:
    """Return ``rows`` with lines joined that the gaps between them show to be one table row.

    That is certain where a table has two clearly different gaps, and every line after the small
    one lacks a cell that the line above has and opens no message of its own.

    Parameters
    ----------
    rows : sequence of Row
        A page's rows, of which only the tables are looked at.
    heights : mapping of row number to (baseline, size), points
        Where each row stands.
    """
    out: list[Row] = []
    for (kind, _), group in groupby(rows, key=lambda row: (row.kind, row.table)):
        table = list(group)
        out += _joined(table, heights) if kind == "table" else table
    return out


def _joined(table: list[Row], heights: Mapping[int, tuple[float, float]]) -> list[Row]:
    groups = _groups(table, heights)
    if len(groups) < 3 or len(groups) == len(table):
        return table
    if not all(_is_one_row(group) for group in groups):
        return table
    rows = []
    for group in groups:
        cells = list(group[0].cells)
        for row in group[1:]:
            cells = [
                glue(a, b) if a and b else a or b for a, b in zip(cells, row.cells, strict=True)
            ]
        rows.append(group[0]._replace(cells=tuple(cells)))
    header = table[0].header
    if header and header == table[0].cells:
        rows = [row._replace(header=rows[0].cells) for row in rows]
    return rows


def _groups(table: Sequence[Row], heights: Mapping[int, tuple[float, float]]) -> list[list[Row]]:
    """Return the rows gathered by small gaps; each alone where gaps are of one kind."""
    gaps = []
    for above, row in pairwise(table):
        (y_above, _), (y, size) = heights[above.number], heights[row.number]
        gaps.append((y_above - y) / size if size > 0 else 0.0)
    small = [gap for gap in gaps if 0 < gap <= _TIGHT]
    wide = [gap for gap in gaps if gap > _TIGHT]
    if not small or not wide or max(small) * _CLEAR > min(wide):
        return [[row] for row in table]
    groups = [[table[0]]]
    for gap, row in zip(gaps, table[1:], strict=True):
        if gap <= _TIGHT:
            groups[-1].append(row)
        else:
            groups.append([row])
    return groups


def _is_one_row(group: Sequence[Row]) -> bool:
    """Return whether the lines of a group can be nothing but one row."""
    first = group[0].cells
    for row in group[1:]:
        filled = [index for index, cell in enumerate(row.cells) if cell]
        if not all(first[index] for index in filled):
            return False
        if len(filled) >= sum(map(bool, first)):
            return False
        if any(is_bytes(row.cells[i]) and begins_message(row.cells[i]) for i in filled):
            return False
    return True


def continued(before: Sequence[Row], page: list[Row], slack: int = 1) -> list[Row]:
    """Return a page's rows, its first table named after a table of the page before that it goes on.

    It does where that was the last table there, has a header and the same columns, and the
    first row on the new page is no header.
    """
    last = next((row for row in reversed(before) if row.kind == "table"), None)
    first = next((row for row in page if row.kind == "table"), None)
    if last is None or first is None or first.header or not last.header:
        return page
    if len(last.columns) != len(first.columns) or not first.columns:
        return page
    pairs = zip(last.columns, first.columns, strict=True)
    if any(abs(a - b) > slack for a, b in pairs) or len(last.header) != len(first.cells):
        return page
    return [row._replace(header=last.header) if row.table == first.table else row for row in page]
