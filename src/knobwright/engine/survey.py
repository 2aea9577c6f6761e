"""A survey: many songs, each examined once, in a table that can be read at any moment.

What is already known is kept, what is new is handed to whoever does the work, and every row is
noted as soon as it comes. The rows stand in the order of their paths, whoever worked them out and
however many at once.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import NamedTuple, Protocol

from msgspec import Struct

from knobwright.core.errors import KnobwrightError
from knobwright.core.fitting.row import SurveyRow, key_of
from knobwright.core.interfaces import Clock

#: The table is written whole at most this often, and takes at most a twentieth of the time.
_SAVE_NS = 10_000_000_000
_SAVE_SHARE = 20


class Known(NamedTuple):
    """What is known of a song before it is read: its told path, size in bytes, time of change."""

    path: str
    size: int
    mtime_ns: int


class Job(Struct, frozen=True):
    """A song to examine: what is known of it, and its bytes."""

    path: str
    size: int
    mtime_ns: int
    version: str
    settings: str
    data: bytes


class Work(Protocol):
    """Whoever examines songs: processes of this machine, or a cluster."""

    def run(self, jobs: Iterator[Job]) -> Iterator[SurveyRow]:
        """Yield one row for each job, in any order; take jobs only as fast as they are done."""
        ...


class Table(Protocol):
    """Where the rows are kept."""

    def load(self) -> Iterable[SurveyRow]:
        """Return all rows that are there; of several of one song the last one counts."""
        ...

    def note(self, row: SurveyRow) -> None:
        """Keep a row so that it is not lost when everything stops now."""
        ...

    def save(self, rows: Iterable[SurveyRow]) -> None:
        """Write the table whole."""
        ...

    def finish(self) -> None:
        """Nothing is missing in the table: what was kept beside it may go."""
        ...


class Progress(NamedTuple):
    """How far it is: songs that have their row, all songs, those kept from before, the newest."""

    n_done: int
    n_songs: int
    n_kept: int
    row: SurveyRow | None


class Surveyed(NamedTuple):
    """The outcome: all rows in order, and how many of them were kept from before."""

    rows: tuple[SurveyRow, ...]
    n_kept: int


def not_examined(known: Known | Job, version: str, words: str) -> SurveyRow:
    """Return the row of a song that could not be examined now: the next survey tries it again."""
    return SurveyRow(known.path, known.size, known.mtime_ns, version, "", trouble=words)


class Survey:
    """One survey.

    Parameters
    ----------
    songs : sequence of Known
        In order; no two have the same path.
    read : callable
        Returns the bytes of the song with that number; raises ``KnobwrightError``.
    table : Table
        Where the rows go.
    work : Work
        Who examines.
    version, settings : str
        What rows must have to be kept.
    clock : Clock
        Says when the table is written anew.
    tell : callable
        Is told how far it is.
    """

    def __init__(
        self,
        songs: Sequence[Known],
        read: Callable[[int], bytes],
        table: Table,
        work: Work,
        *,
        version: str,
        settings: str,
        clock: Clock,
        tell: Callable[[Progress], None],
    ) -> None:
        self._songs = songs
        self._read = read
        self._table = table
        self._work = work
        self._version = version
        self._settings = settings
        self._clock = clock
        self._tell = tell
        self._rows: dict[str, SurveyRow] = {}
        self._n_kept = 0
        self._save_ns = clock() + _SAVE_NS

    def run(self) -> Surveyed:
        """Examine all that is not known yet.

        However it ends (finished, Ctrl-C, an error), the table then holds every row that there is.

        Raises
        ------
        StoreError
            The table can't be written.
        PortError
            There is nobody who works.
        """
        try:
            for row in self._work.run(self._jobs(self._keep())):
                self._take(row)
        except BaseException as error:
            self._save_in_trouble(error)
            raise
        rows = tuple(self._in_order())
        self._table.save(rows)
        self._table.finish()
        return Surveyed(rows, self._n_kept)

    def _keep(self) -> list[int]:
        """Take the rows that still hold; return the numbers of the songs that have none."""
        there = {key_of(row): row for row in self._table.load()}
        to_do = []
        for number, song in enumerate(self._songs):
            row = there.get((song.path, song.size, song.mtime_ns, self._version, self._settings))
            if row is None:
                to_do.append(number)
            else:
                self._rows[song.path] = row
        self._n_kept = len(self._rows)
        self._tell(Progress(len(self._rows), len(self._songs), self._n_kept, None))
        return to_do

    def _jobs(self, numbers: Sequence[int]) -> Iterator[Job]:
        for number in numbers:
            song = self._songs[number]
            try:
                data = self._read(number)
            except KnobwrightError as error:
                self._take(not_examined(song, self._version, error.message))
                continue
            yield Job(song.path, song.size, song.mtime_ns, self._version, self._settings, data)

    def _take(self, row: SurveyRow) -> None:
        self._rows[row.path] = row
        self._table.note(row)
        self._tell(Progress(len(self._rows), len(self._songs), self._n_kept, row))
        now_ns = self._clock()
        if now_ns >= self._save_ns:
            self._table.save(self._in_order())
            took_ns = self._clock() - now_ns
            self._save_ns = now_ns + took_ns + max(_SAVE_NS, _SAVE_SHARE * took_ns)

    def _in_order(self) -> Iterator[SurveyRow]:
        return (self._rows[song.path] for song in self._songs if song.path in self._rows)

    def _save_in_trouble(self, error: BaseException) -> None:
        """Write what there is; where that fails too, the first trouble is the one to tell."""
        if not self._rows:
            return
        try:
            self._table.save(self._in_order())
        except KnobwrightError as second:
            error.add_note(second.message)
