"""``knobwright explain``: bytes and templates in words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.conftest import Command

# The messages are those of the MIDI 1.0 Detailed Specification 4.2.1 (tables 1 to 3, page A-1).
SAID = {
    "one message": (["B0 07 64"], 0, ["B0 07 64", "(176 7 100)", "channel 1", "volume", "100"]),
    "running status": (["90 3C 27 40 2B"], 0, ["90 3C 27", "90 40 2B", "note on"]),
    "other spellings": (["$B0, 0x07 64h"], 0, ["B0 07 64"]),
    "run together": (["B00764"], 0, ["B0 07 64"]),
    "words as arguments": (["B0", "07", "64"], 0, ["B0 07 64"]),
    "loose data": (["3C 40 90 3C 40"], 1, ["3C 40", "dropped", "status", "note on"]),
    "cut exclusive": (["F0 7D 01 90 3C 40"], 1, ["dropped", "without F7", "note on"]),
    "identity request": (["F0 7E 7F 06 01 F7"], 0, ["identity request"]),
    "a checksum seen": (
        ["F0 7D 10 42 30 05 40 0B F7"],
        0,
        ["30 + 05 + 40 = 75h (117)", "128 - 117 = 11: 0B"],
    ),
    "a template": (["Bn 63 05 62 12 06 vv"], 0, ["NRPN", "any channel", "value, bits 6 to 0"]),
    "a template with fixed bytes summed": (
        ["F0 7D 10 42 [ 40 40 ] cs F7"],
        0,
        ["negated-sum-7: 00"],
    ),
}


@pytest.mark.parametrize(("words", "status", "said"), SAID.values(), ids=SAID.keys())
def test_explain_says_what_the_bytes_are(
    knobwright: Command, words: list[str], status: int, said: list[str]
) -> None:
    ran = knobwright("explain", *words)
    assert (ran.status, ran.err) == (status, "")
    for words_said in said:
        assert words_said in ran.out


def test_with_a_sheet_the_names_are_told_and_the_checksum_is_worked_out(
    knobwright: Command, sheet: Path
) -> None:
    ran = knobwright("explain", "--sheet", sheet, "F0 7D 10 42 30 05 28 23 F7")
    assert ran.status == 0
    assert "hall.time (Hall time) = 1 s (raw 40)" in ran.out
    assert "checksum body: 30 + 05 + 28 = 5Dh (93); 93 mod 128 = 93; 128 - 93 = 35: 23" in ran.out


def test_with_a_sheet_a_wrong_checksum_is_a_finding(knobwright: Command, sheet: Path) -> None:
    ran = knobwright("explain", "--sheet", sheet, "F0 7D 10 42 30 05 28 24 F7")
    assert ran.status == 1
    assert "its checksum is 24 and should be 23" in ran.out


def test_nrpn_is_followed_in_either_selector_order(knobwright: Command, sheet: Path) -> None:
    for words in ("B2 63 05 62 12 06 40", "B2 62 12 63 05 06 40"):
        ran = knobwright("explain", "--sheet", sheet, words)
        assert "tone.brightness (Brightness) = 0 (raw 64), channel 3" in ran.out


FILES = {
    "raw bytes": (b"\xf0\x7e\x7f\x06\x01\xf7", 0, "identity request"),
    "hex text": (b"F0 7E 7F 06 01 F7\n", 0, "identity request"),
    "empty": (b"", 2, "the file is empty"),
    "a song": (b"MThd\x00\x00\x00\x06", 2, "Standard MIDI File"),
}


@pytest.mark.parametrize(("data", "status", "said"), FILES.values(), ids=FILES.keys())
def test_a_file_is_explained_or_refused(
    knobwright: Command, tmp_path: Path, data: bytes, status: int, said: str
) -> None:
    path = tmp_path / "some.syx"
    path.write_bytes(data)
    ran = knobwright("explain", "--file", path)
    assert ran.status == status
    assert said in ran.out + ran.err


def test_json_is_one_list_with_hex_decimal_words_and_fields(
    knobwright: Command, sheet: Path
) -> None:
    ran = knobwright("explain", "--json", "--sheet", sheet, "F0 7D 10 42 30 05 28 23 F7")
    (row,) = json.loads(ran.out)
    assert row["hex"] == "F0 7D 10 42 30 05 28 23 F7"
    assert row["decimal"] == "240 125 16 66 48 5 40 35 247"
    assert [field["hex"] for field in row["fields"]][2] == "10"
    assert row["fields"][2]["words"] == "device id"


@pytest.mark.parametrize("words", [[], ["zz 12"], ["F0 7D vv"], ["--file", "/no/such.syx"]])
def test_what_is_neither_gets_one_sentence(knobwright: Command, words: list[str]) -> None:
    ran = knobwright("explain", *words)
    assert ran.status in (2, 3)
    assert ran.out == ""
    assert ran.err.startswith("knobwright: ")
