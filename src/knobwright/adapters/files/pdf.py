"""PDF leaflets to rows: text by pypdf, cells of ruled tables by pdfplumber where it is there."""

from __future__ import annotations

import io
import logging
import time
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any, NamedTuple

from knobwright.adapters.files.pdf_glyphs import (
    UNKNOWN,
    Glyph,
    NoFontTablesError,
    PageError,
    read_page,
)
from knobwright.adapters.files.pdf_lines import (
    PrintedLine,
    grid_lines,
    heading_lines,
    layout_lines,
    page_scale,
    printed_lines,
    running_lines,
)
from knobwright.adapters.files.pdf_tables import (
    MAX_RULES,
    MIN_RULES,
    RuledTable,
    holds_line,
    open_plumber,
    ruled_tables,
)
from knobwright.adapters.files.pdf_wraps import continued, join_tight
from knobwright.core.errors import LeafletError
from knobwright.core.reading.rows import Leaflet, Row
from knobwright.core.reading.sources_chars import MAX_BYTES, too_big
from knobwright.core.reading.sources_grid import Grid, mark_header
from knobwright.core.reading.sources_header import looks_like_header

MAX_PAGES = 500
MAX_SECONDS = 60.0
_SLACK = 1
_LOGGERS = ("pypdf", "pdfminer", "pdfplumber")


class _Page(NamedTuple):
    """One page as read: its size, characters, lines and ruled tables."""

    height: float
    glyphs: list[Glyph]
    lines: list[PrintedLine]
    n_rules: int
    tables: list[RuledTable]


def read(data: bytes, name: str, *, progress: Callable[[int, int], None] | None = None) -> Leaflet:
    """Return a PDF's text as rows, page by page.

    Parameters
    ----------
    data : bytes, at most 32 MiB
        The file.
    name : str
        Its name, for places.
    progress : function of (done, total), optional
        Called after each page.

    Raises
    ------
    LeafletError
        It is encrypted, damaged, has no text layer, or goes beyond the limits.
    """
    if len(data) > MAX_BYTES:
        raise too_big(len(data), name)
    deadline = time.monotonic() + MAX_SECONDS
    with _quiet():
        document = _open(data, name)
        pages = _read_pages(document, data, name, progress, deadline)
    rows = _rows(pages, name)
    if not rows:
        n_pages = "one page" if len(pages) == 1 else f"{len(pages)} pages"
        raise LeafletError(
            f"has no text on its {n_pages}: it is a scan",
            where=name,
            hint="add a text layer by text recognition, or type the lines into a text file",
        )
    _check_readable(pages, name)
    return Leaflet(name, "pdf", tuple(rows))


def _check_readable(pages: Sequence[_Page], name: str) -> None:
    """Raise a LeafletError where the fonts don't name a good part of the characters."""
    n_all = n_unknown = 0
    for page in pages:
        n_all += len(page.glyphs)
        n_unknown += sum(glyph.text == UNKNOWN for glyph in page.glyphs)
    if n_unknown * 4 > n_all:
        raise LeafletError(
            f"shows {n_all} characters and its fonts don't say which {n_unknown} of them are",
            where=name,
            hint="run text recognition on it, or type the lines into a text file",
        )


@contextmanager
def _quiet() -> Iterator[None]:
    """Keep the parsers' own warnings off standard error; ours say what matters."""
    levels = [(logger := logging.getLogger(name), logger.level) for name in _LOGGERS]
    for logger, _ in levels:
        logger.setLevel(logging.CRITICAL + 1)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        for logger, level in levels:
            logger.setLevel(level)


def _open(data: bytes, name: str) -> Any:
    """Return the opened document, its empty password tried.

    Raises
    ------
    LeafletError
        It is damaged, encrypted, or has too many pages.
    """
    import pypdf

    try:
        document = pypdf.PdfReader(io.BytesIO(data))
        is_locked = document.is_encrypted and not document.decrypt("")
        n_pages = 0 if is_locked else len(document.pages)
    except pypdf.errors.DependencyError as error:
        raise _locked(name) from error
    except Exception as error:  # a parser's error of any kind means a damaged file
        raise _damaged(error, name) from error
    if is_locked:
        raise _locked(name)
    if n_pages == 0:
        raise LeafletError("is a PDF without pages", where=name, hint="fetch the file again")
    if n_pages > MAX_PAGES:
        raise LeafletError(
            f"has {n_pages} pages; a leaflet may have {MAX_PAGES}",
            where=name,
            hint="give only the pages that hold the MIDI implementation",
        )
    return document


def _locked(name: str) -> LeafletError:
    return LeafletError(
        "is encrypted: its text can't be read without its password",
        where=name,
        hint="open it in a PDF viewer, print it to a new PDF without a password, and give that one",
    )


def _damaged(error: BaseException, where: str) -> LeafletError:
    if isinstance(error, RecursionError):
        reason = "its objects are nested too deeply"
    elif isinstance(error, MemoryError):
        reason = "it needs too much memory"
    else:
        reason = " ".join(str(error).split())[:120] or type(error).__name__
    return LeafletError(
        f"is a damaged PDF: {reason}",
        where=where,
        hint="fetch it again, or print it to a new PDF from a viewer that shows it",
    )


