"""Pasted or decoded leaflets to rows: plain text, CSV, Markdown.

What the rows promise, besides what :class:`~knobwright.core.reading.rows.Row` says:

* ``number`` is the line of the file. A header that the source marks is itself a row, with
  ``row.cells == row.header``, so that nothing is lost where it was no header after all.
* Plain text becomes ``kind="table"`` with empty cells kept only where the columns are certain:
  cells parted by bars, one tab each, or columns that stay blank all the way down. Other lines
  keep their cells and columns; those of one block with several cells share a ``table`` number.
* Frame lines go; every other character that is not a blank is in some cell.
"""

from __future__ import annotations

import re

from knobwright.core.errors import LeafletError
from knobwright.core.reading.rows import Leaflet, Row
from knobwright.core.reading.sources_chars import decode, lines_of
from knobwright.core.reading.sources_csv import records, sniff, table_rows
from knobwright.core.reading.sources_grid import Grid
from knobwright.core.reading.sources_header import looks_like_header
from knobwright.core.reading.sources_lines import MAX_ROWS
from knobwright.core.reading.sources_markdown import markdown_rows, table_end

__all__ = ["decode", "read_any", "read_csv", "read_markdown", "read_text"]

_HEADING = re.compile(r"#{1,6} +\S")
_N_LOOKED_AT = 2000  # lines that decide what a pasted text is


def read_text(text: str, name: str) -> Leaflet:
    """Return a plain text as rows.

    Parameters
    ----------
    text : str, at most 32 Mi characters
        The leaflet.
    name : str
        Its name, for places.

    Raises
    ------
    LeafletError
        No text in it, a NUL character, a row or a leaflet beyond the limits.
    """
    lines = lines_of(text, name)
    _check_rows(lines, name)
    return _leaflet(Grid(name).rows(enumerate(lines, 1)), name, "text")


def read_csv(text: str, name: str) -> Leaflet:
    """Return a table with a delimiter (comma, semicolon, tab or bar, found out) as rows.

    Raises
    ------
    LeafletError
        As `read_text`.
    """
    lines = lines_of(text, name)
    _check_rows(lines, name)
    found = records(lines, sniff(lines, name) or ",", name)
    return _leaflet(table_rows(found, name), name, "csv")


def read_markdown(text: str, name: str) -> Leaflet:
    """Return a Markdown text as rows: headings, pipe tables, and the other lines as printed.

    Raises
    ------
    LeafletError
        As `read_text`.
    """
    lines = lines_of(text, name)
    _check_rows(lines, name)
    return _leaflet(markdown_rows(lines, name), name, "markdown")


def read_any(text: str, name: str) -> Leaflet:
    """Return a pasted text as rows: Markdown, a delimited table or plain text, as it looks.

    Raises
    ------
    LeafletError
        As `read_text`.
    """
    lines = lines_of(text, name)
    head = lines[:_N_LOOKED_AT]
    if _is_markdown(head):
        return read_markdown(text, name)
    if _is_delimited(head, name):
        return read_csv(text, name)
    return read_text(text, name)


def _is_markdown(lines: list[str]) -> bool:
    if any(line.startswith("```") for line in lines):
        return True
    if any(table_end(lines, at) > at for at in range(len(lines))):
        return True
    return any(_HEADING.match(line) for line in lines)


def _is_delimited(lines: list[str], name: str) -> bool:
    """Return whether a header row names columns and most rows have as many cells.

    Commas also stand in prose and between bytes, so that the header is asked for.
    """
    delimiter = sniff(lines, name)
    if delimiter in ("", "|"):
        return False
    rows = [record.cells for record in records(lines, delimiter, name) if len(record.cells) > 1]
    texts = sum(bool(line.strip()) for line in lines)
    if len(rows) < 2 or len(rows) * 5 < texts * 3:
        return False
    n_same = sum(len(row) == len(rows[0]) for row in rows)
    return n_same * 5 >= len(rows) * 4 and looks_like_header(rows[0], rows[1:6])


def _check_rows(lines: list[str], name: str) -> None:
    n_rows = sum(bool(line) for line in lines)
    if n_rows > MAX_ROWS:
        raise LeafletError(
            f"a leaflet may have {MAX_ROWS} rows; this one has {n_rows}",
            where=name,
            hint="give only the pages that hold the MIDI implementation",
        )


def _leaflet(rows: list[Row], name: str, source: str) -> Leaflet:
    if not rows:
        raise LeafletError(
            "holds no text",
            where=name,
            hint="give the leaflet as text, CSV, Markdown or a PDF with a text layer",
        )
    return Leaflet(name, source, tuple(rows))
