"""The survey itself: what is kept, in which order rows stand, and what is left when it breaks off.

The table and the worker are plain lists and functions; they do not model disks or processes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from itertools import islice

import pytest

from knobwright.core.errors import InputError, StoreError
from knobwright.core.fitting.row import SurveyRow
from knobwright.engine.survey import Job, Known, Progress, Survey, Surveyed

SECOND = 1_000_000_000
SONGS = [Known(f"{name}.mid", 1, 5) for name in "abcdef"]


class Shelf:
    """A table in memory: it models no disk, no cut and no lock."""

    def __init__(self, rows: Iterable[SurveyRow] = ()) -> None:
        self.rows = list(rows)
        self.noted: list[SurveyRow] = []
        self.n_saved = 0
        self.is_finished = False

    def load(self) -> list[SurveyRow]:
        return self.rows + self.noted

    def note(self, row: SurveyRow) -> None:
        self.noted.append(row)

    def save(self, rows: Iterable[SurveyRow]) -> None:
        self.rows = list(rows)
        self.noted.clear()
        self.n_saved += 1

    def finish(self) -> None:
        self.is_finished = True


def row_for(job: Job) -> SurveyRow:
    """Return the row that any worker makes of a job here."""
    return SurveyRow(
        job.path, job.size, job.mtime_ns, job.version, job.settings, n_notes=len(job.data)
    )


class Backwards:
    """Takes four jobs at a time and answers the last one first; it models no death."""

    def __init__(self, stop_after: int = 1000) -> None:
        self.done: list[str] = []
        self._stop_after = stop_after

    def run(self, jobs: Iterator[Job]) -> Iterator[SurveyRow]:
        while True:
            some = list(islice(jobs, 4))
            if not some:
                return
            for job in reversed(some):
                if len(self.done) >= self._stop_after:
                    raise KeyboardInterrupt
                self.done.append(job.path)
                yield row_for(job)


def survey(
    shelf: Shelf,
    work: Backwards,
    *,
    songs: list[Known] = SONGS,
    read: Callable[[int], bytes] = lambda number: b"x" * number,
    step_ns: int = 0,
    tell: Callable[[Progress], None] = lambda progress: None,
    version: str = "1",
    settings: str = "s",
) -> Surveyed:
    """Run a survey whose clock goes on by ``step_ns`` at each look."""
    now_ns = 0

    def clock() -> int:
        nonlocal now_ns
        now_ns += step_ns
        return now_ns

    return Survey(
        songs, read, shelf, work, version=version, settings=settings, clock=clock, tell=tell
    ).run()


def paths(rows: Iterable[SurveyRow]) -> list[str]:
    return [row.path for row in rows]


IN_ORDER = [song.path for song in SONGS]


def test_rows_stand_in_the_order_of_songs_whatever_comes_first() -> None:
    shelf, work = Shelf(), Backwards()
    done = survey(shelf, work)
    assert work.done[:4] == ["d.mid", "c.mid", "b.mid", "a.mid"]
    assert paths(done.rows) == paths(shelf.rows) == IN_ORDER
    assert [row.n_notes for row in done.rows] == [0, 1, 2, 3, 4, 5]
    assert shelf.is_finished


def test_what_is_known_is_not_worked_out_again() -> None:
    shelf = Shelf()
    first = survey(shelf, Backwards())
    again = Backwards()
    done = survey(shelf, again)
    assert (again.done, done.n_kept, done.rows) == ([], 6, first.rows)


@pytest.mark.parametrize("changed", [{"version": "2"}, {"settings": "other"}])
def test_another_version_or_sheet_means_everything_anew(changed: dict[str, str]) -> None:
    shelf = Shelf()
    survey(shelf, Backwards())
    again = Backwards()
    done = survey(shelf, again, **changed)  # type: ignore[arg-type]
    assert (len(again.done), done.n_kept) == (6, 0)


@pytest.mark.parametrize("new", [Known("c.mid", 2, 5), Known("c.mid", 1, 6)])
def test_a_song_that_changed_is_examined_again(new: Known) -> None:
    shelf = Shelf()
    survey(shelf, Backwards())
    again = Backwards()
    songs = [new if song.path == new.path else song for song in SONGS]
    done = survey(shelf, again, songs=songs)
    assert (again.done, done.n_kept) == (["c.mid"], 5)
    assert paths(done.rows) == IN_ORDER


def test_songs_that_are_gone_leave_the_table() -> None:
    shelf = Shelf()
    survey(shelf, Backwards())
    done = survey(shelf, Backwards(), songs=SONGS[2:])
    assert paths(shelf.rows) == paths(done.rows) == IN_ORDER[2:]


def test_broken_off_it_leaves_a_table_and_goes_on_from_there() -> None:
    shelf = Shelf()
    with pytest.raises(KeyboardInterrupt):
        survey(shelf, Backwards(stop_after=3))
    assert paths(shelf.rows) == ["b.mid", "c.mid", "d.mid"]
    assert not shelf.is_finished
    work = Backwards()
    done = survey(shelf, work)
    assert sorted(work.done) == ["a.mid", "e.mid", "f.mid"]
    assert done.rows == survey(Shelf(), Backwards()).rows


def test_what_only_the_journal_has_is_kept_too() -> None:
    whole = survey(Shelf(), Backwards()).rows
    shelf = Shelf(whole[:2])
    shelf.noted = list(whole[2:5])
    work = Backwards()
    assert survey(shelf, work).rows == whole
    assert work.done == ["f.mid"]


def test_the_table_is_written_now_and_then() -> None:
    shelf = Shelf()
    survey(shelf, Backwards(), step_ns=4 * SECOND)
    assert shelf.n_saved > 1
    quick = Shelf()
    survey(quick, Backwards(), step_ns=SECOND // 10)
    assert quick.n_saved == 1


def test_a_song_that_cannot_be_read_is_a_row_and_tried_again() -> None:
    def read(number: int) -> bytes:
        if number == 2:
            raise StoreError("can't be read: Permission denied", where="c.mid")
        return b"x" * number

    shelf = Shelf()
    done = survey(shelf, Backwards(), read=read)
    assert paths(done.rows) == IN_ORDER
    assert done.rows[2].trouble == "can't be read: Permission denied"
    assert done.rows[2].n_notes is None
    work = Backwards()
    assert survey(shelf, work).rows[2].trouble == ""
    assert work.done == ["c.mid"]


def test_songs_are_read_only_as_fast_as_they_are_done() -> None:
    n_read = 0
    ahead = []

    def read(number: int) -> bytes:
        nonlocal n_read
        n_read += 1
        return b""

    def tell(progress: Progress) -> None:
        ahead.append(n_read - progress.n_done)

    songs = [Known(f"{i:03}.mid", 1, 1) for i in range(100)]
    survey(Shelf(), Backwards(), songs=songs, read=read, tell=tell)
    assert max(ahead) <= 4


def test_it_is_told_how_far_it_is() -> None:
    shelf, told = Shelf(), list[Progress]()
    survey(shelf, Backwards(), songs=SONGS[:2])
    survey(shelf, Backwards(), tell=told.append)
    assert [(p.n_done, p.n_songs, p.n_kept) for p in told] == [
        (2, 6, 2), (3, 6, 2), (4, 6, 2), (5, 6, 2), (6, 6, 2),
    ]  # fmt: skip
    assert told[0].row is None
    assert told[1].row is not None


def test_a_full_disk_is_told_and_not_what_comes_of_it() -> None:
    class Full(Shelf):
        def note(self, row: SurveyRow) -> None:
            raise StoreError("the disk is full")

        def save(self, rows: Iterable[SurveyRow]) -> None:
            raise StoreError("the table can't be written either")

    with pytest.raises(StoreError, match="the disk is full") as caught:
        survey(Full(), Backwards())
    assert caught.value.__notes__ == ["the table can't be written either"]


def test_nobody_to_work_is_an_error_and_the_table_stays() -> None:
    class Nobody(Backwards):
        def run(self, jobs: Iterator[Job]) -> Iterator[SurveyRow]:
            raise InputError("the set-up is refused")

    shelf = Shelf(survey(Shelf(), Backwards(), songs=SONGS[:3]).rows)
    with pytest.raises(InputError, match="refused"):
        survey(shelf, Nobody())
    assert paths(shelf.rows) == IN_ORDER[:3]
    empty = Shelf()
    with pytest.raises(InputError, match="refused"):
        survey(empty, Nobody())
    assert empty.n_saved == 0
