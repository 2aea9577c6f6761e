"""The parts file: values worked out, every fault with its line."""

from __future__ import annotations

import pytest

from knobwright.core.errors import SheetError
from knobwright.core.fitting.programs import Choice
from knobwright.core.fitting.wanted import Wanted, check_wanted
from tests.core.fitting.made import codec_of, larkfield

BOTH = codec_of("""
format = 1
[module]
name = "Sedge"
channels = "1-4"
[[parameter]]
key = "pad.level"
per = ["channel", "key"]
line = "Bn 63 1A 62 kk 06 vv"
[[parameter]]
key = "wipe"
line = "F0 7D 01 F7"
danger = "it erases all sounds"
[[parameter]]
key = "colour"
line = "F0 7D 02 vv F7"
[[question]]
about = "colour"
place = "row 3"
understood = "F0 7D 02 vv F7"
choices = { yes = "so", no = "not so" }
""")


def wanted(text: str) -> Wanted:
    return check_wanted("format = 1\n" + text, larkfield()).require()


def faults(text: str) -> list[str]:
    return [str(f) for f in check_wanted(text, larkfield()).faults]


def test_values_may_be_dotted_or_quoted_raw_or_as_shown() -> None:
    found = wanted("""
[module]
hall.kind = "plate"
"hall.level" = 9
[part.3]
tone.brightness = "+12"
channel.volume = "40h"
program = 1
[keys.36]
drum.pitch = "-2"
""")
    assert {v.place: v.raw for v in found.values} == {
        ("hall.kind", None, None): 2,
        ("hall.level", None, None): 9,
        ("tone.brightness", 3, None): 76,
        ("channel.volume", 3, None): 0x40,
        ("drum.pitch", None, 36): 62,
    }
    assert found.programs == {3: Choice(1)}
    by_key = {v.key: v for v in found.values}
    assert by_key["channel.volume"].messages == (bytes.fromhex("B2 07 40"),)
    assert by_key["tone.brightness"].words == "channel 3, tone.brightness = +12"


def test_a_parameter_per_channel_and_key_stands_under_its_part() -> None:
    text = "format = 1\n[part.2.keys.36]\npad.level = 5\n"
    (value,) = check_wanted(text, BOTH).require().values
    assert value.place == ("pad.level", 2, 36)
    # Line of the sheet, channel 2 is n = 1, key 36 is 24 hex.
    assert b"".join(value.messages) == bytes.fromhex("B1 63 1A B1 62 24 B1 06 05")


def test_what_decides_is_sent_before_what_depends_on_it() -> None:
    codec = codec_of("""
format = 1
[module]
name = "Sedge"
[[parameter]]
key = "echo.time"
line = "B0 10 vv"
when = { "echo.kind" = [1] }
[[parameter]]
key = "echo.kind"
line = "B0 11 vv"
""")
    text = "format = 1\n[module]\necho.time = 5\necho.kind = 1\n"
    assert [v.key for v in check_wanted(text, codec).require().values] == ["echo.kind", "echo.time"]


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("[module]\nhall.kind = 1", 1, "format = 1 is required"),
        ("format = 1\n[modul]\n", 2, "there is no key 'modul'"),
        ("format = 1\n[module]\nhall.knd = 1", 3, "no parameter 'hall.knd'"),
        ("format = 1\n[module]\nhall.kind = 7", 3, "outside the range"),
        ("format = 1\n[module]\nhall.kind = 'blue'", 3, "no value of hall.kind"),
        ("format = 1\n[module]\nchannel.volume = 7", 3, "is set in [part.N], not here"),
        ("format = 1\n[part.1]\nhall.kind = 1", 3, "is set in [module], not here"),
        ("format = 1\n[part.1]\ndrum.level = 1", 3, "is set in [keys.KEY], not here"),
        ("format = 1\n[part.17]\nchannel.volume = 1", 2, "a number from 1 to 16"),
        ("format = 1\n[part.x]\nchannel.volume = 1", 2, "a number from 1 to 16"),
        ("format = 1\n[keys.128]\ndrum.level = 1", 2, "a number from 0 to 127"),
        ("format = 1\n[part.1]\nprogram = 99", 3, "list has no program 99"),
        ("format = 1\n[part.1]\nprogram = 'Uprigt'", 3, "no program is called"),
        ("format = 1\n[part.1]\nprogram = true", 3, "a program is a printed number"),
        ("format = 1\n[part.1]\nprogram = 500", 3, "there is no program 500"),
        ("format = 1\n[part.1]\nchannel.volume = 1\n'channel.volume' = 2", 4, "given twice"),
        ("format = 1\npart = 3", 2, "part must be a table"),
        ("format = 1\n[part]\n1 = 3", 3, "part.1 must be a table"),
        ("format = ", 1, "not TOML"),
    ],
)  # fmt: skip
def test_a_fault_has_its_line(text: str, line: int, words: str) -> None:
    found = faults(text)
    assert any(f"line {line}:" in fault and words in fault for fault in found), found


def test_lines_marked_as_danger_and_open_questions_are_refused() -> None:
    text = "format = 1\n[module]\nwipe = 'do'\ncolour = 3\n[part.9]\n"
    found = [str(f) for f in check_wanted(text, BOTH).faults]
    assert any("marked as dangerous" in fault and "line 3" in fault for fault in found), found
    assert any("open question" in fault and "line 4" in fault for fault in found)
    assert any("no channel 9" in fault for fault in found)
    with pytest.raises(SheetError, match="and 2 more"):
        check_wanted(text, BOTH).require()
