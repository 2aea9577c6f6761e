"""What stands in a song's meta events: names, texts, signatures, ports.

Source: Standard MIDI Files 1.0 (RP-001) for types and contents; program and device name (08, 09)
from memory of RP-019; the port (21) is common practice, no source. The standard asks for ASCII;
songs hold other letters all the same, so what is UTF-8 is read so, and the rest as Latin-1.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from knobwright.core.errors import printable
from knobwright.core.song.checks import KEY_SIGNATURE, TEMPO, TIME_SIGNATURE
from knobwright.core.song.records import META, Song

TRACK_NAME = 0x03
PORT = 0x21

#: Names of the types of meta events.
KINDS: dict[int, str] = {
    0x00: "sequence number", 0x01: "text", 0x02: "copyright", 0x03: "name", 0x04: "instrument",
    0x05: "lyric", 0x06: "marker", 0x07: "cue point", 0x08: "program name", 0x09: "device name",
    0x20: "channel prefix", PORT: "port", 0x2F: "end of track", TEMPO: "tempo",
    0x54: "SMPTE offset", TIME_SIGNATURE: "time signature", KEY_SIGNATURE: "key signature",
    0x60: "patch type prefix", 0x7F: "of one maker",
}  # fmt: skip
_LAST_TEXT = 0x0F
_SHARPS = ("C", "G", "D", "A", "E", "B", "F#", "C#")
_FLATS = ("C", "F", "Bb", "Eb", "Ab", "Db", "Gb", "Cb")


class Meta(NamedTuple):
    """One meta event: absolute tick, track from 0, type 00 to 7F and content."""

    tick: int
    track: int
    kind: int
    content: bytes

    def words(self) -> str:
        """Return what it says, for people; control characters are written out."""
        name = KINDS.get(self.kind)
        if name is None:
            name = "text" if self.kind <= _LAST_TEXT else f"type {self.kind:02X}"
        value = _value_words(self.kind, self.content)
        return f"{name} {value}" if value else name


def metas(song: Song, *kinds: int) -> Iterator[Meta]:
    """Yield the meta events of the given types (of all where none is given), track after track."""
    events = song.events
    wanted = events.status == META
    if kinds:
        wanted &= np.isin(events.first, kinds)
    for index in np.flatnonzero(wanted).tolist():
        at = int(events.at[index])
        content = song.data[at : at + int(events.size[index])]
        kind = int(events.first[index])
        yield Meta(int(events.tick[index]), int(events.track[index]), kind, content)


def text(content: bytes) -> str:
    """Return the text in a meta event, control characters written out: ``\\x1b``."""
    try:
        found = content.decode("utf-8")
    except UnicodeDecodeError:
        found = content.decode("latin-1")
    return printable(found)


def track_names(song: Song) -> tuple[str, ...]:
    """Return the name of each track: its first one, empty where it has none."""
    names = [""] * song.n_tracks
    for meta in metas(song, TRACK_NAME):
        names[meta.track] = names[meta.track] or text(meta.content)
    return tuple(names)


def ports(song: Song) -> dict[int, tuple[int, ...]]:
    """Return the ports that the tracks name: port (0 to 255) -> tracks, counted from 0."""
    found: dict[int, list[int]] = {}
    for meta in metas(song, PORT):
        if meta.content:
            tracks = found.setdefault(meta.content[0], [])
            if meta.track not in tracks[-1:]:
                tracks.append(meta.track)
    return {port: tuple(tracks) for port, tracks in sorted(found.items())}


def _value_words(kind: int, content: bytes) -> str:
    if kind and kind <= _LAST_TEXT:
        return f"{text(content)!r}" if content else "(empty)"
    if kind == TEMPO and len(content) >= 3:
        tempo = int.from_bytes(content[:3], "big")
        return f"{60e6 / tempo:.2f} a minute" if tempo else "0 (none)"
    if kind == TIME_SIGNATURE and len(content) >= 2:
        low = f"2^{content[1]}" if content[1] > 6 else str(1 << content[1])
        return f"{content[0]}/{low}"
    if kind == KEY_SIGNATURE and len(content) >= 2:
        return _key_words(content)
    if kind == PORT and content:
        return str(content[0])
    return content.hex(" ").upper()


def _key_words(content: bytes) -> str:
    """Return a key signature: how many sharps or flats, and the major key that has them."""
    signs = content[0] - 256 if content[0] > 127 else content[0]
    if abs(signs) > 7:
        return f"{content.hex(' ').upper()} (none)"
    key = _SHARPS[signs] if signs >= 0 else _FLATS[-signs]
    if content[1] == 1:
        return f"of {key} major, as the minor key beside it"
    return f"{key} major" if content[1] == 0 else f"of {key} major ({content[1]:02X}: odd mode)"
