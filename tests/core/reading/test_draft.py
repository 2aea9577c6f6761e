"""Whole little leaflets: what is taken, what is asked about, what is left alone."""

from __future__ import annotations

import re
import time
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from knobwright.core.codec.check import check_sheet
from knobwright.core.errors import KnobwrightError
from knobwright.core.reading import Draft, Leaflet, Row, draft
from knobwright.core.reading.dialects import DIALECTS
from knobwright.exports.sheet_toml import write_sheet

_CELL = re.compile(r"\S+(?: \S+)*")


def leaflet(text: str, source: str = "text") -> Leaflet:
    """Return the rows of a plain text: cells are parted by two blanks."""
    rows = []
    for number, line in enumerate(text.split("\n"), 1):
        cells = [(m.start(), m.group()) for m in _CELL.finditer(line)]
        if cells:
            rows.append(Row(0, number, tuple(c for _, c in cells), tuple(at for at, _ in cells)))
    return Leaflet("trial.txt", source, tuple(rows))


def read(text: str) -> Draft:
    """Draft a plain text and check that what was drafted is a sheet without faults."""
    drafted = draft(leaflet(text))
    checked = check_sheet(write_sheet(drafted.tree))
    assert [str(fault) for fault in checked.faults] == []
    return drafted


def parameters(drafted: Draft) -> dict[str, Any]:
    """Return the drafted parameters by label."""
    return {p["label"]: p for p in drafted.tree.get("parameter", [])}


LINES = [
    ("Volume   BnH 07H vvH   00H-7FH", "Bn 07 vv", [0, 127]),
    ("Volume   $Bn $07 $vv   $00-$7F", "Bn 07 vv", [0, 127]),
    ("Volume   0xBn 0x07 vv   0x00-0x7F", "Bn 07 vv", [0, 127]),
    ("Volume   1011nnnn 00000111 0vvvvvvv   0-127", "Bn 07 vv", [0, 127]),
    ("Volume: CC 7 = value (0 to 100)", "Bn 07 vv", [0, 100]),
    ("Cutoff   BnH 63H 01H 62H 20H 06H vvH", "Bn 63 01 62 20 06 vv", [0, 127]),
    ("Cutoff   Bn 63h01h 62h20h 06h vv", "Bn 63 01 62 20 06 vv", [0, 127]),
    ("Cutoff   NRPN MSB 1 LSB 5   0-127", "Bn 63 01 62 05 06 vv", [0, 127]),
    ("Cutoff   NRPN 0120h   00h-7Fh", "Bn 63 01 62 20 06 vv", [0, 127]),
    ("Cutoff   NRPN 01h 20h   28h-40h-58h (-24 - 0 - +24)", "Bn 63 01 62 20 06 vv", [40, 88]),
    ("Cutoff: CC 99 = 1, CC 98 = 32, CC 6 = value (0 to 127)", "Bn 63 01 62 20 06 vv", [0, 127]),
    ("Tune   Bn 65 00 64 01 06 mm 26 ll", "Bn 65 00 64 01 06 vh 26 vl", [0, 16383]),
    ("Bend   EnH llH mmH", "En vl vh", [0, 16383]),
    ("Level   F0 7D 11 42 30 05 vv F7   00-7F", "F0 7D 11 42 30 05 vv F7", [0, 127]),
    ("Master   F0 7F 7F 04 01 ll mm F7", "F0 7F 7F 04 01 vl vh F7", [0, 16383]),
    ("Level   240, 125, 17, 66, 48, 5, vv, 247   0-127", "F0 7D 11 42 30 05 vv F7", [0, 127]),
    ("Reset   F0 7E 7F 09 01 F7", "F0 7E 7F 09 01 F7", None),
]


@pytest.mark.parametrize(("text", "line", "span"), LINES, ids=[row[0][:40] for row in LINES])
def test_one_row_in_each_maker_s_style(text: str, line: str, span: list[int] | None) -> None:
    drafted = read(f"TRIAL module\n\n{text}\n")
    assert drafted.questions == ()
    (parameter,) = drafted.tree["parameter"]
    assert (parameter["line"], parameter.get("range")) == (line, span)
    assert parameter["from"] == "row 3"


