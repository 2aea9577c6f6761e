"""Songs for tests: the standard's own examples, and a few lines to build others byte by byte."""

from __future__ import annotations

HEADER = "4D 54 68 64 00 00 00 06"

#: RP-001 (revised February 1996), the example file of format 0: 81 bytes.
EXAMPLE_0 = bytes.fromhex(
    "4D 54 68 64 00 00 00 06 00 00 00 01 00 60 4D 54 72 6B 00 00 00 3B"
    "00 FF 58 04 04 02 18 08 00 FF 51 03 07 A1 20 00 C0 05 00 C1 2E 00 C2 46"
    "00 92 30 60 00 3C 60 60 91 43 40 60 90 4C 20 81 40 82 30 40 00 3C 40 00 81 43 40"
    "00 80 4C 40 00 FF 2F 00"
)
#: The same music as format 1: 118 bytes.
EXAMPLE_1 = bytes.fromhex(
    "4D 54 68 64 00 00 00 06 00 01 00 04 00 60"
    "4D 54 72 6B 00 00 00 14 00 FF 58 04 04 02 18 08 00 FF 51 03 07 A1 20 83 00 FF 2F 00"
    "4D 54 72 6B 00 00 00 10 00 C0 05 81 40 90 4C 20 81 40 4C 00 00 FF 2F 00"
    "4D 54 72 6B 00 00 00 0F 00 C1 2E 60 91 43 40 82 20 43 00 00 FF 2F 00"
    "4D 54 72 6B 00 00 00 15 00 C2 46 00 92 30 60 00 3C 60 83 00 30 00 00 3C 00 00 FF 2F 00"
)
END = "00 FF 2F 00"


def head(n_tracks: int = 1, *, song_format: int = 0, division: int = 96) -> bytes:
    """Return a header chunk."""
    fields = (song_format, n_tracks, division)
    return bytes.fromhex(HEADER) + b"".join(field.to_bytes(2, "big") for field in fields)


def track(events: str, *, said: int | None = None) -> bytes:
    """Return a track chunk with the events written in hex; ``said`` is a length that lies."""
    content = bytes.fromhex(events)
    size = len(content) if said is None else said
    return b"MTrk" + size.to_bytes(4, "big") + content


def song(*tracks: str, song_format: int | None = None, division: int = 96) -> bytes:
    """Return a song with the tracks' events written in hex."""
    kind = (len(tracks) > 1) if song_format is None else song_format
    start = head(len(tracks), song_format=int(kind), division=division)
    return start + b"".join(track(events) for events in tracks)
