"""The songs in a folder and below it, in an order that is always the same."""

from __future__ import annotations

import os
import stat
from collections.abc import Callable
from pathlib import PurePath
from typing import NamedTuple

from knobwright.core.errors import InputError, StoreError
from knobwright.core.fitting.row import told_path
from knobwright.core.song.records import MAX_BYTES

#: How the names of songs end, capitals or not.
ENDINGS = (".mid", ".midi", ".smf", ".kar", ".rmi", ".mid.gz")


class SongFile(NamedTuple):
    """A song that was found.

    ``path`` is where it is, ``told`` its place below the folder as :func:`told_path` writes it.
    ``size`` is in bytes, ``mtime_ns`` when it was changed. ``trouble`` says why it can't be read:
    a link that leads nowhere, a pipe.
    """

    path: str
    told: str
    size: int
    mtime_ns: int
    trouble: str = ""


def find_songs(folder: str, tell: Callable[[str, str], None]) -> list[SongFile]:
    """Return the songs below a folder, by their told paths in order.

    Links to files are followed, links to folders are not: so no folder is looked into twice.

    Parameters
    ----------
    folder : str
        Where to look.
    tell : callable
        Takes the path of a folder that can't be looked into, and why.

    Raises
    ------
    StoreError
        The folder is not there, is none, or may not be read.
    """
    _check(folder)

    def trouble(error: OSError) -> None:
        tell(os.fspath(error.filename or folder), error.strerror or str(error))

    found = []
    for place, _, names in os.walk(folder, onerror=trouble):
        for name in names:
            if name.lower().endswith(ENDINGS):
                found.append(_look(folder, os.path.join(place, name)))
    return sorted(found, key=lambda file: file.told)


def read_song_bytes(file: SongFile) -> bytes:
    """Return the bytes of a song; one more than a song may have is enough to know it is too large.

    Raises
    ------
    StoreError
        It can't be read.
    InputError
        It is too large.
    """
    if file.trouble:
        raise StoreError(file.trouble, where=file.told)
    if file.size > MAX_BYTES:
        raise InputError(
            f"a song has at most {MAX_BYTES >> 20} MiB, and this file has "
            f"{file.size / 2**20:.1f} MiB",
            where=file.told,
        )
    try:
        # A pipe that took a file's place since we looked must not make us wait.
        handle = os.open(file.path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | _BINARY)
        with os.fdopen(handle, "rb") as stream:
            if not stat.S_ISREG(os.fstat(handle).st_mode):
                raise StoreError("is no ordinary file", where=file.told)
            return stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        raise StoreError(f"can't be read: {reason}", where=file.told) from error


_BINARY = getattr(os, "O_BINARY", 0)


def _check(folder: str) -> None:
    try:
        with os.scandir(folder):
            return
    except FileNotFoundError as error:
        raise StoreError("there is no such folder", where=folder, hint="check the name") from error
    except NotADirectoryError as error:
        raise StoreError(
            "is a file, not a folder",
            where=folder,
            hint='one song is examined with "knobwright song"',
        ) from error
    except (OSError, ValueError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        raise StoreError(f"can't be read: {reason}", where=folder) from error


def _look(folder: str, path: str) -> SongFile:
    """Return what there is to know of a file without reading it."""
    told = told_path(PurePath(os.path.relpath(path, folder)).as_posix())
    try:
        found = os.stat(path)
    except OSError as error:
        return SongFile(path, told, 0, 0, f"can't be read: {error.strerror or error}")
    trouble = "" if stat.S_ISREG(found.st_mode) else "is no ordinary file"
    return SongFile(path, told, found.st_size, found.st_mtime_ns, trouble)
