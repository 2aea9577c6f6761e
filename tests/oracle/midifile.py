"""Real music for tests and measurements: free MIDI files from Debian packages, read with mido.

The files are where their packages put them; none of them is kept in this repository. mido is an
independent reader: nothing here imports the program.
"""

from __future__ import annotations

import functools
import io
import os
import re
import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import NamedTuple

import mido
import pytest


class Song(NamedTuple):
    """One Standard MIDI File: its name, and its bytes."""

    name: str
    data: bytes


def _folder_songs(folder: Path) -> Iterator[Song]:
    """Yield the ``.mid`` files of a folder, in order of name."""
    for path in sorted(folder.glob("*.mid")):
        yield Song(path.name, path.read_bytes())


def _wad_songs(folder: Path) -> Iterator[Song]:
    """Yield the Standard MIDI Files inside the WAD files of a folder.

    A WAD begins with ``IWAD`` or ``PWAD``, the number of lumps and the place of their directory;
    each directory entry is place, size and an eight-byte name. Common knowledge of the format, no
    source; a lump that is a song begins with ``MThd``.
    """
    for path in sorted(folder.glob("*.wad")):
        data = path.read_bytes()
        magic, n_lumps, directory = struct.unpack_from("<4sii", data)
        assert magic in (b"IWAD", b"PWAD"), f"{path} is no WAD file"
        for i in range(n_lumps):
            place, size, name = struct.unpack_from("<ii8s", data, directory + 16 * i)
            if data[place : place + 4] == b"MThd":
                lump = name.rstrip(b"\0").decode("ascii")
                yield Song(f"{path.stem}:{lump}", data[place : place + size])


_GAMES = Path("/usr/share/games")

#: Debian package -> where its songs are and how they are found.
PACKAGES: dict[str, tuple[Path, Callable[[Path], Iterator[Song]]]] = {
    "simutrans-data": (_GAMES / "simutrans/music", _folder_songs),
    "freedoom": (_GAMES / "doom", _wad_songs),
    "openttd-openmsx": (_GAMES / "openttd/baseset/openmsx", _folder_songs),
}


def missing() -> tuple[str, ...]:
    """Return the packages whose songs are not on this machine."""
    return tuple(name for name, (folder, find) in PACKAGES.items() if not any(find(folder)))


def require(package: str) -> None:
    """Skip the running test where a package's songs are missing; under CI, fail it."""
    if package not in missing():
        return
    sentence = f"the free songs of the Debian package {package} are not installed"
    if os.environ.get("CI"):
        pytest.fail(sentence)
    pytest.skip(sentence)


@functools.cache
def songs(package: str) -> tuple[Song, ...]:
    """Return the songs of one package."""
    folder, find = PACKAGES[package]
    return tuple(find(folder))


#: A key signature whose mode byte is neither 0 nor 1: mido refuses it, and it is not sent anyway.
_ODD_KEY = re.compile(rb"\xff\x59\x02[\x00-\xff][\x02-\xff]")


def read(song: Song) -> list[bytes]:
    """Return the song's messages in playing order, each whole, without meta events.

    Events of one tick stay in track order, as a player of a format 1 file sends them.
    """
    mended = _ODD_KEY.sub(lambda found: found[0][:-1] + b"\x00", song.data)
    file = mido.MidiFile(file=io.BytesIO(mended))
    events: list[tuple[int, bytes]] = []
    for track in file.tracks:
        tick = 0
        for message in track:
            tick += message.time
            if not message.is_meta:
                events.append((tick, bytes(message.bytes())))
    events.sort(key=lambda event: event[0])  # stable: track order within a tick
    return [data for _, data in events]


@functools.cache
def messages(package: str) -> tuple[tuple[str, tuple[bytes, ...]], ...]:
    """Return (name, messages) for each song of one package."""
    return tuple((song.name, tuple(read(song))) for song in songs(package))


def traffic(package: str) -> list[bytes]:
    """Return all messages of one package's songs, song after song."""
    return [data for _, song in messages(package) for data in song]
