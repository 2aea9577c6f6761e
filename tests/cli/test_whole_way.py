"""The whole way by commands alone: leaflet, draft, questions, check, bytes, explain, params.

Every byte below is worked out by hand from ``examples/larkfield-t4/leaflet.txt``, whose checksum
is (80h - sum of the bytes after 42 mod 80h) mod 80h, sent as 00 where that gives 80h.
"""

from __future__ import annotations

import json
import shutil
import tomllib
from pathlib import Path
from typing import Any, NamedTuple

import mido
import pytest

from tests.cli.conftest import Command, Ran

EXAMPLES = Path(__file__).parents[2] / "examples" / "larkfield-t4"

# What the two rows with a misprint or an open letter mean. The rows above the delay have 08 and
# 09, so that 1O is 0A; all rows about the hall end in a checksum, so that xx is one.
DELAY = "Bn 63 05 62 0A 06 vv"
COLOUR = "F0 7D id 42 [ 30 07 vv ] cs F7"


class Way(NamedTuple):
    """A sheet drafted from the example and answered, and what was open before."""

    sheet: Path
    asked: list[dict[str, Any]]


def draft(knobwright: Command, folder: Path, leaflet: str) -> Way:
    """Draft the example in a folder, as a user would."""
    shutil.copy(EXAMPLES / leaflet, folder / leaflet)
    sheet = folder / "t4.sheet.toml"
    ran = knobwright("draft", "--json", folder / leaflet, "-o", sheet)
    assert (ran.status, ran.err) == (0, "")
    return Way(sheet, json.loads(ran.out)["questions"])


def about(way: Way, part: str) -> str:
    """Return the one question whose name holds a part."""
    (found,) = (q["about"] for q in way.asked if part in q["about"])
    assert isinstance(found, str)
    return found


def answer_for(question: dict[str, Any]) -> str:
    """Return the answer that the maker would give, in the question's own names."""
    if "delay" in question["about"]:
        return DELAY
    if "colour" in question["about"]:
        for name, words in question["choices"].items():
            if "checksum" in name or "checksum" in words:
                return str(name)
        return COLOUR
    return str(next(iter(question["choices"])))


def answered(knobwright: Command, folder: Path, leaflet: str) -> Way:
    """Draft the example and answer all of its questions, one call a question.

    A question that does not take the maker's answer fails a test of its own; here it is left out.
    """
    way = draft(knobwright, folder, leaflet)
    for question in way.asked:
        name = question["about"]
        ran = knobwright("answer", way.sheet, f"{name}={answer_for(question)}")
        if ran.status == 2:
            ran = knobwright("answer", way.sheet, f"{name}=leave-out")
        assert ran.err == ""
        assert f"settled {name}: " in ran.out
    return way


#: The answered sheet of each leaflet: the commands need to be run only once.
_ANSWERED: dict[str, tuple[str, list[dict[str, Any]]]] = {}


@pytest.fixture(params=["leaflet.txt", "leaflet.pdf"])
def way(request: pytest.FixtureRequest, knobwright: Command, tmp_path: Path) -> Way:
    """Return the example's sheet with every question answered."""
    leaflet: str = request.param
    if leaflet not in _ANSWERED:
        made = answered(knobwright, tmp_path, leaflet)
        _ANSWERED[leaflet] = (made.sheet.read_text(encoding="utf-8"), made.asked)
    text, asked = _ANSWERED[leaflet]
    sheet = tmp_path / "t4.sheet.toml"
    sheet.write_text(text, encoding="utf-8")
    return Way(sheet, asked)


def sent(knobwright: Command, sheet: Path, *words: object) -> list[str]:
    """Return the lines that ``bytes`` prints."""
    ran = knobwright("bytes", "--sheet", sheet, *words)
    assert ran.status == 0, ran.err
    return ran.out.splitlines()


@pytest.mark.parametrize("leaflet", ["leaflet.txt", "leaflet.pdf"])
def test_what_the_print_leaves_open_is_refused_with_its_question(
    knobwright: Command, tmp_path: Path, leaflet: str
) -> None:
    way = draft(knobwright, tmp_path, leaflet)
    for part in ("vibrato-delay", "hall-colour"):
        key = about(way, part)
        (question,) = (q for q in way.asked if q["about"] == key)
        # With a good value beside it: nothing at all is printed.
        ran = knobwright("bytes", "--sheet", way.sheet, "volume=1", f"{key}=64")
        assert (ran.status, ran.out) == (2, "")
        assert "Traceback" not in ran.err
        for said in (question["place"], question["understood"], *question["choices"].values()):
            assert said in ran.err
    # What is not in doubt can be sent meanwhile.
    assert sent(knobwright, way.sheet, "volume=100") == ["B0 07 64"]
    assert knobwright("check", way.sheet).status == 1


