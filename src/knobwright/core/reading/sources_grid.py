"""Printed lines to rows: cells, frames, headings, and tables where the columns line up.

The steps for a block of lines between two blank lines: split each line into cells, take frame
lines (``+---+``, ``====``) out, then look for a table: cells parted by bars, by tabs, or by columns
that stay blank from the first line to the last.
"""

from __future__ import annotations

import bisect
import re
from collections.abc import Iterable, Iterator, Sequence
from itertools import pairwise

from knobwright.core.errors import LeafletError
from knobwright.core.reading.rows import Row
from knobwright.core.reading.sources_chars import BARS, fold, widths
from knobwright.core.reading.sources_header import looks_like_header
from knobwright.core.reading.sources_lines import (
    MAX_CELLS,
    MAX_LINE_CHARS,
    Cell,
    Line,
    blocks,
    heading,
    is_frame,
    n_header_lines,
    parts,
)
from knobwright.core.reading.sources_wrap import join_wraps

_CELL = re.compile(rf"[^ \t{BARS}]+(?: [^ \t{BARS}]+)*")


class Grid:
    """Turns printed lines into rows, numbering the tables of one leaflet.

    Parameters
    ----------
    name : str
        The leaflet's name, for the places of errors.
    page : int >= 0
        The page the lines stand on; 0 where there are no pages.
    slack : int >= 0
        By how many columns two cells of one column may be apart.
    """

    def __init__(self, name: str, page: int = 0, slack: int = 0) -> None:
        self.name = name
        self.page = page
        self.slack = slack
        self.n_tables = 0

    def rows(self, lines: Iterable[tuple[int, str]]) -> list[Row]:
        """Return the rows of numbered lines, in their order.

        Raises
        ------
        LeafletError
            A line of more than 100 000 characters or 1 000 cells.
        """
        return self.rows_of(self._split(number, text) for number, text in lines)

    def rows_of(self, lines: Iterable[Line]) -> list[Row]:
        """Return the rows of lines that are split into cells already, in their order."""
        rows: list[Row] = []
        for block in blocks(self._checked(line) for line in lines):
            for part in parts(block):
                rows += self._block_rows(part)
        return rows

    def _checked(self, line: Line) -> Line:
        if len(line.raw) > MAX_LINE_CHARS:
            found = f"has {len(line.raw)} characters"
            raise self._error(line.number, found, f"{MAX_LINE_CHARS} characters")
        if len(line.cells) > MAX_CELLS:
            raise self._error(line.number, f"has {len(line.cells)}", f"{MAX_CELLS} cells")
        return line

    def _split(self, number: int, text: str) -> Line:
        if len(text) > MAX_LINE_CHARS:
            return Line(number, (), text, False, 0, 0)  # refused by _checked
        if is_frame(text):
            return Line(number, (), text, True, 0, 0)
        columns = range(len(text) + 1) if text.isascii() and "\t" not in text else widths(text)
        found = (
            Cell(columns[m.start()], columns[m.end()], fold(m.group()))
            for m in _CELL.finditer(text)
        )
        cells = tuple(cell for cell in found if cell.text)
        n_bars = sum(text.count(bar) for bar in BARS)
        return Line(number, cells, text, False, n_bars, text.count("\t"))

    def _error(self, number: int, found: str, most: str) -> LeafletError:
        place = f"page {self.page}, row {number}" if self.page else f"row {number}"
        return LeafletError(
            f"a row of a leaflet may have {most}; this one {found}",
            where=f"{self.name}, {place}",
            hint="give the pages with the MIDI implementation as text, one line a row",
        )

    def _block_rows(self, block: list[Line]) -> list[Row]:
        """Return the rows of one block: headings first, then a table or plain rows."""
        rows: list[Row] = []
        rest = block
        while rest and (title := heading(rest)) is not None:
            text, n_used = title
            rows.append(Row(self.page, rest[0].number, (text,), (), "heading"))
            rest = rest[n_used:]
        lines = [line for line in rest if line.cells]
        if not lines:
            return rows
        n_header = n_header_lines(rest)
        table = self._barred(lines) or self._tabbed(lines)
        if table is not None:
            rows += self._finished(table, n_header)
        elif n_header:
            table = self._aligned(lines, 2)
            many = sum(len(line.cells) > 1 for line in lines) > 1
            rows += self._finished(table or self._plain(lines), n_header if table or many else 0)
        else:
            for piece in _pieces(lines, self.slack):
                rows += self._finished(self._aligned(piece) or self._plain(piece), 0)
        return rows

    def _finished(self, table: list[Row], n_header: int) -> list[Row]:
        """Return a table's rows with its header named and certain wraps joined."""
        if n_header and (table[0].kind == "table" or n_header == 1):
            table = _with_header(table, n_header)
        else:
            table = mark_header(table)
        return join_wraps(table, self.slack)

    def _next_table(self) -> int:
        self.n_tables += 1
        return self.n_tables

    def _plain(self, lines: Sequence[Line]) -> list[Row]:
        """Return rows with their own cells; one table number where several rows have some."""
        number = self._next_table() if sum(len(line.cells) > 1 for line in lines) > 1 else 0
        return [
            Row(
                self.page,
                line.number,
                tuple(cell.text for cell in line.cells),
                tuple(cell.start for cell in line.cells),
                "text",
                number,
            )
            for line in lines
        ]

    def _barred(self, lines: Sequence[Line]) -> list[Row] | None:
        """Return the rows of a table with bars between its cells, or None."""
        if len(lines) < 2 or any(line.n_bars == 0 for line in lines):
            return None
        return self._table(lines, [_bar_cells(line.raw) for line in lines])

    def _tabbed(self, lines: Sequence[Line]) -> list[Row] | None:
        """Return the rows of a table with one tab between its cells, or None."""
        if sum(line.n_tabs > 0 for line in lines) < 2:
            return None
        split = [_tab_cells(line.raw) for line in lines]
        rows = self._table(lines, split)
        if rows is None:
            return None
        n_cells = max(len(row.cells) for row in rows)
        used = [i for i in range(n_cells) if any(_at(row.cells, i) for row in rows)]
        return [_only(row, used) for row in rows] if len(used) > 1 else None

    def _table(self, lines: Sequence[Line], split: Sequence[list[Cell]]) -> list[Row] | None:
        """Return table rows where all lines have as many cells; lone texts may stand between."""
        sizes = {len(cells) for cells in split if sum(bool(c.text) for c in cells) > 1}
        if len(sizes) != 1 or not 2 <= max(sizes) <= MAX_CELLS:
            return None
        number = self._next_table()
        rows = []
        for line, cells in zip(lines, split, strict=True):
            kind = "table" if len(cells) in sizes else "text"
            kept = cells if kind == "table" else line.cells
            texts, starts = tuple(c.text for c in kept), tuple(c.start for c in kept)
            rows.append(Row(self.page, line.number, texts, starts, kind, number))
        return rows

    def _aligned(self, lines: Sequence[Line], n_least: int = 0) -> list[Row] | None:
        """Return the rows of a table whose columns stay blank all the way down, or None.

        It has at least ``n_least`` rows of several cells (3, or 2 under a header). Rows of one
        cell at the left edge (section titles) stay plain rows of the same table.
        """
        body = _body(lines, self.slack)
        spans = _columns(body)
        texts_of = [tuple(cell.text for cell in line.cells) for line in body[:6]]
        n_least = n_least or (2 if texts_of and looks_like_header(texts_of[0], texts_of[1:]) else 3)
        if sum(len(line.cells) > 1 for line in body) < n_least or len(spans) < 2:
            return None
        if not _is_even(body, spans):
            return None
        number = self._next_table()
        inside = {line.number for line in body}
        rows = []
        for line in lines:
            texts, starts = [cell.text for cell in line.cells], [cell.start for cell in line.cells]
            kind = "text"
            if line.number in inside:
                texts, starts, kind = [""] * len(spans), [start for start, _ in spans], "table"
                for cell, at in zip(line.cells, _places(line, spans), strict=True):
                    texts[at], starts[at] = cell.text, cell.start
            rows.append(Row(self.page, line.number, tuple(texts), tuple(starts), kind, number))
        return rows