ASKED = [
    ("Vibrato   BnH 63H O1H 62H 08H 06H vvH", "letter O for a digit"),
    ("Vibrato   BnH 63H 01H 62H 06H vvH", "a byte is missing"),
    ("Vibrato   Bn 63 01 62 08 xx", "no data entry"),
    ("Level   F0 7D 10 42 30 85 vv F7", "a status inside data"),
    ("Level   F0 7D 10 42 30 05 vv", "no F7"),
    ("Delay   BnH 0CH vvH   0 - 200", "the range does not fit"),
    ("Level   F0 7D 10 42 30 05 vv xx F7", "xx: value or checksum"),
    ("Level   F0 7D 10 42 30 05 vv vv F7   0-1000", "which part comes first"),
    ("Depth   B0 10 vv   00-40", "hex or decimal"),
    ("Detune   CC 94   -50..+50", "which number is sent for 0"),
    ("Cutoff   CC 20 (21h)   0-127", "the two numbers differ"),
    ("Slope   NRPN MSB 1 LSB 130   0-127", "a number beyond seven bits"),
]


@pytest.mark.parametrize(("text", "why"), ASKED, ids=[row[1] for row in ASKED])
def test_what_the_print_does_not_decide_is_a_question(text: str, why: str) -> None:
    drafted = read(f"TRIAL module\n\n{text}\n")
    assert len(drafted.questions) >= 1, why
    question = drafted.questions[0]
    assert question.place == "row 3"
    assert question.understood
    assert question.choices


def test_a_checksum_rule_in_words_is_taken_and_checked_on_the_example() -> None:
    text = (
        "TRIAL module\n\ndev is the device number, 10 as shipped.\n"
        "cs: the two address bytes, the data and cs add up to a multiple of 80.\n"
        "Example: F0 7D 10 42 30 05 40 0B F7\n\n"
        "Hall time   F0 7D dev 42 30 05 vv cs F7   00-7F\n"
    )
    drafted = read(text)
    assert drafted.questions == ()
    assert drafted.tree["checksum"] == {"body": {"rule": "negated-sum-7"}}
    assert parameters(drafted)["Hall time"]["line"] == "F0 7D id 42 [ 30 05 vv ] cs F7"
    # 30 + 05 + 40 = 75; 80 - 75 = 0B: worked out by hand from the text
    wrong = read(text.replace("40 0B F7", "40 0C F7"))
    assert [q.about for q in wrong.questions] == ["checksum.body"]


def test_a_checksum_without_a_rule_is_asked_about() -> None:
    drafted = read("TRIAL module\n\nHall time   F0 7D 10 42 30 05 vv cs F7   00-7F\n")
    assert [q.about for q in drafted.questions] == ["checksum.body"]


def test_the_same_bytes_under_two_names_are_asked_about_for_both() -> None:
    drafted = read("TRIAL module\n\nDepth   Bn 63 01 62 08 06 vv\nRate   Bn 63 01 62 08 06 vv\n")
    assert {q.label for q in drafted.questions} == {"Depth", "Rate"}
    assert "parameter" not in drafted.tree


def test_a_continued_row_takes_its_start_from_the_row_above() -> None:
    drafted = read(
        "TRIAL\n\nBn 63 08 62 01 06 vv   Bar\n... 02 06 vv   Bell\n... 62 07 06 vv   Bark\n"
    )
    lines = {label: p["line"] for label, p in parameters(drafted).items()}
    assert lines == {
        "Bar": "Bn 63 08 62 01 06 vv",
        "Bell": "Bn 63 08 62 02 06 vv",
        "Bark": "Bn 63 08 62 07 06 vv",
    }


def test_a_row_that_continues_nothing_is_asked_about() -> None:
    drafted = read("TRIAL\n\n... 62 07 06 vv   Bark\n")
    assert [q.label for q in drafted.questions] == ["Bark"]


