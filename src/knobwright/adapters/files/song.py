"""Song files: read from disk, written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

from knobwright.adapters.files.safe import write_bytes
from knobwright.core.errors import StoreError
from knobwright.core.song.read import read_song
from knobwright.core.song.records import MAX_BYTES, Song
from knobwright.core.song.write import write_song


def load(path: str | os.PathLike[str], *, strict: bool = False) -> Song:
    """Return the song in a file: a Standard MIDI File, also inside gzip or RIFF.

    Parameters
    ----------
    path : path
        At most 32 MiB.
    strict : bool
        Whether a fault of the song is an error.

    Raises
    ------
    StoreError
        The file is missing, no ordinary file, or can't be read.
    InputError
        It is no song, too large, or (with ``strict``) has faults.
    """
    name = os.fspath(path)
    return read_song(_read(Path(path), name), name, strict=strict)


def save(song: Song, path: str | os.PathLike[str]) -> None:
    """Write a song as it was read, byte for byte, whole or not at all.

    Raises
    ------
    StoreError
        As :func:`knobwright.adapters.files.safe.write_bytes`.
    """
    write_bytes(path, write_song(song))


def _read(path: Path, name: str) -> bytes:
    """Return the file's bytes; one more than allowed is enough to know that it is too large."""
    try:
        if path.is_dir():
            raise StoreError("is a folder, not a song", where=name, hint="name a file in it")
        if path.exists() and not path.is_file():
            raise StoreError("is a device or pipe, not a song", where=name, hint="name a file")
        with path.open("rb") as file:
            return file.read(MAX_BYTES + 1)
    except FileNotFoundError as error:
        raise StoreError(
            "there is no such song", where=name, hint="check the name and the folder"
        ) from error
    except PermissionError as error:
        raise StoreError(
            "may not be read", where=name, hint="give yourself the right to read it"
        ) from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise StoreError(
            f"can't be read: {reason}", where=name, hint="check the name and the drive"
        ) from error
