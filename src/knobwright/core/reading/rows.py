"""A leaflet as rows of cells, each with its place: what every dialect reads.

Whatever the leaflet was (pasted text, CSV, Markdown, a PDF with a text layer), it becomes one
:class:`Leaflet` of :class:`Row` records in the order of print.
"""

from __future__ import annotations

from typing import NamedTuple


class Row(NamedTuple):
    """One printed row.

    ``page`` counts from 1 (0 where the source has no pages), ``number`` from 1 within the page.
    ``cells`` are the texts of the row's cells, blank at both ends removed; a table keeps empty
    cells so that ``cells[i]`` stands in column ``i``, plain text holds none. ``columns`` gives for
    each cell the character position at which it starts (plain text and PDF layout text; empty
    otherwise). ``kind`` is ``heading``, ``table`` or ``text``; ``table`` is the number of the table
    that the row belongs to (0 for none) and ``header`` that table's header cells where the source
    marks them.
    """

    page: int
    number: int
    cells: tuple[str, ...]
    columns: tuple[int, ...] = ()
    kind: str = "text"
    table: int = 0
    header: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """Return the row as one string, cells parted by two blanks."""
        return "  ".join(cell for cell in self.cells if cell)

    @property
    def place(self) -> str:
        """Return the place in words: ``page 4, row 12``, or ``row 12`` where there are no pages."""
        return f"page {self.page}, row {self.number}" if self.page else f"row {self.number}"


class Leaflet(NamedTuple):
    """A whole leaflet: ``name`` (of the file), ``source`` (text, csv, markdown or pdf) and rows."""

    name: str
    source: str
    rows: tuple[Row, ...]
