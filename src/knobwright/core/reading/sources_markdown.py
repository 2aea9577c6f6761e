"""Markdown to rows: headings, pipe tables, and everything else as printed lines."""

from __future__ import annotations

import re
from collections.abc import Iterator

from knobwright.core.reading.rows import Row
from knobwright.core.reading.sources_chars import fold
from knobwright.core.reading.sources_grid import Grid
from knobwright.core.reading.sources_lines import MAX_CELLS

_HEADING = re.compile(r" {0,3}(#{1,6})(?:[ \t]+(.*))?\Z")
_CLOSING = re.compile(r"(?:\A|[ \t])#+\Z")
_FENCE = re.compile(r" {0,3}(`{3,}|~{3,})")
_DELIMITER = re.compile(r"[ \t]*:?-+:?[ \t]*\Z")
_MARKER = re.compile(r"[ \t]*(?:>[ \t]?)*[ \t]*(?:[-+*][ \t]+)?")
_CODE = re.compile(r"(?<!`)(`+)([^`]+)\1(?!`)")
_STRONG = re.compile(r"\*\*(?=\S)([^*]+)(?<=\S)\*\*|(?<!\w)__(?=\S)([^_]+)(?<=\S)__(?!\w)")
_EMPHASIS = re.compile(
    r"(?<![\w*\\])\*(?=[^\s*])([^*]*[^\s*\\])\*(?![\w*])|(?<![\w\\])_(?=[^\s_])([^_]*[^\s_])_(?!\w)"
)
_LINK = re.compile(r"!?\[([^\[\]]*)\]\((?:https?:|#|\./|mailto:)[^\s()]*\)")
_BREAK = re.compile(r"<br[ ]*/?>", re.IGNORECASE)
_ESCAPE = re.compile(r"\\([!-/:-@\[-`{-~])")
_ENTITY = re.compile(r"&(?:#\d{1,7}|#[xX][0-9A-Fa-f]{1,6}|[A-Za-z]\w{1,30});")


def markdown_rows(lines: list[str], name: str) -> list[Row]:
    """Return the rows of cleaned Markdown lines; row numbers are line numbers."""
    rows: list[Row] = []
    grid = Grid(name)
    loose: list[tuple[int, str]] = []
    for start, stop, kind in _segments(lines):
        if kind == "loose":
            loose += [(i + 1, _loose(lines[i])) for i in range(start, stop)]
            continue
        if kind == "code":
            loose += [(i + 1, lines[i]) for i in range(start, stop)]
            continue
        rows += grid.rows(loose)
        loose = []
        if kind == "heading":
            rows.append(Row(0, start + 1, (_heading_text(lines[start]),), (), "heading"))
        elif kind == "table":
            grid.n_tables += 1
            rows += _table(lines, start, stop, grid.n_tables)
    rows += grid.rows(loose)
    return [row for row in rows if any(row.cells)]


def _segments(lines: list[str]) -> Iterator[tuple[int, int, str]]:
    """Yield (first line, line after the last, kind) of headings, tables, code and the rest."""
    i = 0
    while i < len(lines):
        fence = _FENCE.match(lines[i])
        if fence:
            close = next(
                (j for j in range(i + 1, len(lines)) if _closes(lines[j], fence)), len(lines)
            )
            yield i + 1, close, "code"
            i = close + 1
        elif (heading := _HEADING.match(lines[i])) and (heading.group(2) or "").strip():
            yield i, i + 1, "heading"
            i += 1
        elif (stop := table_end(lines, i)) > i:
            yield i, stop, "table"
            i = stop
        else:
            yield i, i + 1, "loose"
            i += 1


def _closes(line: str, fence: re.Match[str]) -> bool:
    text = line.strip()
    mark = fence.group(1)
    return len(text) >= len(mark) and set(text) == {mark[0]}


def table_end(lines: list[str], at: int) -> int:
    """Return the line after a pipe table that begins at line ``at``, or ``at`` where none does.

    A pipe table is a row with bars, then a row of dashes with as many cells.
    """
    if at + 1 >= len(lines) or "|" not in lines[at] or "-" not in lines[at + 1]:
        return at
    marks = pipe_cells(lines[at + 1])
    if not all(_DELIMITER.match(mark) for mark in marks) or "|" not in lines[at + 1]:
        return at
    if not 1 <= len(marks) == len(pipe_cells(lines[at])) <= MAX_CELLS:
        return at
    stop = at + 2
    while stop < len(lines) and "|" in lines[stop]:
        stop += 1
    return stop


def _table(lines: list[str], start: int, stop: int, number: int) -> list[Row]:
    header = tuple(plain(cell) for cell in pipe_cells(lines[start]))
    rows = [Row(0, start + 1, header, (), "table", number, header)]
    for i in range(start + 2, stop):
        cells = tuple(plain(cell) for cell in pipe_cells(lines[i]))
        rows.append(Row(0, i + 1, cells, (), "table", number, header))
    return rows


def pipe_cells(line: str) -> list[str]:
    r"""Return the cells of a pipe-table row as written; ``\|`` is a bar inside a cell."""
    cells = [""]
    text = line.strip().replace("\uff5c", "|")
    parts = re.split(r"(\\.|\|)", text)
    for part in parts:
        if part == "|":
            cells.append("")
        else:
            cells[-1] += "|" if part == "\\|" else part
    if len(cells) > 1 and not cells[0].strip():
        cells.pop(0)
    if len(cells) > 1 and not cells[-1].strip():
        cells.pop()
    return cells


def _heading_text(line: str) -> str:
    found = _HEADING.match(line)
    return plain(_CLOSING.sub("", (found.group(2) if found else line).strip()))


def _loose(line: str) -> str:
    """Return an ordinary line without list marks, its gaps kept so that columns still line up."""
    marker = _MARKER.match(line)
    lead = marker.end() if marker else 0
    return line[:lead].translate(_NO_MARKS) + marked(line[lead:])


_NO_MARKS = {ord(c): " " for c in "-+*>"}


def plain(cell: str) -> str:
    """Return the text of a cell without emphasis, code and link marks, blanks made single."""
    return fold(" ".join(marked(cell).split()))


def marked(text: str) -> str:
    """Return ``text`` without Markdown's marks; the ``*`` of a word such as ``data*`` stays."""
    if not any(c in text for c in "*_`[\\<&"):
        return text
    text = _BREAK.sub(" ", text)
    kept: list[str] = []
    at = 0
    for code in _CODE.finditer(text):
        kept += [_unmark(text[at : code.start()]), code.group(2)]
        at = code.end()
    kept.append(_unmark(text[at:]))
    return "".join(kept)


def _unmark(text: str) -> str:
    text = _LINK.sub(r"\1", text)
    text = _STRONG.sub(lambda m: m.group(1) or m.group(2), text)
    text = _EMPHASIS.sub(lambda m: m.group(1) or m.group(2), text)
    if "&" in text:
        import html

        text = _ENTITY.sub(lambda m: html.unescape(m.group()), text)
    return _ESCAPE.sub(r"\1", text)
