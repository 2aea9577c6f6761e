"""Score the programs of a draft: the bytes that choose each listed program, or a question.

Right: the draft lists the program under its printed number and bank, and the codec's bytes are
those worked out by hand. Asked: a question about ``programs`` is open. Anything else is missing
(not listed at all: nothing can be sent) or wrong: under another number, or with other bytes.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, NamedTuple

from knobwright.adapters.files import leaflet
from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import KnobwrightError
from knobwright.core.reading import draft
from knobwright.core.sheet.records import Sheet
from knobwright.exports.sheet_toml import write_sheet


class ProgramScore(NamedTuple):
    """How many listed programs are right, asked about, missing, wrong; ``words`` says how."""

    right: int
    asked: int
    missing: int
    wrong: int
    words: tuple[str, ...]


def score_programs(folder: Path) -> ProgramScore:
    """Return the score of one leaflet's folder; all zero where it lists no programs."""
    answers = tomllib.loads((folder / "answers.toml").read_text(encoding="utf-8"))
    listed: list[dict[str, Any]] = answers.get("program", [])
    change: dict[str, Any] = answers.get("program_change", {})
    if not listed:
        return ProgramScore(0, 0, 0, 0, ())
    drafted = draft(leaflet.load(folder / answers["leaflet"]))
    sheet = check_sheet(write_sheet(drafted.tree)).require()
    if any(question.thing == "programs" for question in sheet.questions):
        return ProgramScore(0, len(listed), 0, 0, ())
    if change.get("asked"):
        words = "taken without a question, but the print does not decide"
        return ProgramScore(0, 0, 0, len(listed), (words,))
    faults = [fault for row in listed if (fault := _fault(sheet, row))]
    missing = sum(fault.endswith(MISSING) for fault in faults)
    wrong = len(faults) - missing
    return ProgramScore(len(listed) - len(faults), 0, missing, wrong, tuple(faults))


MISSING = "the draft has nothing"


def _fault(sheet: Sheet, row: dict[str, Any]) -> str:
    name, number, bank = row["name"], row["number"], tuple(row.get("bank", (0, 0)))
    found = [p for p in sheet.program if p.name == name]
    program = next((p for p in found if (p.number, p.bank) == (number, bank)), None)
    if program is None:
        have = ", ".join(f"{p.number} in bank {p.bank}" for p in found) or "nothing"
        return f"{name}: {number} in bank {bank} is printed, the draft has {have}"
    try:
        sent = Codec(sheet).program(program, sheet.module.channels[0])
    except KnobwrightError as error:
        return f"{name}: {error.message}"
    wanted = [bytes.fromhex(message) for message in row["bytes"].split("|")]
    if list(sent) != wanted:
        return f"{name}: sends {' | '.join(m.hex(' ').upper() for m in sent)}, not {row['bytes']}"
    return ""
