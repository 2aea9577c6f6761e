"""``knobwright bytes``: what it prints, what it refuses, and that nothing else is on its output."""

from __future__ import annotations

import json
from pathlib import Path

import mido
import pytest

from tests.cli.conftest import Command, Ran

# Worked by hand from the sheet's lines; the checksum of the exclusive ones is
# 128 - (sum of the three bytes in brackets mod 128).
ROWS = {
    "a raw number": (["tone.brightness=64"], ["B0 63 05", "B0 62 12", "B0 06 40"]),
    "a label": (["Brightness=0"], ["B0 63 05", "B0 62 12", "B0 06 00"]),
    "a unique part": (["bright=7Fh"], ["B0 63 05", "B0 62 12", "B0 06 7F"]),
    "a signed shown value": (["brightness=+10"], ["B0 63 05", "B0 62 12", "B0 06 4A"]),
    "a shown value with its unit": (["hall time=1 s"], ["F0 7D 10 42 30 05 28 23 F7"]),
    "a decimal comma": (["hall time=1,0s"], ["F0 7D 10 42 30 05 28 23 F7"]),
    "another unit": (["hall time=1000 ms"], ["F0 7D 10 42 30 05 28 23 F7"]),
    "a choice": (["hall.kind=plate"], ["F0 7D 10 42 30 06 02 48 F7"]),
    "the beginning of a choice": (["hall.kind=pl"], ["F0 7D 10 42 30 06 02 48 F7"]),
    "a choice by its number": (["hall.kind=1"], ["F0 7D 10 42 30 06 01 49 F7"]),
    "a sum of 128 gives 00": (["hall.time=raw 75"], ["F0 7D 10 42 30 05 4B 00 F7"]),
    "two in one call": (
        ["hall.kind=room", "volume=100"],
        ["F0 7D 10 42 30 06 00 4A F7", "B0 07 64"],
    ),
    "a program by name": (["program=Harpsichord"], ["C0 06"]),
    "a program by number": (["program=7"], ["C0 06"]),
    "an action": (["notes.off=do"], ["B0 7B 00"]),
}


@pytest.mark.parametrize(("words", "lines"), ROWS.values(), ids=ROWS.keys())
def test_bytes_prints_one_message_a_line_and_nothing_else(
    knobwright: Command, sheet: Path, words: list[str], lines: list[str]
) -> None:
    ran = knobwright("bytes", "--sheet", sheet, *words)
    assert ran == Ran(0, "".join(f"{line}\n" for line in lines), "", ran.raw)
    for line in lines:
        mido.Message.from_bytes(bytes.fromhex(line))  # raises for what is no message


REFUSED = {
    "above the range": (["hall.time=101"], 2, ["0 to 100", "shown 0.3679 s to 4.482 s"]),
    "below the range": (["hall.time=-1"], 2, ["0 to 100"]),
    "no such choice": (["hall.kind=cave"], 2, ["0 room, 1 stage, 2 plate"]),
    "an ambiguous name": (["hall=1"], 2, ["hall.time, hall.kind, hall.colour"]),
    "an unknown name": (["brightnes5=1"], 2, ["no parameter", "tone.brightness"]),
    "a wrong unit": (["hall.time=3 Hz"], 2, ["its unit is s"]),
    "an open question": (["hall.colour=1"], 2, ["page 4, row 15", "xx is the checksum"]),
    "no key given": (["drum.level=5"], 2, ["--key 36"]),
    "danger": (["store=do"], 2, ["overwrites", "asked for twice"]),
    "no equals sign": (["hall.time"], 2, ["NAME=VALUE"]),
    "two readings of a comma": (["hall.time=1,000 s"], 2, ["two ways"]),
    "between two raw values": (["brightness=raw 1.5"], 2, ["no raw number"]),
    "a program that is not there": (["program=Harpsichort"], 2, ["did you mean Harpsichord"]),
}


@pytest.mark.parametrize(("words", "status", "said"), REFUSED.values(), ids=REFUSED.keys())
def test_what_can_not_be_sent_is_refused_and_nothing_is_printed(
    knobwright: Command, sheet: Path, words: list[str], status: int, said: list[str]
) -> None:
    ran = knobwright("bytes", "--sheet", sheet, "volume=1", *words)
    assert (ran.status, ran.out) == (status, "")
    assert "Traceback" not in ran.err
    for words_said in said:
        assert words_said in ran.err


