"""The command song: what it says of good songs, of broken ones, and of none."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from knobwright.cli.commands import COMMANDS, CommandRow
from tests.cli.bad_songs import BAD, BadSong
from tests.cli.conftest import Command
from tests.core.song import made
from tests.oracle import midifile
from tests.wiring.survey_songs import SHEET, chord

#: What a terminal must never see raw.
RAW = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff]")
BENCH = Path(__file__).parents[2] / "examples" / "larkfield-bench"


@pytest.fixture(autouse=True)
def row(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make sure that the command can be called."""
    monkeypatch.setitem(COMMANDS, "song", CommandRow("song", "song", "Examine a song."))


@pytest.fixture
def song(tmp_path: Path) -> Path:
    """Return the path of a song: a chord of twelve notes, and a program that is not there."""
    path = tmp_path / "chord.mid"
    path.write_bytes(made.song(chord(12, program=3)))
    return path


@pytest.fixture
def quince(tmp_path: Path) -> Path:
    """Return the path of a small sheet."""
    path = tmp_path / "quince.sheet.toml"
    path.write_text(SHEET)
    return path


def test_a_good_song_is_told_and_found_well(knobwright: Command, tmp_path: Path) -> None:
    path = tmp_path / "one.mid"
    path.write_bytes(made.EXAMPLE_1)
    ran = knobwright("song", path)
    assert (ran.status, ran.err) == (0, "")
    # RP-001, the example of format 1: 4 notes in 2 s, 11 channel messages, 30 bytes = 9.6 ms on
    # the wire with full status.
    assert "4 tracks, 96 ticks a quarter note, 0:02.0, 11 messages, 4 notes" in ran.out
    assert "full status: 30 bytes" in ran.out
    assert "4 at bar 1" in ran.out
    assert ran.out.rstrip().endswith("Nothing was found that stands in the way.")


def test_what_stands_in_the_way_has_its_place_and_next_step(
    knobwright: Command, song: Path, quince: Path
) -> None:
    ran = knobwright("song", song, "--sheet", quince)
    assert ran.status == 1
    assert "held against Quince 9" in ran.out
    for words in (
        r"1:1 +part-program-missing +channel 1: program 4",
        r"1:1 +voices-short +up to 12 voices are wanted and the module has 4",
        r"1:1 +wire-notes +\d+ notes are up to 12\.2 ms late",
        r"part-program-missing +trouble +name a substitute in a mapping",
    ):
        assert re.search(words, ran.out), words


def test_json_holds_the_same_and_more(knobwright: Command, song: Path, quince: Path) -> None:
    ran = knobwright("song", song, "--sheet", quince, "--json")
    seen = json.loads(ran.out)
    assert ran.status == 1
    assert seen["wire"]["n_bytes"] == 2 + 12 * 3 * 2
    assert seen["worst"]["wait_ns"] == 38 * 320_000
    assert seen["worst"]["wait_running_ns"] == 27 * 320_000
    assert seen["voices"]["peak"] == 12
    assert seen["parts"][0]["programs"][0]["is_known"] is False
    assert {row["name"] for row in seen["findings"]} >= {"voices-short", "part-program-missing"}
    for row in seen["findings"]:
        assert row["next"]
        assert row["severity"] in ("trouble", "remark")
        assert (row["bar"], row["beat"]) == (1, 1.0)
    assert [row["at_ns"] for row in seen["findings"]] == sorted(
        row["at_ns"] for row in seen["findings"]
    )


def test_speed_and_running_status_change_the_wait(knobwright: Command, song: Path) -> None:
    def wait(*words: str) -> int:
        found = json.loads(knobwright("song", song, "--json", *words).out)["worst"]["wait_ns"]
        assert isinstance(found, int)
        return found

    assert wait() == 38 * 320_000
    assert wait("--running-status") == 27 * 320_000
    assert wait("--baud", "38400") == pytest.approx(38 * 10 / 38_400 * 1e9, abs=38)
    assert wait("--baud", "0") == 0
    assert wait("--full-status", "--baud", "31250") == 38 * 320_000


def test_a_bench_gives_sheet_and_link(knobwright: Command, song: Path) -> None:
    ran = knobwright("song", song, "--bench", BENCH, "--json")
    seen = json.loads(ran.out)
    assert seen["module"] == "Larkfield T4"
    assert seen["wire"]["link"] == {
        "baud": 31_250, "running_status": False, "gap_ns": 20_000_000, "gap_holds": "exclusive",
    }  # fmt: skip
    assert seen["voices"]["limit"] == 28


def test_voices_can_be_said_without_a_sheet(knobwright: Command, song: Path) -> None:
    assert "voices-short" not in knobwright("song", song).out
    ran = knobwright("song", song, "--voices", "6")
    assert "the module has 6" in ran.out
    assert ran.status == 1