def test_an_address_table_fills_the_shape_printed_once() -> None:
    drafted = read(
        "TRIAL\n\nAll messages: F0 7D dev 42 aa bb dd F7\naa bb = address, dd = data, "
        "dev = device number (default 10H)\n\nAddress  Name         Data     Default\n"
        "30 05    Hall time    00-7F    40\n30 06    Hall kind    00-02    01\n"
    )
    taken = parameters(drafted)
    assert taken["Hall time"]["line"] == "F0 7D id 42 30 05 vv F7"
    assert taken["Hall kind"]["range"] == [0, 2]
    assert drafted.tree["module"]["device_ids"] == ["10"]


def test_routes_in_columns_are_kept_and_the_first_is_sent() -> None:
    drafted = read(
        "TRIAL\n\nAll numbers are decimal.\n\nParameter   CC MSB   NRPN MSB   NRPN LSB   Range\n"
        "Cutoff      74       1          32         0-127\n"
    )
    cutoff = parameters(drafted)["Cutoff"]
    assert cutoff["line"] == "Bn 4A vv"
    assert [route["line"] for route in cutoff["route"]] == ["Bn 63 01 62 20 06 vv"]


def test_notes_programs_and_active_sensing_are_no_parameters() -> None:
    drafted = read(
        "TRIAL\n\nNote on   9nH kkH vvH\nNote off   8nH kkH vvH\nProgram   CnH ppH\nSensing   FEH\n"
    )
    assert "parameter" not in drafted.tree
    assert drafted.questions == ()


def test_every_dialect_leaves_a_row_of_words_alone() -> None:
    drafted = draft(leaflet("TRIAL\n\nKeep the module dry and away from children.\n"))
    assert drafted.tree == {"format": 1, "module": {"name": "TRIAL"}}
    assert len(DIALECTS) >= 6


def test_five_thousand_rows_are_drafted_in_seconds() -> None:
    rows = [
        f"Setting {k}   F0 7D 10 42 {k >> 7:02X} {k & 127:02X} vv F7   00-7F" for k in range(5000)
    ]
    begun = time.monotonic()
    drafted = draft(leaflet("TRIAL\n\n" + "\n".join(rows)))
    assert time.monotonic() - begun < 60  # a bound against runaway patterns, not a measurement
    assert len(drafted.tree["parameter"]) == 5000


_PIECES = st.sampled_from(
    [
        "F0",
        "7D",
        "Bn",
        "BnH",
        "63H",
        "05",
        "vv",
        "cs",
        "F7",
        "...",
        "NRPN_5/1",
        "CC_7",
        "=",
        "0-127",
        "-64..+63",
        "Range",
        "Default",
        "Name",
        "CC",
        "MSB",
        "LSB",
        "NRPN",
        "Address",
        "40_00",
        "$B0",
        "1011nnnn",
        "0vvvvvvv",
        "xx",
        "O5",
        "0_=_off,",
        "1_=_on",
        "default_40",
        "vv_=_value",
        "n_=_channel",
        "(0-127)",
        "240",
        "125",
        "Fn",
        "01",
        "dd",
        "4p",
        "Cn",
        "pp",
        "En",
        "ll",
        "mm",
        "(64_data_bytes)",
        "NRPN_MSB",
        "NRPN_LSB",
        "CC_99_=_5,",
        "CC_98_=_kk,",
        "dev",
        "aa",
        "bb",
        "Example:",
        "checksum:_xor_of_all_bytes_after_F0",
        "low_byte_first",
        "Value_hex",
        "Value_dec",
        "p_is_the_part",
        "10_=_0",
    ]
)


@settings(max_examples=60)
@given(
    st.lists(st.lists(_PIECES, max_size=8), max_size=10), st.sampled_from(["text", "csv", "pdf"])
)
def test_any_rows_give_a_draft_without_faults(rows: list[list[str]], source: str) -> None:
    text = "\n".join("  ".join(cell.replace("_", " ") for cell in row) for row in rows)
    try:
        drafted = draft(leaflet(text, source))
    except KnobwrightError:
        return
    assert drafted.tree["format"] == 1
    keys = [p["key"] for p in drafted.tree.get("parameter", [])]
    assert len(set(keys)) == len(keys)
    checked = check_sheet(write_sheet(drafted.tree))
    assert [str(fault) for fault in checked.faults] == []
