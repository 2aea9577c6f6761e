"""The same survey on a real cluster: a scheduler, two workers, one of them killed half-way."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from knobwright.core.errors import InputError, StoreError
from knobwright.wiring.cluster import WARNING, Cluster, Tls
from knobwright.wiring.survey_work import Asked, Setup
from tests.instruments import cluster
from tests.instruments.cluster import ROOT
from tests.wiring.survey_songs import SHEET, write_songs

N_SONGS = 48


@pytest.fixture
def songs(tmp_path: Path) -> Path:
    """Return a folder of songs, with a sheet beside it."""
    write_songs(tmp_path / "songs", N_SONGS)
    (tmp_path / "quince.sheet.toml").write_text(SHEET)
    return tmp_path / "songs"


def run(
    songs: Path, table: Path, *words: str, on_line: Callable[[str], None] = lambda line: None
) -> str:
    """Run a survey in a process of its own; return what it printed last."""
    paths = os.pathsep.join((str(ROOT / "src"), str(ROOT)))
    with subprocess.Popen(
        [sys.executable, "-m", "tests.wiring.survey_run", str(songs), str(table),
         f"sheet={songs.parent / 'quince.sheet.toml'}", *words],
        cwd=ROOT, env=os.environ | {"PYTHONPATH": paths}, stdout=subprocess.PIPE, text=True,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        last = ""
        for line in process.stdout:
            last = line.strip()
            on_line(last)
    return last


def children(pid: int) -> list[str]:
    """Return the command lines of the processes that a worker has started to examine songs."""
    found = []
    for place in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in place.read_text().split():
            with contextlib.suppress(OSError):
                found.append(Path(f"/proc/{child}/cmdline").read_text().replace("\0", " "))
    return [line for line in found if "survey_worker" in line]


def test_a_worker_killed_half_way_changes_no_row(songs: Path, tmp_path: Path) -> None:
    """All is encrypted here; who brings certificates of another authority does not get in."""
    here, there = tmp_path / "here.csv", tmp_path / "there.csv"
    assert run(songs, here, "processes=2") == f"done {N_SONGS} of {N_SONGS}"
    tls, other = tmp_path / "tls", tmp_path / "other"
    for folder in (tls, other):
        folder.mkdir()
        cluster.certificates(folder)
    n_killed = 0
    with cluster.running(tmp_path, 2, tls) as found:
        assert found.address.startswith("tls://")

        def on_line(line: str) -> None:
            nonlocal n_killed
            if line.startswith("done 8 "):
                found.workers[0].kill()
                n_killed += 1

        said = run(songs, there, f"cluster={found.address}", f"tls={tls}", on_line=on_line)
        assert said == f"done {N_SONGS} of {N_SONGS}"
        assert (n_killed, found.workers[0].wait(), found.workers[1].poll()) == (1, -9, None)
        assert children(found.workers[1].pid) == []
        stranger = tmp_path / "stranger.csv"
        words = (f"cluster={found.address}", f"tls={other}", "connect=1")
        assert "no scheduler answers" in run(songs, stranger, *words)
        assert not stranger.exists()
    assert there.read_bytes() == here.read_bytes()
    assert len(here.read_bytes().splitlines()) == N_SONGS + 1


def test_a_scheduler_that_dies_is_told_and_what_was_done_is_kept(
    songs: Path, tmp_path: Path
) -> None:
    here, there = tmp_path / "here.csv", tmp_path / "there.csv"
    run(songs, here, "processes=2")
    with cluster.running(tmp_path, 1) as found:

        def on_line(line: str) -> None:
            if line.startswith("done 8 "):
                found.scheduler.kill()

        said = run(songs, there, f"cluster={found.address}", "connect=2", on_line=on_line)
        assert said.startswith(f"error {found.address}: the scheduler is gone")
    n_kept = len(there.read_bytes().splitlines()) - 1
    assert n_kept >= 8
    first: list[str] = []
    run(songs, there, "processes=1", on_line=first.append)
    assert first[0] == f"done {n_kept} of {N_SONGS}"
    assert there.read_bytes() == here.read_bytes()


def test_no_scheduler_is_told_and_the_table_is_not_touched(songs: Path, tmp_path: Path) -> None:
    table = tmp_path / "none.csv"
    said = run(songs, table, "cluster=tcp://127.0.0.1:9", "connect=1")
    assert said.startswith("error tcp://127.0.0.1:9: no scheduler answers")
    assert not table.exists()


@pytest.mark.parametrize(
    ("address", "tls", "words"),
    [
        ("tcp://127.0.0.1:9", Tls("ca", "cert", "key"), "begins with tls://"),
        ("127.0.0.1:9", Tls("ca", "cert", "key"), "begins with tls://"),
        ("tls://127.0.0.1:9", None, "begins with tcp://"),
        ("inproc://1", None, "begins with tcp://"),
    ],
)
def test_an_address_and_certificates_must_fit(address: str, tls: Tls | None, words: str) -> None:
    with pytest.raises(InputError, match=words):
        Cluster(address, Setup(None, Asked().options()), tls=tls)


def test_a_certificate_that_is_not_there_is_told() -> None:
    with pytest.raises(StoreError, match="TLS can't be read") as caught:
        Cluster("tls://127.0.0.1:9", Setup(None, Asked().options()), tls=Tls("/nowhere", "b", "c"))
    assert caught.value.where == "/nowhere"


def test_without_the_extra_the_install_line_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match="distributed") as caught:
        Cluster("tcp://127.0.0.1:9", Setup(None, Asked().options()), tls=None)
    assert "knobwright[cluster]" in caught.value.hint


def test_the_warning_says_what_a_worker_may_do() -> None:
    assert "every worker can run any code as its user" in WARNING
