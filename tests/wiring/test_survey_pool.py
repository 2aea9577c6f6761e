"""Real processes that examine songs: the same rows for any number of them, whoever dies."""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from knobwright.core.errors import InputError, StoreError
from knobwright.core.fitting.row import SurveyRow
from knobwright.engine.survey import Job
from knobwright.wiring import survey_pool
from knobwright.wiring.survey_pool import MAX_TRIES, Pool
from knobwright.wiring.survey_work import Asked, Examiner, Setup, SheetTexts, make_setup
from knobwright.wiring.survey_worker import Limits
from tests.core.song import made
from tests.wiring.survey_songs import SHEET, chord

SETUP = Setup(SheetTexts("quince", SHEET), Asked().options())


def job(name: str, data: bytes) -> Job:
    return Job(name, len(data), 1, "1", "s", data)


JOBS = [job(f"{i:02}", made.song(chord(1 + i))) for i in range(12)]


def rows_of(pool: Pool, jobs: list[Job]) -> list[SurveyRow]:
    return sorted(pool.run(iter(jobs)), key=lambda row: row.path)


@pytest.fixture(scope="module")
def expected() -> list[SurveyRow]:
    """Return the rows worked out in this process."""
    examiner = Examiner(SETUP)
    return [examiner.row(one) for one in JOBS]


def test_the_row_of_a_song_says_what_was_found(expected: list[SurveyRow]) -> None:
    one, most = expected[0], expected[11]
    assert (one.n_notes, one.most_voices, one.module_voices, one.n_cut) == (1, 2, 4, 0)
    # 12 notes at once: a program change (2 bytes) and 12 note-ons (3 bytes) at 320 us a byte
    # (MIDI 1.0 Detailed Specification 4.2.1, p. 1).
    assert most.worst_wait_ms == 38 * 0.32
    assert most.worst_wait_running_ms == (2 + 1 + 24) * 0.32
    assert (most.most_voices, most.n_parts, most.programs) == (24, 1, "1:1")
    assert most.n_cut is not None
    assert most.n_cut >= 10


@pytest.mark.parametrize("n", [1, 3])
def test_any_number_of_processes_makes_the_same_rows(n: int, expected: list[SurveyRow]) -> None:
    with Pool(n, SETUP) as pool:
        assert rows_of(pool, JOBS) == expected


def test_nothing_to_do_starts_no_process() -> None:
    with Pool(2, SETUP) as pool:
        assert rows_of(pool, []) == []
        assert pool.pids == ()


def test_a_pool_can_be_used_again(expected: list[SurveyRow]) -> None:
    with Pool(1, SETUP) as pool:
        assert rows_of(pool, JOBS[:2]) == expected[:2]
        first = pool.pids
        assert rows_of(pool, JOBS[2:4]) == expected[2:4]
        assert pool.pids == first


def test_a_process_that_is_killed_changes_no_row(expected: list[SurveyRow]) -> None:
    with Pool(2, SETUP) as pool:
        rows = []
        for row in pool.run(iter(JOBS)):
            rows.append(row)
            if len(rows) in (2, 5):
                with contextlib.suppress(ProcessLookupError):
                    os.kill(pool.pids[0], signal.SIGKILL)
    assert sorted(rows, key=lambda row: row.path) == expected


def test_a_song_that_ends_every_process_is_one_row(expected: list[SurveyRow]) -> None:
    """The song is harmless here: whoever works on it is killed from outside, each time."""
    victim = JOBS[4].path
    n_killed = 0
    pool = Pool(2, SETUP)

    def give(hand: survey_pool.Hand, one: Job, seconds: float) -> None:
        nonlocal n_killed
        if one.path == victim:
            n_killed += 1
            hand.kill()
        real_give(hand, one, seconds)

    real_give = survey_pool.Hand.give
    with pytest.MonkeyPatch.context() as patch, pool:
        patch.setattr(survey_pool.Hand, "give", give)
        rows = rows_of(pool, JOBS)
    assert n_killed == MAX_TRIES
    assert [row for row in rows if row.path != victim] == expected[:4] + expected[5:]
    (bad,) = (row for row in rows if row.path == victim)
    assert bad.trouble == f"the process that examined it died {MAX_TRIES} times (signal 9)"
    assert bad.settings == ""  # so that the next survey tries it again