def _read_pages(
    document: Any,
    data: bytes,
    name: str,
    progress: Callable[[int, int], None] | None,
    deadline: float,
) -> list[_Page]:
    """Return every page; pdfplumber is opened at the first page with ruled lines.

    Raises
    ------
    LeafletError
        A page is damaged or goes beyond the limits; the page is named.
    """
    total = len(document.pages)
    pages: list[_Page] = []
    plumber: Any = None
    is_tried = False
    for index in range(total):
        page = _read_page(document, index, name, deadline)
        if MIN_RULES <= page.n_rules <= MAX_RULES and time.monotonic() < deadline:
            if not is_tried:
                plumber, is_tried = open_plumber(data), True
            if plumber is not None:
                tables = ruled_tables(plumber, index, page.glyphs, page.height)
                page = page._replace(tables=tables)
        pages.append(page)
        if progress is not None:
            progress(index + 1, total)
    return pages


def _read_page(document: Any, index: int, name: str, deadline: float) -> _Page:
    """Return one page without its ruled tables."""
    where = f"{name}, page {index + 1}"
    try:
        page = document.pages[index]
        height = _height(page)
        try:
            found = read_page(page, deadline=deadline)
        except NoFontTablesError:
            return _Page(
                height, [], layout_lines(page.extract_text(extraction_mode="layout")), 0, []
            )
        return _Page(height, found.glyphs, printed_lines(found.glyphs), found.n_rules, [])
    except PageError as error:
        raise LeafletError(str(error), where=where, hint=error.hint) from error
    except Exception as error:  # a parser's error of any kind means a damaged page
        raise _damaged(error, where) from error


def _height(page: Any) -> float:
    """Return the height of a page as it is shown, in points."""
    box = page.mediabox
    is_turned = int(page.get("/Rotate", 0) or 0) % 180 == 90
    return float(box.width if is_turned else box.height)


def _rows(pages: Sequence[_Page], name: str) -> list[Row]:
    """Return the rows of all pages, running heads and feet left out."""
    rows: list[Row] = []
    n_tables = 0
    dropped = running_lines([page.lines for page in pages])
    for number, (page, running) in enumerate(zip(pages, dropped, strict=True), 1):
        grid = Grid(name, number, _SLACK)
        grid.n_tables = n_tables
        rows += continued(rows, _page_rows(page, running, grid))
        n_tables = grid.n_tables
    return rows


def _page_rows(page: _Page, running: set[int], grid: Grid) -> list[Row]:
    """Return a page's rows in the order of print: ruled tables, and the lines between them.

    A row's number counts the printed lines of its page; a table's row has that of its first line.
    """
    rows: list[Row] = []
    loose: list[tuple[int, PrintedLine]] = []
    done: set[int] = set()
    scale = page_scale(page.lines)

    titles = {index + 1 for index in heading_lines(page.lines)}

    def flush() -> None:
        lines = [line for _, line in loose]
        numbers = [number for number, _ in loose]
        heights = {number: (line.y, line.size) for number, line in loose}
        found = join_tight(grid.rows_of(grid_lines(lines, numbers, scale)), heights)
        rows.extend(as_heading(row) if row.number in titles else row for row in found)
        loose.clear()

    for index, line in enumerate(page.lines):
        at = _table_at(page, line)
        if at is None:
            if index not in running:
                loose.append((index + 1, line))
        elif at not in done:
            flush()
            done.add(at)
            rows += _table_rows(page, at, grid, scale)
    flush()
    return rows


def as_heading(row: Row) -> Row:
    """Return a row of one plain text as a heading; any other as it is."""
    is_lone = row.kind == "text" and len(row.cells) == 1
    return row._replace(kind="heading", table=0, header=()) if is_lone else row


def _table_at(page: _Page, line: PrintedLine) -> int | None:
    """Return the index of the ruled table that a line stands in, or None."""
    x0, x1 = line.cells[0].x0, line.cells[0].x1
    for index, table in enumerate(page.tables):
        if holds_line(table, x0, x1, line.y, line.size, page.height):
            return index
    return None


def _table_rows(page: _Page, at: int, grid: Grid, scale: tuple[float, float]) -> list[Row]:
    """Return the rows of a ruled table; empty ones are left out."""
    table = page.tables[at]
    grid.n_tables += 1
    left, unit = scale
    columns = tuple(max(0, round((x - left) / unit)) for x in table.lefts)
    rows = []
    for cells, box in zip(table.rows, table.boxes, strict=True):
        tops = [
            index
            for index, line in enumerate(page.lines)
            if box[1] <= page.height - line.y - 0.3 * line.size < box[3]
        ]
        rows.append(
            Row(grid.page, (tops[0] if tops else 0) + 1, cells, columns, "table", grid.n_tables)
        )
    n_header = table.n_header
    if n_header and looks_like_header(table.rows[0], table.rows[n_header : n_header + 5]):
        rows = [rows[0]._replace(cells=table.header), *rows[n_header:]]
        rows = [row._replace(header=table.header) for row in rows]
    else:
        rows = mark_header(rows)
    return [row for row in rows if any(row.cells)]
