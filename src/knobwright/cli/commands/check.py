"""``knobwright check``: every fault of a sheet, a surface or a bench, each with its line."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import click

from knobwright.cli import show
from knobwright.cli.exits import FINDINGS, FINE
from knobwright.cli.sheets import load_checked
from knobwright.core.errors import InputError

if TYPE_CHECKING:
    from knobwright.core.codec.check import Checked
    from knobwright.core.sheet.faults import Fault


@click.command("check")
@click.argument("path", metavar="SHEET|SURFACE|BENCH")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(path: str, as_json: bool) -> int:
    """Print every fault, open question and note of a file, each with its line.

    SHEET is a file, or the name of a standard sheet such as general-midi-1; SURFACE a file whose
    name ends in .surface.toml; BENCH a folder with a bench.toml, which is checked together with its
    sheet and its surfaces. Exit status 1 when there is a fault or an open question.
    """
    if is_bench(path):
        return _bench(path, as_json)
    if path.endswith(".surface.toml"):
        return _surface(path, as_json)
    checked = load_checked(path)
    n_parameters = len(checked.sheet.parameters) if checked.sheet else None
    outcome = Outcome(
        "sheet", path, (*checked.faults, *checked.questions), checked.notes,
        {"parameters": n_parameters}, _summary(checked),
    )  # fmt: skip
    return _show(outcome, as_json)


class Outcome(NamedTuple):
    """What was found: faults and questions, notes, what was counted and the last line in words.

    ``kind`` is sheet, surface or bench; ``place`` the file that the lines are counted in.
    """

    kind: str
    place: str
    faults: tuple[Fault, ...]
    notes: tuple[Fault, ...]
    counted: dict[str, int | None]
    summary: str


def is_bench(path: str) -> bool:
    """Return whether a path is a bench: its folder, or its ``bench.toml``.

    Raises
    ------
    InputError
        It is a folder that is no bench.
    """
    import os

    from knobwright.adapters.files.bench import BENCH

    if not os.path.isdir(path):
        return os.path.basename(path) == BENCH
    if not os.path.exists(os.path.join(path, BENCH)):
        raise InputError(
            "this folder is no bench: it has no bench.toml",
            where=path,
            hint="docs/reference/bench.md says what a bench.toml holds",
        )
    return True


def _surface(path: str, as_json: bool) -> int:
    from knobwright.adapters.files.surfaces import load

    checked = load(path)
    n = None if checked.surface is None else len(checked.surface.controls)
    summary = _joined([] if n is None else [show.count(n, "control")], checked.faults)
    outcome = Outcome("surface", path, checked.faults, checked.notes, {"controls": n}, summary)
    return _show(outcome, as_json)


def _bench(path: str, as_json: bool) -> int:
    from knobwright.adapters.files.bench import load

    checked = load(path)
    counted: dict[str, int | None] = dict.fromkeys(("links", "inputs", "assignments", "zones"))
    parts = []
    if checked.bench is not None:
        bench = checked.bench
        rows = (bench.links, bench.inputs, bench.assignments, bench.keys)
        counted = dict(zip(counted, map(len, rows), strict=True))
        parts = [show.count(n or 0, name.removesuffix("s")) for name, n in counted.items()]
    summary = _joined(parts, checked.faults)
    return _show(
        Outcome("bench", checked.name, checked.faults, checked.notes, counted, summary), as_json
    )


def _show(outcome: Outcome, as_json: bool) -> int:
    found = sorted((*outcome.faults, *outcome.notes), key=lambda fault: fault.line)
    status = FINDINGS if outcome.faults else FINE
    if as_json:
        findings = [fault._asdict() for fault in found]
        named = {outcome.kind: outcome.place} | outcome.counted
        show.json_object(named | {"findings": findings})
        return status
    for fault in found:
        show.line(f"{outcome.place}:{fault.line}: {_words(fault)}")
    show.line(outcome.summary)
    return status


def _joined(parts: list[str], faults: tuple[Fault, ...]) -> str:
    return ", ".join([*parts, show.count(len(faults), "fault") if faults else "no faults"])


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
