"""A survey as CSV that a spreadsheet can open without obeying it.

A name in a stranger's song may be a formula. So a quotation mark ``'`` is put in front of every
``= + - @`` (and of ``'`` itself, so that it can be taken away again) where a cell could begin: at
the start of a text, and behind what some programs take for the end of a cell. Source: OWASP, "CSV
Injection" (from memory), which names these characters, tabulator and line ends, and their wide
forms. Texts hold no control characters at all: they are written out before.

The form is that of RFC 4180: UTF-8, a header, commas, texts in double quotes, CR LF.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

from knobwright.core.errors import InputError
from knobwright.core.fitting.row import COLUMNS, KEY, TEXT, WHOLE, SurveyRow, make_row, row_values

_BEGINS = r"((?:^|[;,|\t\"])\s*)"
_OBEYED = "=+@'＝＋－＠-"
_WRITE = re.compile(f"{_BEGINS}([{_OBEYED}])")
_READ = re.compile(f"{_BEGINS}'")
#: Longest cell that is read, in characters.
_MAX_CELL = 1_000_000


def harmless(text: str) -> str:
    """Return a text that no spreadsheet takes for a formula."""
    return _WRITE.sub(r"\1'\2", text)


def as_it_was(cell: str) -> str:
    """Return the text of which :func:`harmless` made the cell."""
    return _READ.sub(r"\1", cell)


def write_csv(rows: Iterable[SurveyRow]) -> bytes:
    """Return a table with its header."""
    out = io.StringIO()
    # Texts are quoted always, so that no separator in them is taken for the end of a cell.
    writer = csv.writer(out, quoting=csv.QUOTE_NONNUMERIC, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([_cell(value) for value in row_values(row).values()])
    return out.getvalue().encode("utf-8")


def read_csv(data: bytes) -> list[SurveyRow]:
    """Return the rows of a table; none where it has the columns of another version.

    Raises
    ------
    InputError
        It is no survey: the message names the line.
    """
    text = data.decode("utf-8-sig", "replace")
    before = csv.field_size_limit(_MAX_CELL)
    try:
        return _read(csv.reader(io.StringIO(text, newline="")))
    except csv.Error as error:
        raise InputError(f"this is no table in CSV: {error}") from error
    finally:
        csv.field_size_limit(before)


def _read(lines: Iterable[list[str]]) -> list[SurveyRow]:
    rows: list[SurveyRow] = []
    names: Sequence[str] = ()
    for number, cells in enumerate(lines, 1):
        if not names:
            names = cells
            lost = [name for name in KEY if name not in names]
            if lost:
                raise InputError(f"a survey has the column {lost[0]}, and this table has none")
            if names != list(COLUMNS):
                return []
            continue
        if len(cells) != len(names):
            raise InputError(f"row {number} has {len(cells)} cells, and the header {len(names)}")
        try:
            row = make_row(
                {name: _value(name, cell) for name, cell in zip(names, cells, strict=True)}
            )
        except ValueError as error:
            raise InputError(f"row {number} holds no number where one is expected") from error
        assert row is not None
        rows.append(row)
    return rows


def _cell(value: object) -> object:
    return harmless(value) if isinstance(value, str) else value


def _value(name: str, cell: str) -> object:
    kind = COLUMNS[name]
    if kind == TEXT:
        return as_it_was(cell)
    if cell == "":
        return None
    return int(cell) if kind == WHOLE else float(cell)