def test_the_rule_by_which_notes_are_cut_is_chosen(knobwright: Command, song: Path) -> None:
    def cut(rule: str) -> dict[str, int]:
        ran = knobwright("song", song, "--voices", "6", "--rule", rule, "--json")
        found: dict[str, int] = json.loads(ran.out)["voices"]
        return found

    assert (cut("oldest")["n_cut"], cut("oldest")["n_refused"]) == (6, 0)
    assert (cut("refused")["n_cut"], cut("refused")["n_refused"]) == (6, 6)
    ran = knobwright("song", song, "--rule", "loudest")
    assert (ran.status, "loudest" in ran.err) == (2, True)


def test_a_pattern_of_format_2_is_chosen(knobwright: Command, tmp_path: Path) -> None:
    path = tmp_path / "two.mid"
    path.write_bytes(made.song(chord(1), chord(3), song_format=2))
    first = json.loads(knobwright("song", path, "--json").out)
    second = json.loads(knobwright("song", path, "--json", "--pattern", "2").out)
    assert (first["voices"]["n_notes"], second["voices"]["n_notes"]) == (1, 3)
    assert "song-patterns" in {row["name"] for row in first["findings"]}
    ran = knobwright("song", path, "--pattern", "3")
    assert (ran.status, "there is no 3" in ran.err) == (2, True)


def test_many_findings_are_cut_short_unless_all_are_wanted(
    knobwright: Command, tmp_path: Path, quince: Path
) -> None:
    path = tmp_path / "many.mid"
    controls = " ".join(f"30 B0 {number:02X} 40" for number in range(12, 32))
    controls += " ".join(f"30 B0 {number:02X} 40" for number in range(70, 96))
    path.write_bytes(made.song(f"00 C0 00 00 90 3C 40 {controls} 00 80 3C 40 {made.END}"))
    short = knobwright("song", path, "--sheet", quince).out
    assert "The first 40 by time; 6 more with --all." in short
    whole = knobwright("song", path, "--sheet", quince, "--all").out
    assert whole.count("part-controller-unknown ") == 46 + 1


def test_an_exclusive_message_of_strangers_is_told(
    knobwright: Command, tmp_path: Path, quince: Path
) -> None:
    path = tmp_path / "foreign.mid"
    path.write_bytes(made.song(f"00 F0 05 7D 10 01 02 F7 {chord(1)}"))
    ran = knobwright("song", path, "--sheet", quince)
    assert "song-exclusive-foreign" in ran.out
    assert "F0 7D 10 01 02 F7" in ran.out


@pytest.mark.parametrize("bad", BAD.values(), ids=BAD)
def test_a_broken_song_is_told(knobwright: Command, tmp_path: Path, bad: BadSong) -> None:
    path = tmp_path / "bad.mid"
    path.write_bytes(bad.data)
    ran = knobwright("song", path)
    assert ran.status == bad.status, ran.err
    assert bad.words in ran.out + ran.err
    assert not RAW.search(ran.out + ran.err)
    if bad.n_notes is not None:
        assert re.search(rf"\b{bad.n_notes} notes?\b", ran.out)
    if bad.status == 2:
        assert ran.out == ""
        assert ran.err.startswith(f"knobwright: {path}: ")
    shown = knobwright("song", path, "--json")
    assert shown.status == bad.status
    assert not RAW.search(shown.out)


def test_strict_makes_a_fault_an_error(knobwright: Command, tmp_path: Path) -> None:
    path = tmp_path / "bad.mid"
    path.write_bytes(BAD["key signature 255"].data)
    ran = knobwright("song", path, "--strict")
    assert (ran.status, ran.out) == (2, "")
    assert "does not keep to the standard" in ran.err


def test_faults_are_listed_with_offset_and_track(knobwright: Command, tmp_path: Path) -> None:
    path = tmp_path / "bad.mid"
    path.write_bytes(BAD["key signature 255"].data)
    assert re.search(r"byte 26, track 1: .*found 255: kept", knobwright("song", path).out)


@pytest.mark.parametrize("words", [("nowhere.mid",), (".",)])
def test_what_is_no_file_is_trouble(knobwright: Command, words: tuple[str, ...]) -> None:
    ran = knobwright("song", *words)
    assert (ran.status, ran.out) == (3, "")


def test_sheet_and_bench_do_not_go_together(knobwright: Command, song: Path, quince: Path) -> None:
    ran = knobwright("song", song, "--sheet", quince, "--bench", BENCH)
    assert (ran.status, "a bench has its own sheet" in ran.err) == (2, True)


def test_the_worst_waits_known_for_real_songs(knobwright: Command, tmp_path: Path) -> None:
    """Reckoned apart from this program with mido's order of messages, 320 us a byte."""
    midifile.require("freedoom")
    known = {"D_E3M8": (446.4, 372.5), "D_E2M4": (334.1, 271.0), "D_E3M1": (329.6, 275.2)}
    for name, data in midifile.songs("freedoom"):
        lump = name.partition(":")[2]
        if not name.startswith("freedoom1") or lump not in known:
            continue
        path = tmp_path / f"{lump}.mid"
        path.write_bytes(data)
        worst = json.loads(knobwright("song", path, "--json").out)["worst"]
        found = (worst["wait_ns"] / 1e6, worst["wait_running_ns"] / 1e6)
        assert found == pytest.approx(known.pop(lump), abs=0.1)
    assert not known