@pytest.mark.parametrize("leaflet", ["leaflet.txt", "leaflet.pdf"])
def test_each_question_takes_the_answer_that_the_maker_would_give(
    knobwright: Command, tmp_path: Path, leaflet: str
) -> None:
    way = draft(knobwright, tmp_path, leaflet)
    for i, question in enumerate(way.asked, 1):
        ran = knobwright("answer", way.sheet, f"{question['about']}={answer_for(question)}")
        assert (ran.err, ran.status) == ("", 1 if i < len(way.asked) else 0)
    rows = json.loads(knobwright("params", "--json", "--sheet", way.sheet).out)
    lines = {row["label"]: row["line"] for row in rows}
    assert lines["Vibrato delay"] == [DELAY]
    assert lines["Hall colour"] == [COLOUR]


def test_once_answered_the_check_is_fine(knobwright: Command, way: Way) -> None:
    ran = knobwright("check", way.sheet)
    assert (ran.status, ran.err) == (0, "")
    assert "no faults" in ran.out
    assert "question" not in ran.out
    assert "question" not in tomllib.loads(way.sheet.read_text(encoding="utf-8"))


# typed words -> the messages. Section 1: controllers; section 2: NRPN 05 xx; section 3: F0 7D 10
# 42 and the address; section 4: the address begins with 4p, p the block of the channel.
BY_HAND = {
    # Bn 07 vv, 100 = 64h
    "a controller": (["volume=100"], 1, None, ["B0 07 64"]),
    # channel 16 is n = F; 2Bh = 43
    "a controller on the last channel": (["hall send=43"], 16, None, ["BF 5B 2B"]),
    # vv = 40h + 40 = 104 = 68h
    "a signed shown value": (["brightness=+40"], 1, None, ["B0 63 05", "B0 62 12", "B0 06 68"]),
    # vv = 40h - 20 = 44 = 2Ch; channel 3 is n = 2
    "below the middle": (["attack=-20"], 3, None, ["B2 63 05", "B2 62 20", "B2 06 2C"]),
    # low part first: 10 000 = 78 * 128 + 16 = 4Eh, 10h
    "low part first": (["pitch bend=raw 10000"], 1, None, ["E0 10 4E"]),
    # 12 345 = 96 * 128 + 57 = 60h, 39h; the maker's line has vl vh, and no checksum
    "another maker's line": (["master volume=raw 12345"], 1, None, ["F0 7F 7F 04 01 39 60 F7"]),
    # high part in 06, low part in 26: 12 289 = 96 * 128 + 1
    "two controllers": (
        ["fine tune=raw 12289"], 1, None, ["B0 65 00", "B0 64 01", "B0 06 60", "B0 26 01"],
    ),
    # 40 + ln(1.8) / 0.025 = 63.5; exp(23 * 0.025) = 1.777 is 0.023 off and exp(24 * 0.025) = 1.822
    # is 0.022 off, so vv = 64 = 40h; 30 + 05 + 40 = 75h; 80 - 75 = 0B (the leaflet's own example)
    "a shown value by its formula": (["hall time=1.8 s"], 1, None, ["F0 7D 10 42 30 05 40 0B F7"]),
    # 30 + 05 + 4B = 80h: the checksum is 00, never 80
    "a sum of 80h": (["hall time=4Bh"], 1, None, ["F0 7D 10 42 30 05 4B 00 F7"]),
    # 30 + 06 + 02 = 38h; 80 - 38 = 48
    "a choice": (["hall kind=plate"], 1, None, ["F0 7D 10 42 30 06 02 48 F7"]),
    # 350 = 2 * 128 + 94 = 02h 5Eh; 31 + 00 + 02 + 5E = 91h, low seven bits 11; 80 - 11 = 6F
    "two bytes in ms": (["echo time=350 ms"], 1, None, ["F0 7D 10 42 31 00 02 5E 6F F7"]),
    # 1000 = 7 * 128 + 104 = 07h 68h; 31 + 00 + 07 + 68 = A0h, 20; 80 - 20 = 60
    "the end of a range": (["echo time=1000"], 1, None, ["F0 7D 10 42 31 00 07 68 60 F7"]),
    # channel 10 has block 0; 90 = 5Ah; 40 + 02 + 5A = 9Ch, 1C; 80 - 1C = 64
    "a part: channel 10": (["part level=90"], 10, None, ["F0 7D 10 42 40 02 5A 64 F7"]),
    # channel 1 has block 1; 41 + 02 + 5A = 9Dh, 1D; 80 - 1D = 63
    "a part: channel 1": (["part level=90"], 1, None, ["F0 7D 10 42 41 02 5A 63 F7"]),
    # channel 11 has block A; 4A + 02 + 5A = A6h, 26; 80 - 26 = 5A
    "a part: channel 11": (["part level=90"], 11, None, ["F0 7D 10 42 4A 02 5A 5A F7"]),
    # mono = 01; channel 9 has block 9; 49 + 08 + 01 = 52h; 80 - 52 = 2E
    "a part's choice": (["voice mode=mono"], 9, None, ["F0 7D 10 42 49 08 01 2E F7"]),
    # key 38 = 26h, 110 = 6Eh; always channel 10, n = 9
    "a drum key": (["key level=110"], 10, 38, ["B9 63 1A", "B9 62 26", "B9 06 6E"]),
    # the answers: 40h + 10 = 74 = 4Ah
    "a misprint once answered": (
        ["vibrato delay=+10"], 1, None, ["B0 63 05", "B0 62 0A", "B0 06 4A"],
    ),
    # 30 + 07 + 64 (100 = 64h) = 9Bh, 1B; 80 - 1B = 65
    "an open letter once answered": (
        ["hall colour=100"], 1, None, ["F0 7D 10 42 30 07 64 65 F7"],
    ),
    "an action": (["all notes off=do"], 2, None, ["B1 7B 00"]),
}  # fmt: skip


