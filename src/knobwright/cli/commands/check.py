"""``knobwright check``: every fault and open question of a sheet, each with its line."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from knobwright.cli import show
from knobwright.cli.exits import FINDINGS, FINE
from knobwright.cli.sheets import load_checked

if TYPE_CHECKING:
    from knobwright.core.codec.check import Checked
    from knobwright.core.sheet.faults import Fault


@click.command("check")
@click.argument("sheet")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(sheet: str, as_json: bool) -> int:
    """Check SHEET: print every fault, open question and note, each with its line in the file.

    SHEET is a file, or the name of a standard sheet such as general-midi-1. Exit status 1 when
    there is a fault or an open question.
    """
    checked = load_checked(sheet)
    found = sorted((*checked.faults, *checked.questions, *checked.notes), key=lambda f: f.line)
    status = FINDINGS if checked.faults or checked.questions else FINE
    if as_json:
        show.json_object(
            {
                "sheet": sheet,
                "parameters": len(checked.sheet.parameters) if checked.sheet else None,
                "findings": [fault._asdict() for fault in found],
            }
        )
        return status
    for fault in found:
        show.line(f"{sheet}:{fault.line}: {_words(fault)}")
    show.line(_summary(checked))
    return status


def _words(fault: Fault) -> str:
    return str(fault).partition(": ")[2]


def _summary(checked: Checked) -> str:
    parts = []
    if checked.sheet is not None:
        own = [p for p in checked.sheet.parameters if not p.included]
        included = len(checked.sheet.parameters) - len(own)
        parts.append(show.count(len(own), "parameter"))
        if included:
            parts.append(f"{included} included")
    parts.append(show.count(len(checked.faults), "fault") if checked.faults else "no faults")
    if checked.questions:
        parts.append(show.count(len(checked.questions), "open question"))
    if checked.notes:
        parts.append(show.count(len(checked.notes), "note"))
    return ", ".join(parts)
