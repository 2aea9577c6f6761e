"""``knobwright answer``: questions settled, comments kept, nothing half done."""

from __future__ import annotations

import json
from pathlib import Path

from tests.cli.conftest import SHEET, Command


def test_an_answer_settles_the_question_and_keeps_comments(
    knobwright: Command, sheet: Path
) -> None:
    ran = knobwright("answer", sheet, "hall.colour=yes")
    assert (ran.status, ran.err) == (0, "")
    assert "settled hall.colour: yes (xx is the checksum)" in ran.out
    text = sheet.read_text(encoding="utf-8")
    assert text.startswith("# the sheet of a small invented module")
    assert "[[question]]" not in text
    sent = knobwright("bytes", "--sheet", sheet, "hall.colour=64")
    # 30 + 07 + 40 = 77h = 119; 128 - 119 = 9
    assert sent.out == "F0 7D 10 42 30 07 40 09 F7\n"


def test_the_other_answer_writes_its_own_line(knobwright: Command, sheet: Path) -> None:
    assert knobwright("answer", sheet, "hall.colour=no").status == 0
    sent = knobwright("bytes", "--sheet", sheet, "hall.colour=1000")
    assert sent.out == "F0 7D 10 42 30 07 07 68 F7\n"


def test_answers_can_be_typed_one_by_one(knobwright: Command, sheet: Path) -> None:
    ran = knobwright("answer", sheet, typed="maybe\n1\n")
    assert "page 4, row 15" in ran.out
    assert "'maybe' is none of the choices" in ran.out
    assert ran.out.splitlines()[-1] == "no question is left"
    assert ran.status == 0


def test_an_empty_answer_leaves_the_question_open(knobwright: Command, sheet: Path) -> None:
    ran = knobwright("answer", sheet, typed="\n")
    assert ran.status == 1
    assert ran.out.splitlines()[-1] == "1 question left"
    assert sheet.read_text(encoding="utf-8") == SHEET


def test_the_end_of_the_input_leaves_what_is_open(knobwright: Command, sheet: Path) -> None:
    assert knobwright("answer", sheet, typed="").status == 1
    assert sheet.read_text(encoding="utf-8") == SHEET


def test_an_unknown_question_or_choice_changes_nothing(knobwright: Command, sheet: Path) -> None:
    for word, said in (
        ("hall.kolour=yes", "hall.colour"),
        ("hall.colour=perhaps", "choices: yes, no"),
        ("hall.colour", "ABOUT=CHOICE"),
    ):
        ran = knobwright("answer", sheet, word)
        assert ran.status == 2
        assert said in ran.err
    assert sheet.read_text(encoding="utf-8") == SHEET


def test_an_answer_that_would_break_the_sheet_is_refused(knobwright: Command, sheet: Path) -> None:
    clash = SHEET.replace("30 07 vh vl F7", "30 06 vl 00 F7").replace("[0, 16383]", "[0, 127]")
    broken = clash.replace('[question.gives.no]\nline = "F0', '[question.gives.no]\nline = "F1 F0')
    sheet.write_text(broken, encoding="utf-8")
    ran = knobwright("answer", sheet, "hall.colour=no")
    assert ran.status == 2
    assert sheet.read_text(encoding="utf-8") == broken


def test_json_tells_what_is_left(knobwright: Command, sheet: Path) -> None:
    left = json.loads(knobwright("answer", "--json", sheet).out)
    assert left["answered"] == []
    assert [q["about"] for q in left["open"]] == ["hall.colour"]
    assert left["open"][0]["choices"] == {
        "yes": "xx is the checksum", "no": "xx is a second value",
    }  # fmt: skip
