"""``knobwright draft``: a draft sheet from a maker's leaflet, with its questions."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from knobwright.cli import show
from knobwright.cli.exits import FINDINGS, FINE
from knobwright.core.errors import InputError, LeafletError, StoreError

if TYPE_CHECKING:
    from collections.abc import Callable

    from knobwright.core.reading import Draft
    from knobwright.core.reading.rows import Leaflet


@click.command("draft")
@click.argument("leaflet")
@click.option("-o", "--output", metavar="SHEET", help="Write the sheet here, whole or not at all.")
@click.option("--replace", is_flag=True, help="Replace a sheet that is there already.")
@click.option("--json", "as_json", is_flag=True, help="Print parameters and questions as JSON.")
def command(leaflet: str, output: str | None, replace: bool, as_json: bool) -> int:
    """Draft a sheet from LEAFLET: text, CSV, Markdown or a PDF with a text layer; - is pasted text.

    What is certain is taken, what is likely is taken and asked about, what is unclear is only asked
    about. Without -o and --json the sheet is printed. Exit status 0 also when there are questions:
    "check" and "answer" tell of them; 1 when no parameter was found.
    """
    if output is not None:
        _refuse_to_overwrite(output, replace)
    from knobwright.core.reading import draft

    drafted = draft(_load(leaflet))
    text = _sheet_text(drafted, leaflet)
    if output is not None:
        from knobwright.adapters.files.sheets import save

        save(output, text)
    if as_json:
        show.json_object(_as_json(drafted, output))
    elif output is not None:
        _summary(drafted, output)
    else:
        print(text, end="")
    return FINE if drafted.tree.get("parameter") or drafted.questions else FINDINGS


def _refuse_to_overwrite(output: str, replace: bool) -> None:
    path = Path(output)
    try:
        if path.is_dir():
            raise StoreError("this is a folder, and a sheet is a file", where=output)
        taken = path.exists() and path.stat().st_size > 0
    except (OSError, ValueError) as error:
        raise StoreError(f"the path can't be used: {error}", where=output) from error
    if taken and not replace:
        raise InputError(
            "there is a file of that name already, and it may hold your answers",
            where=output,
            hint="name another file, or say --replace",
        )


def _load(path: str) -> Leaflet:
    if path == "-":
        return _pasted()
    from knobwright.adapters.files.leaflet import load

    if not sys.stderr.isatty():
        return load(path)
    return _with_bar(path, load)


#: Largest text that is taken from standard input.
MAX_PASTED_BYTES = 32 * 1024 * 1024


def _pasted() -> Leaflet:
    """Return the leaflet on standard input: text in any encoding that files may have, or a PDF."""
    from knobwright.adapters.files.leaflet import is_pdf
    from knobwright.core.reading.sources import decode, read_any

    name = "pasted text"
    data = sys.stdin.buffer.read(MAX_PASTED_BYTES + 1)
    if len(data) > MAX_PASTED_BYTES:
        raise LeafletError(
            "is larger than the 32 MiB that a leaflet may have",
            where=name,
            hint="give only the pages that hold the MIDI implementation",
        )
    if is_pdf(data):
        from knobwright.adapters.files import pdf

        return pdf.read(data, name)
    return read_any(decode(data, name), name)


def _with_bar(path: str, load: Callable[..., Leaflet]) -> Leaflet:
    """Load a leaflet with a progress bar on standard error, if there is something to wait for."""
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (TextColumn("reading pages"), BarColumn(), MofNCompleteColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("pages", total=None, visible=False)

        def progress(done: int, total: int) -> None:
            bar.update(task, completed=done, total=total, visible=total > 1)

        return load(path, progress=progress)


def _sheet_text(drafted: Draft, leaflet: str) -> str:
    from knobwright.exports.sheet_toml import write_sheet

    name = "pasted text" if leaflet == "-" else Path(leaflet).name
    head = [f"Drafted by Knobwright from {name!r}."]
    if drafted.questions:
        head.append("Open questions stand at the end: settle them with 'knobwright answer'.")
    return write_sheet(drafted.tree, head=head)


def _as_json(drafted: Draft, output: str | None) -> dict[str, object]:
    return {
        "sheet": output,
        "parameters": drafted.tree.get("parameter", []),
        "questions": [
            {
                "about": question.about,
                "place": question.place,
                "understood": question.understood,
                "choices": question.choices,
                "takes": question.takes,
            }
            for question in drafted.questions
        ],
        "notes": [
            {"place": note.place, "text": note.text, "why": note.why} for note in drafted.notes
        ],
    }


def _summary(drafted: Draft, output: str) -> None:
    n = len(drafted.tree.get("parameter", []))
    words = [show.count(n, "parameter")]
    if programs := len(drafted.tree.get("program", [])):
        words.append(show.count(programs, "program"))
    if blocks := len(drafted.tree.get("block", [])):
        words.append(show.count(blocks, "dump"))
    words.append(
        show.count(len(drafted.questions), "question") if drafted.questions else "no questions"
    )
    show.line(f"{output}: {', '.join(words)}")
    for question in drafted.questions:
        show.line(f"  {question.about} ({question.place}): {question.understood}")
    if drafted.questions:
        show.line(f"next: knobwright answer {output}")
