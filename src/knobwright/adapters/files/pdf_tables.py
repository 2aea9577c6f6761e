"""Ruled tables of a PDF page: each cell's text, wrapped lines joined (needs pdfplumber)."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

from knobwright.adapters.files.pdf_glyphs import Glyph
from knobwright.adapters.files.pdf_lines import printed_lines

MIN_RULES = 4  # fewer ruled lines than this can't enclose a cell
MAX_RULES = 5_000  # more than this is a drawing: looking for cells would take minutes

Box = tuple[float, float, float, float]
Cells = list[Box | None]


class RuledTable(NamedTuple):
    """A ruled table: its box in points from the page's top left, texts and boxes of rows.

    A cell that spans rows gives its text to each of them; one that spans columns to its first.
    ``lefts`` are the left edges of the columns. ``header`` is that of a table whose first
    ``n_header`` rows make one of two levels (0 rows for any other).
    """

    box: Box
    rows: tuple[tuple[str, ...], ...]
    boxes: tuple[Box, ...]
    lefts: tuple[float, ...]
    n_header: int = 0
    header: tuple[str, ...] = ()


def open_plumber(data: bytes) -> Any:
    """Return an open pdfplumber document, or None where pdfplumber is missing or can't read it."""
    try:
        import io

        import pdfplumber
    except ImportError:
        return None
    try:
        return pdfplumber.open(io.BytesIO(data))
    except Exception:  # noqa: BLE001 - a parser's error of any kind: the rows are taken instead
        return None


def ruled_tables(
    plumber: Any, index: int, glyphs: Sequence[Glyph], height: float
) -> list[RuledTable]:
    """Return the ruled tables of page ``index`` with the texts of ``glyphs`` in their cells.

    Parameters
    ----------
    plumber : pdfplumber.PDF
        The open document: it only says where cells are.
    index : int >= 0
        The page.
    glyphs : sequence of Glyph
        The page's characters, baselines counted upwards from its lower edge.
    height : float, points
        The page's height.
    """
    try:
        page = plumber.pages[index]
        found = [
            (table.bbox, [list(row.cells) for row in table.rows]) for table in page.find_tables()
        ]
        page.close()
    except Exception:  # noqa: BLE001 - a parser's error of any kind: the rows are taken instead
        return []
    tables: list[RuledTable] = []
    for box, cells in found:
        table = _table(box, cells, glyphs, height)
        if table is not None and not any(_inside(table.box, other.box) for other in tables):
            tables.append(table)
    return sorted(tables, key=lambda table: (table.box[1], table.box[0]))


def _table(
    box: Box, cells: list[Cells], glyphs: Sequence[Glyph], height: float
) -> RuledTable | None:
    """Return a table with its texts, or None where it is a mere frame or misses characters."""
    n_columns = max((len(row) for row in cells), default=0)
    if n_columns < 2 or len(cells) < 2:
        return None
    own = [g for g in glyphs if g.turn == 0 and _holds(box, g, height)]
    texts: dict[Box, str] = {}
    n_placed = 0
    for cell in {cell for row in cells for cell in row if cell is not None}:
        inside = [g for g in own if _holds(cell, g, height)]
        n_placed += len(inside)
        texts[cell] = " ".join(" ".join(line.text for line in printed_lines(inside)).split())
    if not own or n_placed != len(own):
        return None  # characters in no cell, or in two: not the grid that is printed
    lefts = [
        min(
            (cell[0] for row in cells for cell in row[c : c + 1] if cell is not None),
            default=box[0],
        )
        for c in range(n_columns)
    ]
    owners = [[_owner(r, c, cells, lefts) for c in range(n_columns)] for r in range(len(cells))]
    rows = tuple(
        tuple(texts[o.cell] if o and o.column == c else "" for c, o in enumerate(row))
        for row in owners
    )
    boxes = tuple(_row_box(row, box) for row in cells)
    n_header = _n_header_rows(owners)
    header = tuple(
        _header_text([row[c] for row in owners[:n_header]], texts) for c in range(n_columns)
    )
    return RuledTable(box, rows, boxes, tuple(lefts), n_header, header if n_header else ())


class _Owner(NamedTuple):
    """The cell that covers a place of the grid, and the row and column where it begins."""

    cell: Box
    row: int
    column: int


def _owner(r: int, c: int, cells: list[Cells], lefts: Sequence[float]) -> _Owner | None:
    """Return what covers row ``r``, column ``c``: its own cell, or one above or left of it."""
    own = cells[r][c] if c < len(cells[r]) else None
    if own is not None:
        return _Owner(own, r, c)
    present = [cell for cell in cells[r] if cell is not None]
    if not present:
        return None
    x = lefts[c] + 0.5
    y = (present[0][1] + min(cell[3] for cell in present)) / 2
    for row in range(r, -1, -1):
        for column in range(min(c, len(cells[row]) - 1), -1, -1):
            cell = cells[row][column]
            if cell is not None and cell[0] <= x < cell[2] and cell[1] <= y < cell[3]:
                return _Owner(cell, row, column)
    return None


def _n_header_rows(owners: list[list[_Owner | None]]) -> int:
    """Return how many rows a header of two levels has, 0 where the first row is an ordinary one.

    Its first row has a cell over several columns and others that go down over all its rows.
    """
    if len(owners[0]) < 3:
        return 0
    first = [owner.cell for owner in owners[0] if owner]
    n_rows = 1
    while n_rows < len(owners) and any(o and o.row == 0 for o in owners[n_rows]):
        n_rows += 1
    is_wide = len(set(first)) < len(first)
    return n_rows if is_wide and 2 <= n_rows <= 3 and n_rows < len(owners) else 0


def _header_text(owners: Sequence[_Owner | None], texts: dict[Box, str]) -> str:
    """Return the header of one column: the texts of its levels, from the top."""
    cells = list(dict.fromkeys(owner.cell for owner in owners if owner))
    return " ".join(text for cell in cells if (text := texts[cell]))


def _row_box(row: Cells, box: Box) -> Box:
    real = [cell for cell in row if cell is not None]
    if not real:
        return box
    return (box[0], min(c[1] for c in real), box[2], min(c[3] for c in real))


def _holds(box: Box, glyph: Glyph, height: float) -> bool:
    """Return whether the middle of a glyph lies in a box."""
    x, y = (glyph.x0 + glyph.x1) / 2, height - glyph.y - 0.3 * glyph.size
    return box[0] <= x < box[2] and box[1] <= y < box[3]


def holds_line(
    table: RuledTable, x0: float, x1: float, y: float, size: float, height: float
) -> bool:
    """Return whether the middle of a printed line lies in a table."""
    return _holds(table.box, Glyph("", x0, x1, y, size), height)


def _inside(box: Box, other: Box) -> bool:
    return (
        box[0] >= other[0] - 1
        and box[1] >= other[1] - 1
        and box[2] <= other[2] + 1
        and box[3] <= other[3] + 1
    )
