"""A survey as JSON lines: one object a song, all its columns in order."""

from __future__ import annotations

import json
from collections.abc import Iterable

from knobwright.core.errors import InputError
from knobwright.core.fitting.row import SurveyRow, make_row, row_values


def write_line(row: SurveyRow) -> str:
    """Return a row as one line of JSON, without its end; only printable characters of ASCII."""
    return json.dumps(row_values(row))


def read_line(line: str) -> SurveyRow | None:
    """Return the row in a line; ``None`` where it has the columns of another version.

    Raises
    ------
    InputError
        The line is no row of a survey.
    """
    try:
        values = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise InputError(f"a line of JSON is expected, found {line[:40]!r}") from error
    if not isinstance(values, dict):
        raise InputError(f"a JSON object is expected, found {line[:40]!r}")
    return make_row(values)


def write_lines(rows: Iterable[SurveyRow]) -> bytes:
    """Return a table, one line a row."""
    return "".join(f"{write_line(row)}\n" for row in rows).encode("ascii")


def read_lines(data: bytes) -> list[SurveyRow]:
    """Return the rows of a table; those with the columns of another version are left out.

    Raises
    ------
    InputError
        It is no survey: the message names the line.
    """
    rows = []
    for number, line in enumerate(data.decode("utf-8", "replace").split("\n"), 1):
        if not line.strip():
            continue
        try:
            row = read_line(line)
        except InputError as error:
            raise InputError(f"line {number}: {error.message}") from error
        if row is not None:
            rows.append(row)
    return rows