@pytest.mark.parametrize(("words", "channel", "key", "lines"), BY_HAND.values(), ids=BY_HAND.keys())
@pytest.mark.parametrize("way", ["leaflet.txt"], indirect=True)
def test_bytes_are_those_worked_out_by_hand(
    knobwright: Command, way: Way, words: list[str], channel: int, key: int | None, lines: list[str]
) -> None:
    options = ["--channel", channel, *(["--key", key] if key is not None else [])]
    assert sent(knobwright, way.sheet, *options, *words) == lines
    for line in lines:
        mido.Message.from_bytes(bytes.fromhex(line))  # raises for what is no message


# Section 8: Bn 00 bh 20 00 Cn pp, where pp is the number less 1.
PROGRAMS = {
    "Felt piano": ["B0 00 00", "B0 20 00", "C0 01"],
    "Upright, wide": ["B0 00 01", "B0 20 00", "C0 00"],
    "Warm pad": ["B0 00 00", "B0 20 00", "C0 13"],
}


@pytest.mark.parametrize(("name", "lines"), PROGRAMS.items())
def test_a_program_is_the_printed_one_or_refused(
    knobwright: Command, way: Way, name: str, lines: list[str]
) -> None:
    ran = knobwright("bytes", "--sheet", way.sheet, f"program={name}")
    if ran.status == 0:
        assert ran.out.splitlines() == lines
    else:
        assert (ran.status, ran.out) == (2, "")


def test_the_pdf_and_the_text_give_the_same_bytes(knobwright: Command, tmp_path: Path) -> None:
    sheets = []
    for kind in ("txt", "pdf"):
        folder = tmp_path / kind
        folder.mkdir()
        sheets.append(answered(knobwright, folder, f"leaflet.{kind}").sheet)
    for words, channel, key, _ in BY_HAND.values():
        options = ["--channel", channel, *(["--key", key] if key is not None else [])]
        text, pdf = (sent(knobwright, sheet, *options, *words) for sheet in sheets)
        assert text == pdf