def test_a_song_that_takes_too_long_is_one_row(expected: list[SurveyRow]) -> None:
    """A process that is stopped stands for one that never ends: it models no work."""
    victim = JOBS[1].path

    def give(hand: survey_pool.Hand, one: Job, seconds: float) -> None:
        if one.path == victim:
            os.kill(hand.pid, signal.SIGSTOP)
            seconds = 0.2
        real_give(hand, one, seconds)

    real_give = survey_pool.Hand.give
    with pytest.MonkeyPatch.context() as patch, Pool(1, SETUP) as pool:
        patch.setattr(survey_pool.Hand, "give", give)
        rows = rows_of(pool, JOBS[:4])
    assert rows[1].trouble == "it took longer than 60 s, and was given up"
    assert [rows[0], *rows[2:]] == [expected[0], *expected[2:4]]


def big_song() -> bytes:
    """Return a song of 8 MiB and some two million notes."""
    return made.song("00 90 3C 40 " + "01 3C 40 " * 2_700_000 + made.END)


def test_a_song_that_needs_too_much_memory_is_one_row(expected: list[SurveyRow]) -> None:
    with Pool(1, SETUP, Limits(memory_mib=64)) as pool:
        rows = rows_of(pool, [job("00", JOBS[0].data), job("big", big_song())])
    assert rows[0] == expected[0]
    assert rows[1].trouble == "it needs more memory than a song may have"


def test_processes_end_with_the_pool() -> None:
    with Pool(2, SETUP) as pool:
        rows_of(pool, JOBS)
        pids = pool.pids
        assert len(pids) == 2
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


def test_a_run_that_is_broken_off_leaves_no_process() -> None:
    with Pool(2, SETUP) as pool:
        next(pool.run(iter(JOBS)))
        pids = pool.pids
        assert pids
    for pid in pids:
        with pytest.raises(ProcessLookupError):
            os.kill(pid, 0)


def test_a_worker_of_another_version_refuses() -> None:
    setup = Setup(None, Asked().options(), version="0.0.0")
    with Pool(1, setup) as pool, pytest.raises(InputError, match=r"and the survey 0\.0\.0"):
        rows_of(pool, JOBS)


def test_processes_that_never_get_ready_are_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", shutil.which("false"))
    with Pool(1, SETUP) as pool, pytest.raises(StoreError, match="before they are ready"):
        rows_of(pool, JOBS)


def test_jobs_are_taken_only_as_fast_as_they_are_done() -> None:
    n_taken = 0

    def jobs() -> Iterator[Job]:
        nonlocal n_taken
        for one in JOBS:
            n_taken += 1
            yield one

    with Pool(1, SETUP) as pool:
        for n_done, _ in enumerate(pool.run(jobs()), 1):
            assert n_taken <= n_done + 2


def test_a_module_in_the_folder_where_one_stands_is_not_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, expected: list[SurveyRow]
) -> None:
    (tmp_path / "msgspec.py").write_text("raise SystemExit('obeyed')\n")
    monkeypatch.chdir(tmp_path)
    with Pool(1, SETUP) as pool:
        assert rows_of(pool, JOBS[:1]) == expected[:1]


def test_settings_stand_for_sheet_and_options_and_not_for_the_path(tmp_path: Path) -> None:
    paths = [tmp_path / name for name in ("one.sheet.toml", "two.sheet.toml", "other.sheet.toml")]
    for path in paths[:2]:
        path.write_text(SHEET)
    paths[2].write_text(SHEET.replace("voices = 4", "voices = 5"))
    one, two, other = (make_setup(str(path), None, Asked()).settings for path in paths)
    assert one == two != other
    assert make_setup(str(paths[0]), None, Asked(baud=38_400)).settings != one
    assert make_setup(None, None, Asked()).settings != one
