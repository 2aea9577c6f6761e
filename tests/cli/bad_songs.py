"""Songs that are broken, made to do harm, or no songs: each with what must be said of it."""

from __future__ import annotations

import gzip
from typing import NamedTuple

from tests.core.song import made

GOOD = "00 C0 00 00 90 3C 40 60 80 3C 40"


class BadSong(NamedTuple):
    """A file, the exit status of looking at it alone, and words of the fault or error.

    ``n_notes`` is how many notes must still be found; ``None`` where nothing can be.
    """

    data: bytes
    status: int
    words: str
    n_notes: int | None


def _text(kind: int, text: bytes) -> str:
    return f"00 FF {kind:02X} {len(text):02X} {text.hex()} "


def _many_tracks() -> bytes:
    one = made.track(f"{GOOD} {made.END}")
    return made.head(65_535, song_format=1) + one + made.track(made.END) * 65_534


def _riff(size: int, song: bytes) -> bytes:
    inner = b"RMID" + b"data" + size.to_bytes(4, "little") + song
    return b"RIFF" + (0xFFFFFFFF).to_bytes(4, "little") + inner


def _bomb(n_bytes: int) -> bytes:
    return gzip.compress(made.song(f"{GOOD} {made.END}") + b"\0" * n_bytes, mtime=0)


BAD: dict[str, BadSong] = {
    "cut off": BadSong(made.song(f"{GOOD} {made.END}")[:-7], 1, "track 1", 1),
    "length that lies": BadSong(
        made.head() + made.track(f"{GOOD} {made.END}", said=9), 0, "track 1", 1
    ),
    "length of 2 GB": BadSong(
        made.head() + made.track(f"{GOOD} {made.END}", said=0x7FFFFFFF), 0, "2147483647", 1
    ),
    "event of 256 MiB": BadSong(
        made.song(f"{GOOD} 00 F0 FF FF FF 7F 7D 00"), 0, "track 1", 1
    ),
    "no division": BadSong(
        made.song(f"{GOOD} {made.END}", division=0), 1, "0 ticks a quarter note", None
    ),
    "frames that there are not": BadSong(
        made.song(f"{GOOD} {made.END}", division=0x8000), 1, "128 frames a second", None
    ),
    "65 535 tracks": BadSong(_many_tracks(), 0, "format 1", 1),
    "65 535 tracks said": BadSong(
        made.head(65_535, song_format=1) + made.track(f"{GOOD} {made.END}"), 0,
        "says 65535 tracks, and there are 1", 1,
    ),
    "no end of track": BadSong(made.song(GOOD), 0, "track 1", 1),
    "running status across a meta event": BadSong(
        made.song(f"00 90 3C 40 {_text(1, b'x')} 60 3C 00 {made.END}"), 0,
        "running status goes on", 1,
    ),
    "key signature 255": BadSong(
        made.song(f"00 FF 59 02 00 FF {GOOD} {made.END}"), 0, "found 255", 1
    ),
    "gzip bomb": BadSong(_bomb(64 << 20), 2, "unpacks to more than 32 MiB", None),
    "RIFF bomb": BadSong(
        _riff(0xFFFFFFF0, made.song(f"{GOOD} {made.END}")), 0, "the container says", 1
    ),
    "RIFF without a song": BadSong(
        b"RIFF" + (20).to_bytes(4, "little") + b"RMIDjunk" + bytes(8), 2, "no song in it", None
    ),
    "a WAD": BadSong(b"IWAD" + bytes(100), 2, "WAD file", None),
    "a JPEG": BadSong(b"\xff\xd8\xff\xe0" + bytes(100), 2, "JPEG picture", None),
    "nothing": BadSong(b"", 2, "it is empty", None),
    "terminal escapes": BadSong(
        made.song(_text(3, b"\x1b]0;owned\x07\x9b31m") + f"{GOOD} {made.END}"), 0,
        "\\x1b]0;owned\\x07", 1,
    ),
    "a formula": BadSong(
        made.song(_text(3, b"=HYPERLINK(1)") + f"{GOOD} {made.END}"), 0, "=HYPERLINK(1)", 1
    ),
}  # fmt: skip
