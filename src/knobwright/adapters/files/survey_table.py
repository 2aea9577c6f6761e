"""The table of a survey on disk, and the journal that survives when the survey does not.

The table itself is only ever written whole, so it can be read at any moment. What was worked out
since stands in a journal beside it, one line a song, and is taken up again by the next survey.
To add a form, write functions from rows to bytes and back, and add a row to :data:`FORMS`.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Callable, Iterable
from types import TracebackType
from typing import NamedTuple, Self

from knobwright.adapters.files import parquet
from knobwright.adapters.files.safe import write_bytes
from knobwright.core.errors import InputError, StoreError
from knobwright.core.fitting.row import SurveyRow
from knobwright.exports.survey_csv import read_csv, write_csv
from knobwright.exports.survey_lines import read_line, read_lines, write_line, write_lines

#: Largest table that is read, in bytes.
MAX_BYTES = 2 << 30


class Form(NamedTuple):
    """A form of the table: how the file's name ends, and the functions out and back."""

    ending: str
    write: Callable[[Iterable[SurveyRow]], bytes]
    read: Callable[[bytes], list[SurveyRow]]


FORMS: dict[str, Form] = {
    row.ending: row
    for row in (
        Form(".csv", write_csv, read_csv),
        Form(".jsonl", write_lines, read_lines),
        Form(".parquet", parquet.write_parquet, parquet.read_parquet),
    )
}


def form_of(path: str) -> Form:
    """Return the form that the name of a table asks for.

    Raises
    ------
    InputError
        It ends in none of them, or what is needed for it is not installed.
    """
    ending = os.path.splitext(path)[1].lower()
    form = FORMS.get(ending)
    if form is None:
        *most, last = FORMS
        raise InputError(
            f"a table's name ends in {', '.join(most)} or {last}", where=path,
            hint=f"name it {os.path.splitext(os.path.basename(path))[0] or 'songs'}.csv",
        )  # fmt: skip
    if form.write is parquet.write_parquet:
        parquet.need()
    return form


class TableFile:
    """A survey's table, its journal beside it kept for us while it is open.

    Parameters
    ----------
    path : str
        The table; it need not be there yet, its folder must.

    Raises
    ------
    InputError
        The name asks for no form that we know.
    StoreError
        There is a file of that name which is no survey, the folder can't be written to, or another
        survey is at work on the same table.
    """

    def __init__(self, path: str) -> None:
        self._path = path
        self._form = form_of(path)
        self._journal = journal_path(path)
        self._handle = -1
        self._kept = self._read_table()

    def __enter__(self) -> Self:
        self._handle = _open_journal(self._journal, self._path)
        # A row that was cut off by a crash must not run into the next one.
        data = self._journal_bytes()
        os.ftruncate(self._handle, data.rfind(b"\n") + 1)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with contextlib.suppress(OSError):
            os.close(self._handle)

    def load(self) -> list[SurveyRow]:
        """Return all rows that are there: of the table, then of a journal that was left."""
        rows = list(self._kept)
        for line in self._journal_bytes().decode("utf-8", "replace").split("\n"):
            with contextlib.suppress(InputError):
                row = read_line(line)
                if row is not None:
                    rows.append(row)
        return rows

    def note(self, row: SurveyRow) -> None:
        """Write a row into the journal: it is with the system when this returns.

        Raises
        ------
        StoreError
            The disk is full or gone.
        """
        left = memoryview(f"{write_line(row)}\n".encode("ascii"))
        try:
            while left:
                left = left[os.write(self._handle, left) :]
        except OSError as error:
            raise StoreError(
                f"can't be written: {error.strerror or error}",
                where=self._journal,
                hint="make room and run it again: what is in the table is kept",
            ) from error

    def save(self, rows: Iterable[SurveyRow]) -> None:
        """Write the table whole; the journal begins anew.

        Raises
        ------
        StoreError
            It can't be written; what was there before is unharmed, and so is the journal.
        """
        write_bytes(self._path, self._form.write(rows))
        with contextlib.suppress(OSError):
            os.ftruncate(self._handle, 0)
            os.lseek(self._handle, 0, os.SEEK_SET)

    def finish(self) -> None:
        """Remove the journal: all of it is in the table."""
        with contextlib.suppress(OSError):
            os.unlink(self._journal)

    def _journal_bytes(self) -> bytes:
        with os.fdopen(os.dup(self._handle), "rb") as file:
            file.seek(0)
            return file.read()

    def _read_table(self) -> list[SurveyRow]:
        try:
            found = os.stat(self._path)
        except FileNotFoundError:
            return []
        except (OSError, ValueError) as error:
            raise _trouble(self._path, error) from error
        if not stat.S_ISREG(found.st_mode):
            raise StoreError(
                "is no ordinary file", where=self._path, hint="name a file for the table"
            )
        if not found.st_size:
            return []
        try:
            with open(self._path, "rb") as file:
                return self._form.read(file.read(MAX_BYTES))
        except InputError as error:
            raise StoreError(
                f"there is a file of this name, and it is no survey: {error.message}",
                where=self._path,
                hint="name another table, or move this file away",
            ) from error
        except OSError as error:
            raise _trouble(self._path, error) from error


def journal_path(path: str) -> str:
    """Return the place of a table's journal."""
    folder, name = os.path.split(path)
    return os.path.join(folder, f".{name}.journal")


def _open_journal(journal: str, table: str) -> int:
    """Return the handle of the journal, kept for us where the system can."""
    flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0)
    flags |= getattr(os, "O_NOFOLLOW", 0)
    while True:
        try:
            handle = os.open(journal, flags, 0o666)
        except (OSError, ValueError) as error:
            raise _trouble(table, error) from error
        try:
            _lock(handle, table)
            if os.path.samestat(os.fstat(handle), os.stat(journal)):
                return handle
        except FileNotFoundError:
            pass
        except StoreError:
            os.close(handle)
            raise
        os.close(handle)  # another survey has finished, and removed it, since we opened it


def _lock(handle: int, table: str) -> None:
    try:
        import fcntl
    except ImportError:  # Windows
        return
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise StoreError(
            "another survey is at work on this table",
            where=table,
            hint="wait for it, or name another table",
        ) from error
    except OSError:
        return  # a disk on a network may know no locks


def _trouble(path: str, error: OSError | ValueError) -> StoreError:
    reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
    return StoreError(
        f"the table can't be read or written: {reason}",
        where=path,
        hint="check the name of the table: its folder must be there",
    )
