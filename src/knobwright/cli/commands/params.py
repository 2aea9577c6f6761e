"""``knobwright params``: the parameters of a sheet as a table."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from knobwright.cli import show
from knobwright.cli.sheets import load_codec

if TYPE_CHECKING:
    from knobwright.core.codec.plan import Codec


@click.command("params")
@click.option(
    "--sheet", required=True, metavar="SHEET", help="The sheet (a file or a standard name)."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON list.")
@click.argument("part", required=False)
def command(sheet: str, as_json: bool, part: str | None) -> int:
    """List the parameters of a sheet; PART keeps those with it in key, label or section."""
    codec = load_codec(sheet)
    rows = [_row(codec, key) for key in codec.parameters if _fits(codec, key, part)]
    if as_json:
        show.json_object(rows)
        return 0
    if not rows:
        show.line("no parameter fits")
        return 1
    header = ("key", "label", "per", "line", "range", "shown", "default", "note")
    show.table(header, (_cells(row) for row in rows))
    return 0


def _fits(codec: Codec, key: str, part: str | None) -> bool:
    from knobwright.core.codec.names import fold

    if part is None:
        return True
    p = codec.parameters[key]
    return fold(part) in fold(f"{p.key} {p.label} {p.section}") or part.casefold() in p.key


def _row(codec: Codec, key: str) -> dict[str, object]:
    parameter = codec.parameters[key]
    scale = codec.scale(key)
    low, high = parameter.ranges[0][0], parameter.ranges[-1][1]
    question = codec.blocked(key)
    default = parameter.default
    return {
        "key": key,
        "label": parameter.label,
        "section": parameter.section,
        "per": sorted(parameter.per),
        "line": list(parameter.sent_route.template.line.text),
        "routes": [list(route.template.line.text) for route in parameter.routes],
        "range": [list(pair) for pair in parameter.ranges],
        "shown": [scale.text(low, unit=False), scale.text(high, unit=False)],
        "unit": scale.unit,
        "choices": {str(raw): name for raw, name in parameter.choices.items()},
        "default": default,
        "default_shown": None if default is None else codec.spell(key, default),
        "danger": parameter.danger,
        "question": None if question is None else question.about,
        "from": parameter.place,
        "included": parameter.included,
        "action": parameter.is_action,
    }


def _cells(row: dict[str, object]) -> tuple[str, ...]:
    ranges, shown = row["range"], row["shown"]
    choices, per, lines = row["choices"], row["per"], row["line"]
    assert isinstance(ranges, list)
    assert isinstance(shown, list)
    assert isinstance(choices, dict)
    assert isinstance(per, list)
    assert isinstance(lines, list)
    spans = ", ".join(f"{low}-{high}" if low != high else str(low) for low, high in ranges)
    if row["action"]:
        spans, seen = "", "do"
    elif choices:
        names = list(choices.values())
        seen = ", ".join(names[:4]) + (", ..." if len(names) > 4 else "")
    else:
        seen = f"{shown[0]} to {shown[1]} {row['unit']}".strip()
    notes = []
    if row["question"]:
        notes.append("open question")
    if row["danger"]:
        notes.append("dangerous")
    default = row["default_shown"]
    return (
        str(row["key"]),
        str(row["label"]),
        " ".join(per),
        " | ".join(lines),
        spans,
        seen,
        "" if default is None else str(default),
        ", ".join(notes),
    )
