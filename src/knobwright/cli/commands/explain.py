"""``knobwright explain``: bytes, a .syx file or a line template in words."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import click

from knobwright.cli import show
from knobwright.cli.exits import FINDINGS, FINE
from knobwright.core.errors import InputError, LineError

if TYPE_CHECKING:
    from knobwright.core.codec.explain import Explained
    from knobwright.core.codec.plan import Codec

#: Largest file that is explained, in bytes.
MAX_BYTES = 4 * 1024 * 1024


@click.command("explain")
@click.option("--sheet", metavar="SHEET", help="Tell by this sheet's names what is set.")
@click.option("--file", "path", metavar="FILE", help="Explain a file: raw bytes, .syx or hex text.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON list.")
@click.argument("words", nargs=-1, metavar="[BYTES]...")
def command(sheet: str | None, path: str | None, as_json: bool, words: tuple[str, ...]) -> int:
    """Say in words what BYTES or a line template mean, in hex and decimal, checksums worked out.

    BYTES are hex: "B0 07 64". A line template is a line as a sheet writes it. Exit status 1 when
    something was not understood.
    """
    text = " ".join(words)
    if bool(text.strip()) == bool(path):
        raise InputError("give either bytes or --file FILE", hint='explain "B0 07 64"')
    rows = _rows(text, path, _codec(sheet))
    if as_json:
        listed = list(rows)
        show.json_object(
            [row._asdict() | {"fields": [f._asdict() for f in row.fields]} for row in listed]
        )
        return FINE if all(row.is_fine for row in listed) else FINDINGS
    status = FINE
    for row in rows:
        _print(row)
        if not row.is_fine:
            status = FINDINGS
    return status


def _codec(sheet: str | None) -> Codec | None:
    if sheet is None:
        return None
    from knobwright.cli.sheets import load_codec

    return load_codec(sheet)


def _rows(text: str, path: str | None, codec: Codec | None) -> Iterable[Explained]:
    from knobwright.core.codec.explain import explain_bytes, explain_template, not_bytes, read_bytes

    if path is not None:
        from knobwright.adapters.files.raw import read_raw

        return explain_bytes(read_raw(path, MAX_BYTES), codec)
    data = read_bytes(text)
    if data is not None:
        return explain_bytes(data, codec)
    from knobwright.core.sheet.line import parse_line

    try:
        return explain_template(text, parse_line(text.split("|") if "|" in text else text))
    except LineError as error:
        raise not_bytes(text, error.message) from error


def _print(row: Explained) -> None:
    decimal = f"  ({row.decimal})" if row.decimal else ""
    show.line(f"{row.hex}{decimal}")
    show.line(f"  {row.words}")
    for words in row.sets:
        show.line(f"  {words}")
    if row.fields:
        width = max(len(field.hex) for field in row.fields)
        wide = max(len(field.decimal) for field in row.fields)
        for field in row.fields:
            show.line(f"    {field.hex:<{width}}  {field.decimal:>{wide}}  {field.words}")
