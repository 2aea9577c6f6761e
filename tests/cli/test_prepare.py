"""``knobwright prepare``, as it is typed."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import click
import pytest

from knobwright.cli.commands.prepare import command
from knobwright.core.song.read import read_song
from tests.cli.conftest import Ran
from tests.core.fitting.made import ROOT, played
from tests.core.song import made

SONG = made.song(
    "00 F0 07 41 10 42 12 00 00 F7 00 C0 30 00 B0 07 50 00 90 3C 40 00 99 39 40 60 80 3C 40"
    " 00 FF 2F 00"
)
Prepare = Callable[..., Ran]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Stand in a folder with a bench and a song."""
    shutil.copytree(ROOT / "examples" / "larkfield-bench", tmp_path / "bench")
    (tmp_path / "song.mid").write_bytes(SONG)
    monkeypatch.chdir(tmp_path)
    return tmp_path


@pytest.fixture
def prepare(
    folder: Path, knobwright: Callable[..., Ran], monkeypatch: pytest.MonkeyPatch
) -> Prepare:
    """Run the command, whether or not the program lists it yet."""
    from knobwright.cli import commands

    row = commands.CommandRow("prepare", "prepare", "Prepare a song.")
    monkeypatch.setitem(commands.COMMANDS, "prepare", row)
    assert isinstance(command, click.Command)

    def run(*words: str) -> Ran:
        return knobwright("prepare", *words)

    return run


def test_a_song_gets_its_bar_and_tells_what_was_left_out(folder: Path, prepare: Prepare) -> None:
    ran = prepare("song.mid", "--bench", "bench", "-o", "out.mid")
    assert ran.status == 1
    assert ran.out.startswith("out.mid: 1 bar of set-up (2.00 s, ")
    assert "left out: F0 41 10 42 12 00 00 F7 (8 bytes, 1 times" in ran.out
    assert '--keep "F0 41 10 42"' in ran.out
    assert "may want a substitute" in ran.out
    assert read_song((folder / "out.mid").read_bytes()).faults == ()
    again = prepare("song.mid", "--bench", "bench", "-o", "out.mid", "--keep", "F0 41 10 42")
    assert again.status == 0
    assert "left out" not in again.out


def test_proposals_are_written_changed_and_applied(folder: Path, prepare: Prepare) -> None:
    ran = prepare("song.mid", "--bench", "bench", "--propose", "my.mapping.toml")
    assert ran.status == 0
    assert ran.out.splitlines()[0].startswith("my.mapping.toml: 2 proposals;")
    assert "drum key 57 Crash Cymbal 2: perhaps crash (both are crashes)" in ran.out
    assert not (folder / "out.mid").exists()
    ran = prepare("song.mid", "--bench", "bench", "--mapping", "my.mapping.toml", "-o", "out.mid")
    assert "channel 1: program 49 String Ensemble 1 is now program 16, Strings" in ran.out
    assert "1 drum note moved to another key by the mapping" in ran.out
    messages = [row.message for row in played((folder / "out.mid").read_bytes())]
    assert bytes.fromhex("C0 0F") in messages
    assert bytes.fromhex("99 31 40") in messages


def test_a_parts_file_a_start_and_the_lists_of_the_set_up(folder: Path, prepare: Prepare) -> None:
    (folder / "my.parts.toml").write_text(
        'format = 1\n[module]\nhall.kind = "plate"\n[part.1]\nprogram = "Upright"\n',
        encoding="utf-8",
    )
    ran = prepare(
        "song.mid", "--sheet", "bench/larkfield-t4.sheet.toml", "-o", "out.mid",
        "--parts", "my.parts.toml", "--syx", "set.syx", "--drop-repeats", "--leave-start",
    )  # fmt: skip
    assert ran.status == 1
    assert "the song wins" in ran.out
    assert "set.syx: 2 exclusive messages; set.txt lists the whole set-up" in ran.err
    assert (folder / "set.syx").read_bytes().startswith(bytes.fromhex("F0 7E 7F 09 01 F7 F0 7D"))
    assert "hall.kind = plate" in (folder / "set.txt").read_text(encoding="utf-8")
    late = prepare("song.mid", "--bench", "bench", "-o", "out.mid", "--from", "100ms")
    assert late.status == 1
    assert "1 note-off left out: the note lies before the start" in late.out


def test_json_tells_the_same(folder: Path, prepare: Prepare) -> None:
    ran = prepare("song.mid", "--bench", "bench", "-o", "out.mid", "--json")
    done = json.loads(ran.out)
    assert done["bars"][0]["n_bars"] == 1
    assert done["bars"][0]["placed"][0]["message"] == "F0 7E 7F 09 01 F7"
    assert done["left_out"][0]["first"] == "F0 41 10 42 12 00 00 F7"
    assert "data" not in done


#: Twenty keys struck twice at once on a module of 28 voices, under a slow fade in single steps.
CROWDED = made.song(
    "".join(f"00 90 {key:02X} 40 00 90 {key:02X} 30 " for key in range(48, 68))
    + "".join(f"04 B0 07 {value:02X} " for value in range(100, 60, -1))
    + "".join(f"00 80 {key:02X} 40 00 80 {key:02X} 40 " for key in range(48, 68))
    + made.END
)