def test_channel_key_and_device_are_options(knobwright: Command, sheet: Path) -> None:
    options = ["--channel", 10, "--key", 36, "--device", "11"]
    ran = knobwright("bytes", "--sheet", sheet, *options, "drum.level=5", "hall.kind=0")
    assert ran.out.splitlines() == [
        "B9 63 1A", "B9 62 24", "B9 06 05", "F0 7D 11 42 30 06 00 4A F7",
    ]  # fmt: skip


def test_danger_is_given_when_asked_for_twice(knobwright: Command, sheet: Path) -> None:
    ran = knobwright("bytes", "--sheet", sheet, "--danger", "store=do")
    assert (ran.status, ran.out) == (0, "F0 7D 10 7F 00 F7\n")


def test_a_default_that_is_sent_along_is_said(knobwright: Command, sheet: Path) -> None:
    ran = knobwright("bytes", "--sheet", sheet, "bend.range=12")
    # MIDI 1.0 Detailed Specification 4.2.1 p.18: RPN 00 00, semitones and cents.
    assert ran.out.split("\n")[:4] == ["B0 65 00", "B0 64 00", "B0 06 0C", "B0 26 00"]
    assert "bend.range.cents is sent along with its default" in ran.err


def test_every_form_holds_the_same_messages(
    knobwright: Command, sheet: Path, tmp_path: Path
) -> None:
    words = ["hall.kind=plate", "hall.time=1 s"]
    wanted = [bytes.fromhex("F07D10423006 02 48F7"), bytes.fromhex("F07D1042300528 23F7")]

    def call(form: str) -> Ran:
        return knobwright("bytes", "--sheet", sheet, "--form", form, *words)

    assert [bytes.fromhex(line) for line in call("hex").out.splitlines()] == wanted
    assert [bytes(map(int, line.split())) for line in call("decimal").out.splitlines()] == wanted
    rows = json.loads(call("json").out)
    assert [bytes(row["bytes"]) for row in rows] == wanted
    assert [row["sets"] for row in rows] == ["hall.kind = plate", "hall.time = 1 s"]
    assert call("syx").raw == b"".join(wanted)
    song = tmp_path / "set.mid"
    song.write_bytes(call("smf").raw)
    read = [m for m in mido.MidiFile(song).tracks[0] if not m.is_meta]
    assert [bytes(m.bytes()) for m in read] == wanted
    # 9 bytes take 2.88 ms on a DIN cable (31 250 baud, 10 bits a byte), and the sheet rests 20 ms.
    assert read[1].time == 23


def test_a_syx_file_refuses_what_it_can_not_hold(
    knobwright: Command, sheet: Path, tmp_path: Path
) -> None:
    target = tmp_path / "out.syx"
    ran = knobwright("bytes", "--sheet", sheet, "--form", "syx", "-o", target, "volume=1")
    assert ran.status == 2
    assert "no exclusive message" in ran.err
    assert not target.exists()


def test_a_plus_sign_before_a_plain_number_is_refused(knobwright: Command, sheet: Path) -> None:
    # +100 could be meant as a step, or as a shown value that the sheet does not have.
    ran = knobwright("bytes", "--sheet", sheet, "volume=+100")
    assert (ran.status, ran.out) == (2, "")
    assert "write 100" in ran.err


def test_a_line_for_one_channel_is_refused_on_another(knobwright: Command, sheet: Path) -> None:
    text = sheet.read_text(encoding="utf-8")
    fixed = '[[parameter]]\nkey = "fan"\nline = "B0 63 07 62 01 06 vv"\n\n[[question]]'
    sheet.write_text(text.replace("[[question]]", fixed, 1), encoding="utf-8")
    assert knobwright("bytes", "--sheet", sheet, "fan=1").out == "B0 63 07\nB0 62 01\nB0 06 01\n"
    ran = knobwright("bytes", "--sheet", sheet, "--channel", 2, "fan=1")
    assert (ran.status, ran.out) == (2, "")
    assert "channel 1 only" in ran.err
