"""Controllers and parameter numbers as makers print them: rows of print and the lines they make.

Numbers and names of controllers: MIDI 1.0 Detailed Specification, table III (control changes) and
table IV (channel mode); data entry by 6 and 38: the same, p. 17. Ways of print: common practice.
"""

from __future__ import annotations

from typing import Any

import pytest

from tests.core.reading.test_draft import parameters, read

ROWS = {
    "name behind a colon": ("CC#7: Volume", "Volume", "Bn 07 vv"),
    "name behind an equals sign": ("CC 10 = pan  : 0..127, starts at 64", "pan", "Bn 0A vv"),
    "name behind an arrow": ("CC 16 -> Osc mix, 0..127", "Osc mix", "Bn 10 vv"),
    "another language": ("Regler 74 = Filter (0..127)", "Filter", "Bn 4A vv"),
    "two digits are decimal": ("CC 91  Reverb send", "Reverb send", "Bn 5B vv"),
    "selectors as numbers": ("NRPN 99=1, 98=9: Depth", "Depth", "Bn 63 01 62 09 06 vv"),
    "low selector first": (
        "CC 98 = 4, CC 99 = 1, CC 6 = 0..127 : Ring",
        "Ring",
        "Bn 62 04 63 01 06 vv",
    ),
    "a slash": ("- NRPN 1/32: amp attack (0..127)", "amp attack", "Bn 63 01 62 20 06 vv"),
    "four hex digits": ("NRPN 0120h  TVF cutoff", "TVF cutoff", "Bn 63 01 62 20 06 vv"),
    "a pair of controllers": ("CC 7/39: Volume", "Volume", "Bn 07 vh 27 vl"),
    "all sound off": ("CC 120 All sound off", "All sound off", "Bn 78 00"),
    "all notes off": ("CC#123 - All notes off", "All notes off", "Bn 7B 00"),
}


@pytest.mark.parametrize("name", ROWS)
def test_a_row_makes_its_line(name: str) -> None:
    row, label, line = ROWS[name]
    drafted = read(f"THE MODULE\n\nControllers\n  {row}")
    assert {p["label"]: p["line"] for p in drafted.tree["parameter"]} == {label: line}
    assert drafted.questions == ()


FACTS: dict[str, tuple[str, dict[str, Any]]] = {
    "default in round brackets": ("CC 10  Pan  0-127  (64)", {"range": [0, 127], "default": 64}),
    "default in square brackets": ("CC 10  Pan  0-127 [64]", {"range": [0, 127], "default": 64}),
    "default and a remark": ("CC 10  Pan  0-127 (64); 64 = centre", {"default": 64}),
    "range without a gap": (
        "NRPN 0121h  Resonance 0Eh-40h-72h (-50 - 0 - +50)",
        {"range": [14, 114], "shown": {"formula": "v - 64"}},
    ),
    "what is sent for 0": ("CC 17 -> Detune, -50..+50 (0 = 64)", {"range": [14, 114]}),
    "choices that count up": (
        "CC 18  Type  0 room 1 hall 2 plate",
        {"choices": {"0": "room", "1": "hall", "2": "plate"}},
    ),
    "choices behind an equals sign": (
        "CC#22 - Wave = 0: sine, 1: saw",
        {"choices": {"0": "sine", "1": "saw"}},
    ),
    "one row, one base": ("CC#20 - Pitch (24-72)", {"range": [24, 72]}),
    "local control": ("CC 122 Local control", {"choices": {"0": "off", "127": "on"}}),
}


@pytest.mark.parametrize("name", FACTS)
def test_facts_beside_a_number(name: str) -> None:
    row, wanted = FACTS[name]
    drafted = read(f"THE MODULE\n\nControllers\n  {row}")
    (parameter,) = drafted.tree["parameter"]
    assert {k: parameter[k] for k in wanted} == wanted
    assert drafted.questions == ()


def test_a_footnote_is_no_default() -> None:
    drafted = read("THE MODULE\n\nControllers\n  CC 10  Pan  0-127 (1)\n\n(1) since version 2")
    assert "default" not in parameters(drafted)["Pan"]


def test_a_plain_list_under_its_heading() -> None:
    drafted = read(
        "PICOVOX chip\n============\n\nControl Changes\n1   Modulation  0-127\n"
        "10  Pan         0-127\n74  Cutoff      0-127  [127]\n121 Reset all controllers"
    )
    lines = {p["label"]: p["line"] for p in drafted.tree["parameter"]}
    assert lines == {
        "Modulation": "Bn 01 vv",
        "Pan": "Bn 0A vv",
        "Cutoff": "Bn 4A vv",
        "Reset all controllers": "Bn 79 00",
    }


def test_a_hexadecimal_list_says_so_by_its_letters() -> None:
    drafted = read(
        "MALLOW\nCC list (all numbers hex)\n\n01 Wheel 00-7F\n0A Pan 00-7F\n10 Cutoff 00-7F"
    )
    assert parameters(drafted)["Cutoff"]["line"] == "Bn 10 vv"
    assert parameters(drafted)["Cutoff"]["range"] == [0, 127]


def test_the_only_channel_of_a_module() -> None:
    drafted = read("BRAMBLE\n\nAlways listens on channel 3.\n\nControllers\n  CC 7  Volume  0-127")
    assert parameters(drafted)["Volume"]["line"] == "B2 07 vv"


def test_a_channel_of_the_drums_is_not_that_of_everything() -> None:
    drafted = read("BRAMBLE\n\nDrums only on channel 10.\n\nControllers\n  CC 7  Volume  0-127")
    assert parameters(drafted)["Volume"]["line"] == "Bn 07 vv"


def test_two_tables_side_by_side() -> None:
    drafted = read(
        "THE MODULE\n\nControllers\n"
        "CC   Name       Range     CC   Name     Range\n"
        "12   Room size  0 - 127   16   Mix      0 - 100\n"
        "13   Damping    0 - 127   17   Width    0 - 90\n"
    )
    found = {p["label"]: (p["line"], p["range"]) for p in drafted.tree["parameter"]}
    assert found == {
        "Room size": ("Bn 0C vv", [0, 127]),
        "Damping": ("Bn 0D vv", [0, 127]),
        "Mix": ("Bn 10 vv", [0, 100]),
        "Width": ("Bn 11 vv", [0, 90]),
    }