def test_a_song_is_mended_and_thinned_when_it_is_asked_for(folder: Path, prepare: Prepare) -> None:
    (folder / "song.mid").write_bytes(CROWDED)
    plain = prepare("song.mid", "--bench", "bench", "-o", "plain.mid")
    assert "mended" not in plain.out
    assert "thinned" not in plain.out
    ran = prepare(
        "song.mid", "--bench", "bench", "-o", "out.mid", "--mend", "doubled", "--thin",
        "--tolerance", "volume=3",
    )  # fmt: skip
    assert ran.status == 0
    assert "  mended: notes cut 12 -> 0, with the key still down 12 -> 0\n" in ran.out
    assert "    doubled: leave out 20 notes that another note of the same channel" in ran.out
    assert re.search(r"  thinned: \d+ messages \(\d+ bytes\) taken out, the longest wait ", ran.out)
    assert re.search(r"    channel.volume on channel 1: \d+ of 40 values taken out", ran.out)
    assert "the same music means here: that of the song as it was mended and thinned" in ran.out
    assert re.search(r"as it was written: the longest wait [\d.]+ ms, .* 0 notes cut\n", ran.out)
    n_before, n_after = (
        len([row for row in played((folder / name).read_bytes()) if row.message[0] == 0xB0])
        for name in ("plain.mid", "out.mid")
    )
    assert n_before - n_after == taken_out(ran.out)


def taken_out(text: str) -> int:
    found = re.search(r"channel 1: (\d+) of 40 values", text)
    assert found is not None
    return int(found[1])


def test_json_tells_what_was_mended_and_thinned(folder: Path, prepare: Prepare) -> None:
    (folder / "song.mid").write_bytes(CROWDED)
    words = ("song.mid", "--bench", "bench", "-o", "out.mid", "--json")
    assert json.loads(prepare(*words).out)["lightened"] is None
    done = json.loads(prepare(*words, "--mend", "doubled", "--thin").out)["lightened"]
    assert done["mended"][0]["before"]["n_cut"] == 12
    assert done["mended"][0]["after"]["n_cut"] == 0
    assert done["mended"][0]["steps"][0]["name"] == "doubled"
    removed = done["thinned"][0]["removed"][0]
    assert (removed["name"], removed["tolerance"]) == ("channel.volume", 1)
    assert done["thinned"][0]["n_messages"] == removed["n_removed"]
    assert done["thinned"][0]["before"]["worst_ns"] >= done["thinned"][0]["after"]["worst_ns"]
    assert done["prepared"][0]["voices"]["n_cut"] == 0


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (["song.mid", "--bench", "bench"], 2, "name the prepared song"),
        (["song.mid", "-o", "out.mid"], 2, "--sheet SHEET or --bench BENCH"),
        (["song.mid", "--bench", "bench", "--sheet", "midi-1", "-o", "o.mid"], 2, "for one module"),
        (["song.mid", "--bench", "bench", "-o", "song.mid"], 2, "the song's own place"),
        (["none.mid", "--bench", "bench", "-o", "out.mid"], 3, "there is no such song"),
        (["song.mid", "--bench", "bench", "-o", "no/out.mid"], 3, "the folder does not exist"),
        (["song.mid", "--bench", "bench", "-o", "out.mid", "--syx", "a.txt"], 2, "ends in .syx"),
        (["song.mid", "--bench", "bench", "-o", "out.mid", "--keep", "F0"], 2, "maker's id"),
        (["song.mid", "--bench", "bench", "-o", "out.mid", "--from", "9min"], 2, "last message"),
        (["song.mid", "--bench", "bench", "-o", "out.mid", "--parts", "x"], 3, "can't be read"),
        (["bad.mid", "--bench", "bench", "-o", "out.mid"], 2, "bad.mid"),
        (["bench/bench.toml", "--bench", "bench", "-o", "out.mid"], 2, "bench.toml"),
    ],
)  # fmt: skip
def test_bad_input_is_one_sentence_with_the_next_step(
    folder: Path, prepare: Prepare, words: list[str], status: int, said: str
) -> None:
    (folder / "bad.mid").write_bytes(SONG[:20])
    ran = prepare(*words)
    assert (ran.status, "Traceback" in ran.err) == (status, False), ran.err
    assert said in ran.err
    assert not (folder / "out.mid").exists()
    assert (folder / "song.mid").read_bytes() == SONG


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--bench", "bench", "--tolerance", "bend=3"], "add --thin"),
        (["--bench", "bench", "--thin", "--tolerance", "bend"], "bend=3"),
        (["--bench", "bench", "--thin", "--tolerance", "bend=3 ms"], "counted in cents"),
        (["--bench", "bench", "--mend", "louder"], "there is doubled"),
        (["--bench", "bench", "--mend", "shorter-tails"], "on the module"),
        (["--sheet", "midi-1", "--mend", "doubled"], "how many voices"),
    ],
)
def test_what_can_not_be_mended_or_thinned_is_said(
    folder: Path, prepare: Prepare, words: list[str], said: str
) -> None:
    ran = prepare("song.mid", "-o", "out.mid", *words)
    assert (ran.status, "Traceback" in ran.err) == (2, False), ran.err
    assert said in ran.err
    assert not (folder / "out.mid").exists()


def test_names_of_strangers_are_harmless_on_a_terminal(folder: Path, prepare: Prepare) -> None:
    name = "evil\x1b[2J.mid"
    ran = prepare("song.mid", "--bench", "bench", "-o", name)
    assert "\x1b" not in ran.out
    assert (folder / name).exists()