def _at(cells: Sequence[str], index: int) -> str:
    return cells[index] if index < len(cells) else ""


def _only(row: Row, used: Sequence[int]) -> Row:
    """Return a table row with the columns ``used``; other rows as they are."""
    if row.kind != "table":
        return row
    kept = [i for i in used if i < len(row.cells)]  # a row may have fewer cells than the others
    cells, columns = tuple(row.cells[i] for i in kept), tuple(row.columns[i] for i in kept)
    return row._replace(cells=cells, columns=columns)


def _with_header(rows: list[Row], n_header: int) -> list[Row]:
    """Return ``rows`` with the first ``n_header`` joined into one header row that all rows name."""
    width = max(len(row.cells) for row in rows[:n_header])
    header = tuple(
        " ".join(row.cells[i] for row in rows[:n_header] if i < len(row.cells) and row.cells[i])
        for i in range(width)
    )
    first = rows[0]._replace(cells=header)
    return [row._replace(header=header) for row in (first, *rows[n_header:])]


def mark_header(table: list[Row]) -> list[Row]:
    """Return a table's rows with their header named where the first row plainly is one."""
    first = next((index for index, row in enumerate(table) if row.kind == "table"), len(table))
    rows = [row.cells for row in table[first:] if row.kind == "table"]
    if not rows or not looks_like_header(rows[0], rows[1:6]):
        return table
    return table[:first] + [row._replace(header=rows[0]) for row in table[first:]]


