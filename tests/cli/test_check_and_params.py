"""``knobwright check`` and ``knobwright params``."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.conftest import SHEET, Command


def test_check_names_the_open_question_with_its_line(knobwright: Command, sheet: Path) -> None:
    ran = knobwright("check", sheet)
    line = SHEET.splitlines().index("[[question]]") + 1
    assert ran.status == 1
    assert f"{sheet}:{line}: question: hall.colour: open question" in ran.out
    assert ran.out.splitlines()[-1] == "6 parameters, 15 included, no faults, 1 open question"


def test_check_reports_every_fault_at_once(knobwright: Command, sheet: Path) -> None:
    text = SHEET.replace("default = 64", "default = 640").replace(
        'section = "Tone"', 'sektion = "T"'
    )
    text = text.replace(
        'checksum.body]\nrule = "negated-sum-7"', 'checksum.body]\nrule = "negated"'
    )
    sheet.write_text(text, encoding="utf-8")
    ran = knobwright("check", sheet)
    assert ran.status == 1
    wanted = {
        "default = 640": "the default 640 is outside the range 0 to 127",
        'sektion = "T"': "did you mean 'section'?",
        'rule = "negated"': "there is no rule 'negated' (did you mean 'negated-sum-7'?)",
    }
    for source, message in wanted.items():
        number = text.splitlines().index(source) + 1
        assert any(
            line.startswith(f"{sheet}:{number}: fault:") and message in line
            for line in ran.out.splitlines()
        ), ran.out


@pytest.mark.parametrize("name", ["midi-1", "general-midi-1", "general-midi-2", "midi-tuning"])
def test_standard_sheets_can_be_named(knobwright: Command, name: str) -> None:
    ran = knobwright("check", name)
    assert (ran.status, ran.err) == (0, "")
    assert "no faults" in ran.out


def test_check_as_json(knobwright: Command, sheet: Path) -> None:
    found = json.loads(knobwright("check", "--json", sheet).out)
    assert found["parameters"] == 21
    assert [(f["level"], f["about"]) for f in found["findings"]] == [("question", "hall.colour")]


HOSTILE = {
    "not TOML": ("format = = 1", 1, "line 1"),
    "binary": (b"\xff\xfe\x00\x01", 2, "not UTF-8"),
    "deeply nested": ("a = " + "[" * 100_000, 1, "nested too deeply"),
    "calls out": (
        SHEET.replace('"v - 64"', "\"__import__('os').system('true')\""),
        1,
        "is no function of a formula",
    ),
    "includes a file outside": (
        SHEET.replace('["general-midi-1"]', '["../../etc/passwd"]'),
        1,
        "..",
    ),
    "includes itself": (SHEET.replace('["general-midi-1"]', '["quince"]'), 1, "include each other"),
    "terminal escapes": (SHEET.replace("[module]", '"\\u001b[2J" = 1\n[module]'), 1, "\\x1b[2J"),
}


@pytest.mark.parametrize(("text", "status", "said"), HOSTILE.values(), ids=HOSTILE.keys())
def test_a_hostile_sheet_gets_words_and_never_a_traceback(
    knobwright: Command, sheet: Path, text: str | bytes, status: int, said: str
) -> None:
    sheet.write_bytes(text if isinstance(text, bytes) else text.encode())
    ran = knobwright("check", sheet)
    assert ran.status == status
    assert said in ran.out + ran.err
    assert "Traceback" not in ran.err
    assert "\x1b" not in ran.out + ran.err


@pytest.mark.parametrize("path", ["no-such.sheet.toml", ".", "/dev/null"])
def test_what_is_no_sheet_file_is_said(knobwright: Command, path: str) -> None:
    ran = knobwright("check", path)
    assert ran.status in (2, 3)
    assert ran.err.startswith(f"knobwright: {path}: ")


def test_params_lists_range_shown_and_state(knobwright: Command, sheet: Path) -> None:
    ran = knobwright("params", "--sheet", sheet)
    assert ran.status == 0
    row = next(line for line in ran.out.splitlines() if line.startswith("tone.brightness"))
    for cell in ("Brightness", "channel", "Bn 63 05 62 12 06 vv", "0-127", "-64 to +63"):
        assert cell in row
    colour = next(line for line in ran.out.splitlines() if line.startswith("hall.colour"))
    assert "open question" in colour
    rows = json.loads(knobwright("params", "--sheet", sheet, "--json", "hall").out)
    assert [row["key"] for row in rows] == ["hall.time", "hall.kind", "hall.colour"]
    assert rows[1]["choices"] == {"0": "room", "1": "stage", "2": "plate"}
