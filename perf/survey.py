"""Measure a survey on 2 processes against 1, on the same songs in one run.

    python -m perf survey

All songs of the Debian packages, several times over so that the start of the processes weighs
little, are surveyed into a table of their own, each time from the beginning. Rounds of the two take
turns; each figure is the best round. The tables must be the same byte for byte. A third figure is
the bare examination of the same songs in this process: the rest is what starting, reading files,
handing songs over and writing the table cost. On a machine that is busy with other things, two
processes get more of it than one, so the ratio flatters: the seconds of processor time, which must
hardly grow, tell then. Exit status 1 when the promise is missed, 3 when songs or processors are
missing.
"""

from __future__ import annotations

import os
import platform
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

sys.path[:0] = [str(Path(__file__).resolve().parent.parent / part) for part in ("src", "")]

from knobwright.engine.survey import Job  # noqa: E402
from knobwright.wiring.survey import Wanted, n_processors, run_survey  # noqa: E402
from knobwright.wiring.survey_work import Asked, Examiner, Setup, make_setup  # noqa: E402
from tests.oracle import midifile  # noqa: E402

N_ROUNDS = 2
N_COPIES = 3
#: How many times as fast 2 processes promise to be as 1.
PROMISE = 1.7
SHEET = Path(__file__).resolve().parent.parent / "examples/larkfield-bench/larkfield-t4.sheet.toml"


def write_folder(folder: Path) -> int:
    """Write all songs, each several times; return how many files there are."""
    n = 0
    for copy in range(N_COPIES):
        for package in midifile.PACKAGES:
            place = folder / str(copy) / package
            place.mkdir(parents=True)
            for name, data in midifile.songs(package):
                (place / name).with_suffix(".mid").write_bytes(data)
                n += 1
    return n


class Taken(NamedTuple):
    """Seconds on the clock, and of processor time with that of the processes that were started."""

    s: float
    cpu_s: float


_LONG = Taken(float("inf"), float("inf"))


def taken(run: Callable[[], object]) -> Taken:
    """Return the time of a run."""
    before, start = os.times(), time.perf_counter()
    run()
    after, end = os.times(), time.perf_counter()
    return Taken(end - start, sum(after[:4]) - sum(before[:4]))


def survey(folder: Path, table: Path, setup: Setup, n_processes: int) -> Taken:
    """Return the time of one survey from the beginning."""
    table.unlink(missing_ok=True)
    wanted = Wanted(str(folder), str(table), setup, n_processes)
    return taken(lambda: run_survey(wanted, _hush, _hush_trouble))


def bare(folder: Path, setup: Setup) -> Taken:
    """Return the time of examining the same songs one after the other in this process."""
    examiner = Examiner(setup)
    jobs = [
        Job(path.name, 0, 0, "", "", path.read_bytes()) for path in sorted(folder.rglob("*.mid"))
    ]
    return taken(lambda: [examiner.row(job) for job in jobs])


def _hush(progress: object) -> None:
    pass


def _hush_trouble(path: str, why: str) -> None:
    raise AssertionError(f"{path}: {why}")


def main() -> int:
    """Print the table; return the exit status."""
    lacking = midifile.missing()
    if lacking or n_processors() < 2:
        words = f"the Debian packages {' '.join(lacking)}" if lacking else "a second processor"
        print(f"Missing: {words}.", file=sys.stderr)
        return 3
    setup = make_setup(str(SHEET), None, Asked())
    best: dict[int, Taken] = {}
    tables: dict[int, bytes] = {}
    load = 0.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "songs"
        n_songs = write_folder(folder)
        for _ in range(N_ROUNDS):
            load = max(load, os.getloadavg()[0])
            best[0] = min(bare(folder, setup), best.get(0, _LONG))
            for n in (1, 2):
                table = Path(name) / "songs.csv"
                best[n] = min(survey(folder, table, setup, n), best.get(n, _LONG))
                tables[n] = table.read_bytes()
    if tables[1] != tables[2]:
        raise AssertionError("1 and 2 processes made different tables")
    ratio = best[1].s / best[2].s
    print(f"Python {platform.python_version()}, {n_songs} songs, load {load:.1f} before a round\n")
    print("| | s | processor s | ms a song |\n|---|--:|--:|--:|")
    for n, words in enumerate(("examined in this process", "1 process", "2 processes")):
        ms = best[n].s * 1e3 / n_songs
        print(f"| {words} | {best[n].s:.2f} | {best[n].cpu_s:.2f} | {ms:.2f} |")
    allowed = best[1].cpu_s / (best[2].cpu_s / 2)
    print(f"\nProcessor time alone would allow {allowed:.2f} times.")
    kept = "" if ratio >= PROMISE else " **missed**"
    print(f"2 processes are {ratio:.2f} times as fast as 1; promised: {PROMISE}{kept}")
    return 0 if ratio >= PROMISE else 1


if __name__ == "__main__":
    sys.exit(main())