def _bar_cells(raw: str) -> list[Cell]:
    """Return the cells between bars, empty ones too; bars at the edges open no cell."""
    columns = widths(raw)
    edges = [i for i, char in enumerate(raw) if char in BARS]
    borders = [-1, *edges, len(raw)]
    cells = []
    for left, right in pairwise(borders):
        text = raw[left + 1 : right]
        is_outer = left == -1 or right == len(raw)
        if is_outer and not text.strip():
            continue
        lead = len(text) - len(text.lstrip())
        start = left + 1 + (lead if text.strip() else 0)
        cells.append(Cell(columns[start], columns[right], fold(" ".join(text.split()))))
    return cells


def _tab_cells(raw: str) -> list[Cell]:
    """Return the cells between tabs, empty ones too."""
    columns = widths(raw)
    cells = []
    at = 0
    for text in raw.split("\t"):
        cells.append(Cell(columns[at], columns[at + len(text)], fold(" ".join(text.split()))))
        at += len(text) + 1
    return cells


def _columns(lines: Sequence[Line]) -> list[tuple[int, int]]:
    """Return (start, end) of each column: the runs of positions that some line uses."""
    used = 0
    for line in lines:
        for cell in line.cells:
            used |= ((1 << max(1, cell.end - cell.start)) - 1) << cell.start
    bits = bin(used)[:1:-1]  # position 0 first
    return [(found.start(), found.end()) for found in re.finditer("1+", bits)]


def _places(line: Line, spans: Sequence[tuple[int, int]]) -> list[int]:
    """Return the column of each cell of ``line``."""
    ends = [end for _, end in spans]
    return [bisect.bisect_right(ends, cell.start) for cell in line.cells]


def _is_even(body: Sequence[Line], spans: Sequence[tuple[int, int]]) -> bool:
    """Return whether no line has two cells in one column: their border would be lost."""
    return all(len(set(_places(line, spans))) == len(line.cells) for line in body)


def _body(lines: Sequence[Line], slack: int) -> list[Line]:
    """Return the lines that are rows of columns: all but lone texts at the left edge."""
    left = min(line.cells[0].start for line in lines)
    return [n for n in lines if len(n.cells) > 1 or n.cells[0].start > left + slack]


def _pieces(lines: Sequence[Line], slack: int) -> Iterator[list[Line]]:
    """Yield the parts of a block, cut at lone texts where the columns below are not those above."""
    inside = {id(line) for line in _body(lines, slack)}
    segments: list[list[Line]] = []
    for index, line in enumerate(lines):
        if index == 0 or (id(line) not in inside and id(lines[index - 1]) in inside):
            segments.append([])
        segments[-1].append(line)
    piece: list[Line] = []
    for segment in segments:
        if piece and not _share_columns(piece, segment, inside):
            yield piece
            piece = []
        piece = piece + segment
    if piece:
        yield piece


def _share_columns(above: Sequence[Line], below: Sequence[Line], inside: set[int]) -> bool:
    """Return whether two parts of a block are rows of the same columns."""
    one = [line for line in above if id(line) in inside]
    two = [line for line in below if id(line) in inside]
    if not one or not two:
        return not one
    spans = _columns([*one, *two])
    n_most = max(len(_columns(one)), len(_columns(two)))
    return len(spans) <= n_most and _is_even(one, spans) and _is_even(two, spans)
