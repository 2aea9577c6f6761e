"""A survey as a Parquet file, by pyarrow (the extra ``tables``)."""

from __future__ import annotations

import io
from collections.abc import Iterable
from importlib import import_module
from typing import Any

from knobwright.core.errors import InputError
from knobwright.core.fitting.row import COLUMNS, KEY, TEXT, WHOLE, SurveyRow, make_row, row_values

#: Rows that are written as one group.
_GROUP = 50_000


def need() -> tuple[Any, Any]:
    """Return pyarrow and its module for Parquet.

    Raises
    ------
    InputError
        They are not installed; the message says how to install them.
    """
    try:
        return import_module("pyarrow"), import_module("pyarrow.parquet")
    except ImportError as error:
        raise InputError(
            "a Parquet table needs the module 'pyarrow'",
            hint="pip install 'knobwright[tables]', or name a table that ends in .csv or .jsonl",
        ) from error


def write_parquet(rows: Iterable[SurveyRow]) -> bytes:
    """Return a table: texts, whole numbers of 64 bits and decimals of 64 bits, nulls where a
    figure is not known.

    Raises
    ------
    InputError
        pyarrow is not installed.
    """
    arrow, parquet = need()
    kinds = {TEXT: arrow.string(), WHOLE: arrow.int64()}
    schema = arrow.schema(
        [(name, kinds.get(kind, arrow.float64())) for name, kind in COLUMNS.items()]
    )
    table = arrow.Table.from_pylist([row_values(row) for row in rows], schema=schema)
    out = io.BytesIO()
    parquet.write_table(table, out, row_group_size=_GROUP)
    return out.getvalue()


def read_parquet(data: bytes) -> list[SurveyRow]:
    """Return the rows of a table; none where it has the columns of another version.

    Raises
    ------
    InputError
        pyarrow is not installed, or the bytes are no survey.
    """
    arrow, parquet = need()
    try:
        file = parquet.ParquetFile(io.BytesIO(data))
        names = file.schema_arrow.names
        lost = [name for name in KEY if name not in names]
        if lost:
            raise InputError(f"a survey has the column {lost[0]}, and this table has none")
        if names != list(COLUMNS):
            return []
        found = file.read().to_pylist()
    except (arrow.ArrowException, OSError) as error:
        raise InputError("this is no Parquet table that can be read") from error
    rows = [make_row(values) for values in found]
    return [row for row in rows if row is not None]
