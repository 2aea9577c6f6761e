"""What commands print: plain text, tables, JSON. Strangers' names are made harmless on the way.

rich is imported only where a table or colour is wanted on a terminal.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence

from knobwright.core.errors import printable


def line(text: str = "") -> None:
    """Print one line to standard output, control characters written out."""
    print(printable(text))


def json_object(value: object) -> None:
    """Print one JSON value, indented; records become objects, bytes become hex.

    What is not printable is written as an escape: JSON is read on terminals, too.
    """
    import msgspec

    from knobwright.exports.json_text import json_text

    plain = msgspec.to_builtins(value, enc_hook=_plain, builtin_types=(bytes,), str_keys=True)
    print(json_text(plain, default=_plain))


def _plain(value: object) -> object:
    if isinstance(value, bytes):
        return value.hex(" ").upper()
    if isinstance(value, frozenset | set):
        return sorted(value)
    raise TypeError(f"{type(value).__name__} can't be written as JSON")


def table(header: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print a table: by rich on a terminal, plain columns parted by two blanks elsewhere."""
    safe = [[printable(cell) for cell in row] for row in rows]
    if sys.stdout.isatty():
        _rich_table(header, safe)
    else:
        _plain_table(header, safe)


def _rich_table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    from rich.box import SIMPLE
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    shown = Table(box=SIMPLE, pad_edge=False)
    for name in header:
        shown.add_column(name, overflow="fold")
    for row in rows:
        shown.add_row(*(Text(cell) for cell in row))
    Console().print(shown)


def _plain_table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    widths = [max(map(len, column)) for column in zip(header, *rows, strict=True)]
    for row in (header, *rows):
        cells = (cell.ljust(width) for cell, width in zip(row, widths, strict=True))
        print("  ".join(cells).rstrip())


def count(n: int, one: str, many: str = "") -> str:
    """Return a number with its noun: ``1 question``, ``2 questions``."""
    return f"{n} {one if n == 1 else many or one + 's'}"


def hex_short(data: bytes, n_most: int = 24) -> str:
    """Return bytes as hex words; of a long message the first ones and its length."""
    text = data[:n_most].hex(" ").upper()
    return text if len(data) <= n_most else f"{text} ... ({len(data)} bytes)"