@pytest.mark.parametrize("way", ["leaflet.txt"], indirect=True)
def test_explain_gives_the_names_and_values_back(knobwright: Command, way: Way) -> None:
    said = {
        "B0 63 05 62 12 06 68": ["Brightness", "+40", "raw 104", "channel 1"],
        "F0 7D 10 42 30 05 40 0B F7": ["Hall time", "1.822 s", "raw 64"],
        "F0 7D 10 42 30 06 02 48 F7": ["Hall kind", "plate"],
        "F0 7D 10 42 31 00 02 5E 6F F7": ["Echo time", "350 ms"],
        "F0 7D 10 42 40 02 5A 64 F7": ["Part level", "90", "channel 10"],
        "B9 63 1A 62 26 06 6E": ["Key level", "110", "key 38"],
        "F0 7D 10 42 30 07 64 65 F7": ["Hall colour", "100"],
    }
    for spelled, words in said.items():
        ran = knobwright("explain", "--sheet", way.sheet, spelled)
        assert (ran.status, ran.err) == (0, "")
        for word in words:
            assert word in ran.out, f"{word!r} in {ran.out}"
    # The leaflet's own arithmetic, and a checksum that is off by one.
    good = knobwright("explain", "--sheet", way.sheet, "F0 7D 10 42 30 05 40 0B F7")
    assert "30 + 05 + 40 = 75h" in good.out
    bad = knobwright("explain", "--sheet", way.sheet, "F0 7D 10 42 30 05 40 0C F7")
    assert bad.status == 1
    assert "its checksum is 0C and should be 0B" in bad.out


@pytest.mark.parametrize("way", ["leaflet.txt"], indirect=True)
def test_everything_that_bytes_writes_is_explained(
    knobwright: Command, way: Way, tmp_path: Path
) -> None:
    rows = json.loads(knobwright("params", "--json", "--sheet", way.sheet).out)
    song = tmp_path / "all.bin"
    n_sent = 0
    for row in rows:
        if row["danger"]:
            continue
        value = "do" if row["action"] else f"raw {row['range'][-1][-1]}"
        options = ["--channel", "10"] + (["--key", "38"] if "key" in row["per"] else [])
        lines = sent(knobwright, way.sheet, *options, f"{row['key']}={value}")
        song.write_bytes(bytes.fromhex("".join(lines)))
        ran = knobwright("explain", "--json", "--sheet", way.sheet, "--file", song)
        told = " ".join(words for one in json.loads(ran.out) for words in one["sets"])
        assert ran.status == 0, f"{row['key']}: {ran.out}"
        assert row["key"] in told, f"{row['key']}: {lines} is told as {told!r}"
        n_sent += 1
    assert n_sent > 40


def test_params_lists_what_the_leaflet_prints(knobwright: Command, way: Way) -> None:
    ran: Ran = knobwright("params", "--sheet", way.sheet)
    assert (ran.status, ran.err) == (0, "")
    assert "open question" not in ran.out
    rows = json.loads(knobwright("params", "--json", "--sheet", way.sheet).out)
    found = {row["label"]: row for row in rows}
    # name: range, default, per, choices as the leaflet prints them
    wanted: dict[str, tuple[list[int], int | None, list[str], dict[str, str]]] = {
        "Volume": ([0, 0x7F], 0x64, ["channel"], {}),
        "Coarse tune": ([0x28, 0x58], 0x40, ["channel"], {}),
        "Brightness": ([0, 0x7F], 0x40, ["channel"], {}),
        "Hall kind": ([0, 2], 1, [], {"0": "room", "1": "stage", "2": "plate"}),
        "Echo time": ([0, 1000], 2 * 128 + 0x2C, [], {}),
        "Voice mode": ([0, 1], 0, ["channel"], {"0": "poly", "1": "mono"}),
        "Key pitch": ([0x34, 0x4C], 0x40, ["key"], {}),
        "Vibrato delay": ([0, 0x7F], 0x40, ["channel"], {}),
    }
    for label, (ranges, default, per, choices) in wanted.items():
        row = found[label]
        assert (row["range"], row["default"], row["per"], row["choices"]) == (
            [ranges], default, per, choices,
        ), label  # fmt: skip
    # "What stands under Also does the same": a second way to the same parameter.
    assert found["Brightness"]["routes"] == [["Bn 63 05 62 12 06 vv"], ["Bn 4A vv"]]


def test_answers_survive_a_second_draft(knobwright: Command, tmp_path: Path) -> None:
    way = answered(knobwright, tmp_path, "leaflet.txt")
    before = way.sheet.read_bytes()
    ran = knobwright("draft", tmp_path / "leaflet.txt", "-o", way.sheet)
    assert ran.status == 2
    assert "may hold your answers" in ran.err
    assert way.sheet.read_bytes() == before
