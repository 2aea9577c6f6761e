"""Traces as files: written piece by piece so that a crash or a full disk loses little.

Recording goes on behind what a trace holds already; a file that is no trace is never touched. The
form is that of ``exports/trace.py``.
"""

from __future__ import annotations

import contextlib
import os
import stat
from types import TracebackType
from typing import Self

from knobwright.core.errors import InputError, StoreError
from knobwright.exports.trace import HEADER, TraceEntry, read_header, write_entry

#: Longest line of a trace in bytes: room for a piece of 4 MiB.
MAX_LINE_BYTES = 16 << 20


class TraceWriter:
    """A trace that is being written; each piece is with the system at once.

    Parameters
    ----------
    path : str
        Where to; the file is made where there is none.
    replace : bool
        Begin anew where there is a trace, instead of going on behind it.

    Attributes
    ----------
    n_entries, n_bytes, length_ns : int
        Pieces and bytes written by this writer, and the time from the first to the last.

    Raises
    ------
    StoreError
        The file can't be written, is no trace, or is being written by somebody else.
    """

    def __init__(self, path: str, *, replace: bool = False) -> None:
        self._path = path
        self._handle = _open(path, replace=replace)
        self._is_open = True
        self._first_ns: int | None = None
        self.n_entries = self.n_bytes = self.length_ns = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def write(self, entry: TraceEntry) -> None:
        """Write one entry.

        Raises
        ------
        StoreError
            The disk is full or gone; what was written before stays readable.
        """
        try:
            _append(self._handle, _bytes(write_entry(entry)))
        except OSError as error:
            raise StoreError(
                f"recording has ended: {error.strerror or error}",
                where=self._path,
                hint="what was recorded so far can be played; make room, and go on",
            ) from error
        self.n_entries += 1
        self.n_bytes += len(entry.data)
        if self._first_ns is None:
            self._first_ns = entry.at_ns
        self.length_ns = max(self.length_ns, entry.at_ns - self._first_ns)

    def close(self) -> None:
        """Bring the file to the disk and close it; a second time does nothing."""
        if not self._is_open:
            return
        self._is_open = False
        with contextlib.suppress(OSError):  # a device has nothing to bring to a disk
            os.fsync(self._handle)
        with contextlib.suppress(OSError):
            os.close(self._handle)


def _open(name: str, *, replace: bool) -> int:
    """Return the handle of a trace, its header written, its place behind the last whole line."""
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        handle = os.open(name, flags, 0o666)
    except (OSError, ValueError) as error:
        raise _trouble(name, error) from error
    try:
        is_file = stat.S_ISREG(os.fstat(handle).st_mode)
        if is_file:
            _lock(handle, name)
        n_bytes = _whole_bytes(handle, name) if is_file else 0
        if is_file:
            n_bytes = 0 if replace else n_bytes
            os.ftruncate(handle, n_bytes)
            os.lseek(handle, n_bytes, os.SEEK_SET)
        if n_bytes == 0:
            _append(handle, f"{HEADER}\n".encode())
    except (OSError, InputError, StoreError) as error:
        os.close(handle)
        if isinstance(error, StoreError):
            raise
        if isinstance(error, InputError):
            raise StoreError(
                "there is a file of this name, and it is no trace",
                where=name,
                hint="name another file to record to",
            ) from error
        raise _trouble(name, error) from error
    return handle


def _lock(handle: int, name: str) -> None:
    """Keep the file for us, where the system can: two recorders would write over each other."""
    try:
        import fcntl
    except ImportError:  # Windows
        return
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        raise StoreError(
            "this file is being recorded to already", where=name, hint="name another file"
        ) from error
    except OSError:
        return  # a disk on a network may know no locks


def _whole_bytes(handle: int, name: str) -> int:
    """Return how many bytes of a file are whole lines of a trace; 0 for a new one.

    A last line without its end is what a crash or a full disk has left: it is written over.
    """
    with os.fdopen(os.dup(handle), "rb") as file:
        first = file.readline(MAX_LINE_BYTES)
        if not first.endswith(b"\n"):
            # Nothing, or the beginning of our own header.
            if first and not HEADER.encode().startswith(first):
                raise InputError("no trace", where=name)
            return 0
        read_header(first.decode("utf-8", "replace"))
        end = file.seek(0, os.SEEK_END)
        while end:
            begin = max(0, end - 65_536)
            file.seek(begin)
            at = file.read(end - begin).rfind(b"\n")
            if at >= 0:
                return begin + at + 1
            end = begin
    return 0


def _bytes(line: str) -> bytes:
    """Return a line with its end; a name that is no text (half a pair) becomes a JSON escape."""
    return f"{line}\n".encode("utf-8", "backslashreplace")


def _append(handle: int, line: bytes) -> None:
    """Write a whole line, or nothing of it where the system allows to take it back."""
    begin = None
    with contextlib.suppress(OSError):
        begin = os.lseek(handle, 0, os.SEEK_CUR)
    left = memoryview(line)
    try:
        while left:
            left = left[os.write(handle, left) :]
    except OSError:
        if begin is not None:
            with contextlib.suppress(OSError):
                os.ftruncate(handle, begin)
                os.lseek(handle, begin, os.SEEK_SET)
        raise


def _trouble(name: str, error: Exception) -> StoreError:
    reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
    hint = "check the name of the file"
    if isinstance(error, FileNotFoundError):
        hint += ": its folder must be there"
    return StoreError(f"the trace can't be recorded to: {reason}", where=name, hint=hint)
