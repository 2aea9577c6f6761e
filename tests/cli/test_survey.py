"""The command survey: one table of many songs, whatever the songs are and whenever it stops."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from knobwright.adapters.files.survey_table import FORMS
from knobwright.cli.commands import COMMANDS, CommandRow
from knobwright.core.song.records import MAX_BYTES
from tests.cli.bad_songs import BAD
from tests.cli.conftest import Command
from tests.policy.tree import ROOT
from tests.wiring.survey_songs import SHEET, write_songs

RAW = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200b-\u200f\u2028-\u202e\u2066-\u2069\ufeff]")
N_SONGS = 20


@pytest.fixture(autouse=True)
def row(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make sure that the command can be called."""
    monkeypatch.setitem(COMMANDS, "survey", CommandRow("survey", "survey", "Survey a folder."))


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder of songs, with a sheet beside it."""
    write_songs(tmp_path / "songs", N_SONGS)
    (tmp_path / "quince.sheet.toml").write_text(SHEET)
    return tmp_path / "songs"


def rows_of(table: Path) -> list[dict[str, str]]:
    """Return the rows of a table in CSV, as the standard library reads it."""
    return list(csv.DictReader(io.StringIO(table.read_text(encoding="utf-8"), newline="")))


def test_every_song_has_its_row_in_order(knobwright: Command, folder: Path) -> None:
    table = folder.parent / "songs.csv"
    sheet = folder.parent / "quince.sheet.toml"
    ran = knobwright("survey", folder, "-o", table, "--sheet", sheet, "--processes", 2)
    assert ran.status == 1  # pictures with the names of songs
    assert f"{N_SONGS} songs." in ran.out
    assert "2 songs could not be examined" in ran.out
    assert "JPEG picture" in ran.out
    rows = rows_of(table)
    assert [row["path"] for row in rows] == sorted(
        path.relative_to(folder).as_posix() for path in folder.rglob("song*")
    )
    by_path = {row["path"]: row for row in rows}
    # Song 1: two notes of a program that is not there; one 2-byte and two 3-byte messages.
    one = by_path["1/song 001.mid"]
    assert (one["n_notes"], one["n_programs_missing"], one["worst_wait_ms"]) == ("2", "1", "2.56")
    assert by_path["0/song 003.mid"]["n_faults"] != "0"
    assert by_path["2/song 005.mid.gz"]["packed"] == "gzip"
    assert ran.err == ""


@pytest.mark.parametrize("ending", sorted(FORMS))
def test_a_second_run_keeps_every_row(knobwright: Command, folder: Path, ending: str) -> None:
    table = folder.parent / f"songs{ending}"
    knobwright("survey", folder, "-o", table, "--processes", 1)
    first = table.read_bytes()
    ran = knobwright("survey", folder, "-o", table, "--processes", 1)
    assert f"{N_SONGS} songs, {N_SONGS} of them kept from before." in ran.out
    assert table.read_bytes() == first
    assert not list(folder.parent.glob(".*journal"))


def test_what_changed_is_examined_again_and_what_is_gone_is_left_out(
    knobwright: Command, folder: Path
) -> None:
    table = folder.parent / "songs.csv"
    knobwright("survey", folder, "-o", table)
    (folder / "0" / "song 000.mid").write_bytes((folder / "2" / "song 002.mid").read_bytes())
    (folder / "1" / "song 001.mid").unlink()
    ran = knobwright("survey", folder, "-o", table)
    assert f"{N_SONGS - 1} songs, {N_SONGS - 2} of them kept from before." in ran.out
    rows = {row["path"]: row for row in rows_of(table)}
    assert rows["0/song 000.mid"]["n_notes"] == rows["2/song 002.mid"]["n_notes"] == "3"
    assert "1/song 001.mid" not in rows


def test_json_says_what_was_found(knobwright: Command, folder: Path) -> None:
    table = folder.parent / "songs.jsonl"
    ran = knobwright("survey", folder, "-o", table, "--json", "--processes", 1)
    seen = json.loads(ran.out)
    assert (seen["songs"], seen["kept"], len(seen["not_examined"])) == (N_SONGS, 0, 2)
    assert seen["findings"]["song-faults"] >= 2
    lines = [json.loads(line) for line in table.read_text().splitlines()]
    assert len(lines) == N_SONGS
    assert lines[1]["module_voices"] is None


def test_bad_songs_are_rows_and_nothing_else_happens(knobwright: Command, tmp_path: Path) -> None:
    folder, table = tmp_path / "songs", tmp_path / "songs.csv"
    folder.mkdir()
    for name, bad in BAD.items():
        (folder / f"{name}.mid").write_bytes(bad.data)
    (folder / "=1+1.mid").write_bytes(BAD["a formula"].data)
    (folder / "\x1b[2J\u202e.mid").write_bytes(BAD["cut off"].data)
    with (folder / "too large.mid").open("wb") as file:
        file.truncate(MAX_BYTES + 1)
    os.symlink("/nowhere", folder / "lost.mid")
    ran = knobwright("survey", folder, "-o", table, "--processes", 2)
    assert ran.status == 1
    rows = {row["path"]: row for row in rows_of(table)}
    for name, bad in BAD.items():
        row = rows[f"{name}.mid"]
        told = " ".join((row["trouble"], row["first_fault"], row["title"]))
        assert bad.words in told or name == "65 535 tracks", (name, told)
        assert bool(row["trouble"]) == (bad.n_notes is None), name
        assert row["n_notes"] == ("" if bad.n_notes is None else str(bad.n_notes)), name
    assert rows["a formula.mid"]["title"] == "'=HYPERLINK(1)"
    assert rows["'=1+1.mid"]["n_notes"] == "1"
    assert rows["\\x1b[2J\\u202e.mid"]["n_notes"] == "1"
    assert "at most 32 MiB" in rows["too large.mid"]["trouble"]
    assert "No such file" in rows["lost.mid"]["trouble"]
    assert not RAW.search(table.read_text(encoding="utf-8").replace("\r\n", "\n"))
    assert not RAW.search(ran.out + ran.err)


def test_an_empty_folder_is_an_empty_table(knobwright: Command, tmp_path: Path) -> None:
    (tmp_path / "songs").mkdir()
    ran = knobwright("survey", tmp_path / "songs", "-o", tmp_path / "songs.csv")
    assert (ran.status, "0 songs." in ran.out) == (0, True)
    assert rows_of(tmp_path / "songs.csv") == []


@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (("nowhere", "-o", "t.csv"), 3, "no such folder"),
        (("songs", "-o", "t.xlsx"), 2, "ends in .csv, .jsonl or .parquet"),
        (("songs", "-o", "away/t.csv"), 3, "its folder must be there"),
        (("songs", "-o", "t.csv", "--sheet", "nowhere.toml"), 2, "no such sheet"),
        (("songs", "-o", "quince.sheet.toml"), 2, "ends in .csv"),
        (("songs", "-o", "t.csv", "--rule", "loudest"), 2, "loudest"),
        (("songs", "-o", "t.csv", "--tls-ca", "x"), 2, "add --cluster"),
        (("songs", "-o", "t.csv", "--cluster", "tls://h:1"), 2, "needs --tls-ca"),
        (("songs", "-o", "t.csv", "--cluster", "tcp://h:1"), 2, "needs --tls-ca"),
        (("songs", "-o", "t.csv", "--cluster", "tls://h:1", "--no-tls"), 2, "begins with tcp://"),
        (
            ("songs", "-o", "t.csv", "--cluster", "tcp://h:1", "--no-tls", "--tls-ca", "x"), 2,
            "do not go together",
        ),
    ],
)  # fmt: skip
def test_what_cannot_be_done_is_one_sentence(
    knobwright: Command, folder: Path, monkeypatch: pytest.MonkeyPatch,
    words: tuple[str, ...], status: int, said: str,
) -> None:  # fmt: skip
    monkeypatch.chdir(folder.parent)
    ran = knobwright("survey", *words)
    assert (ran.status, ran.out) == (status, "")
    assert said in ran.err
    assert "Traceback" not in ran.err
    assert not Path("t.csv").exists()


def test_a_cluster_is_never_used_without_the_warning(knobwright: Command, folder: Path) -> None:
    ran = knobwright("survey", folder, "-o", folder / "t.csv", "--cluster", "tls://h:1")
    assert "every worker can run any code as its user" in ran.err


def test_a_table_of_others_is_left_alone(knobwright: Command, folder: Path) -> None:
    table = folder.parent / "prices.csv"
    table.write_text("name,price\nknob,3\n")
    ran = knobwright("survey", folder, "-o", table)
    assert (ran.status, ran.out) == (3, "")
    assert "no survey" in ran.err
    assert table.read_text() == "name,price\nknob,3\n"


def start(folder: Path, table: Path) -> subprocess.Popen[str]:
    """Start the command as on a shell."""
    code = (
        "from knobwright.cli.commands import COMMANDS, CommandRow\n"
        "COMMANDS.setdefault('survey', CommandRow('survey', 'survey', ''))\n"
        "from knobwright.cli.main import main\n"
        "main()\n"
    )
    return subprocess.Popen(
        [sys.executable, "-c", code, "survey", str(folder), "-o", str(table), "--processes", "2"],
        env=os.environ | {"PYTHONPATH": str(ROOT / "src")},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )


def wait_for_rows(process: subprocess.Popen[str], table: Path, n: int) -> None:
    """Wait until the journal of a table has so many rows, or the survey has ended."""
    journal = table.with_name(f".{table.name}.journal")
    while process.poll() is None:
        if journal.exists() and journal.read_bytes().count(b"\n") >= n:
            return


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL])
def test_a_survey_that_was_stopped_goes_on_where_it_was(
    knobwright: Command, tmp_path: Path, how: signal.Signals
) -> None:
    folder, table = tmp_path / "songs", tmp_path / "songs.csv"
    write_songs(folder, 160)
    with start(folder, table) as process:
        wait_for_rows(process, table, 5)
        assert process.poll() is None, "the survey was over before it could be stopped"
        if how == signal.SIGINT:  # Ctrl-C reaches every process of the terminal
            os.killpg(process.pid, how)
        else:
            process.kill()
        _, err = process.communicate(timeout=60)
    if how == signal.SIGINT:
        assert process.returncode == 130
        assert "of 160 songs" in err
        assert 5 <= len(rows_of(table)) < 160
    ran = knobwright("survey", folder, "-o", table, "--processes", 2)
    kept = re.search(r"160 songs, (\d+) of them kept from before", ran.out)
    assert kept is not None
    assert 5 <= int(kept[1]) < 160
    whole = tmp_path / "whole.csv"
    knobwright("survey", folder, "-o", whole, "--processes", 2)
    assert table.read_bytes() == whole.read_bytes()
