"""What the standard asks of meta events, exclusive messages and the header, on whole arrays.

Source: Standard MIDI Files 1.0 (RP-001): the meta events' lengths and ranges, and the rule that a
format 1 file has its tempo map in the first track. What holds for exclusive messages is checked
where they are put together.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from knobwright.core.song.arrays import Int
from knobwright.core.song.exclusive import join_exclusive
from knobwright.core.song.records import META, Events, Faults
from knobwright.core.song.tracks import Head

TEMPO = 0x51
KEY_SIGNATURE = 0x59
TIME_SIGNATURE = 0x58
CHANNEL_PREFIX = 0x20
SMPTE_OFFSET = 0x54
#: Meta events of a fixed length: type -> bytes.
LENGTHS = {0x00: 2, CHANNEL_PREFIX: 1, 0x21: 1, 0x2F: 0, TEMPO: 3, SMPTE_OFFSET: 5,
           TIME_SIGNATURE: 4, KEY_SIGNATURE: 2}  # fmt: skip
#: Smallest beat that is taken for one: a 128th note, 1/2^7.
MAX_BEAT_POWER = 7
#: Frames a second that a header may name.
FRAMES = (24, 25, 29, 30)
_LISTED = 50


class Division(NamedTuple):
    """A time base: ticks per quarter note, or frames a second and ticks per frame (else 0 each)."""

    per_quarter: int
    frames: int
    per_frame: int

    @property
    def is_known(self) -> bool:
        """Return whether times can be computed from it."""
        return self.per_quarter > 0 or (self.frames in FRAMES and self.per_frame > 0)

    def words(self) -> str:
        """Return it for people."""
        if not self.frames:
            return f"{self.per_quarter} ticks a quarter note"
        return f"{self.frames} frames a second with {self.per_frame} ticks each"


def read_division(division: int) -> Division:
    """Return the time base of a header's 16 bits: bit 15 tells frames (two's complement)."""
    if division < 0x8000:
        return Division(division, 0, 0)
    return Division(0, 256 - (division >> 8), division & 0xFF)


def check_head(head: Head, n_tracks: int, faults: Faults) -> None:
    """Say what is wrong with a header, now that the tracks are known."""
    if head.n_tracks != n_tracks:
        words = f"the header says {head.n_tracks} tracks, and there are {n_tracks}"
        faults.add(10, 0, words, "read those that are there")
    if head.format == 0 and n_tracks > 1:
        faults.add(8, 0, f"a song of format 0 has one track, and this one {n_tracks}",
                   "read like format 1")  # fmt: skip
    division = read_division(head.division)
    if not division.is_known:
        words = f"the time base is not one of the standard: {division.words()}"
        faults.add(12, 0, words, "times in seconds can't be computed")


def check_events(data: bytes, events: Events, song_format: int, faults: Faults) -> None:
    """Say what is wrong with meta events and exclusive messages."""
    metas = np.flatnonzero(events.status == META)
    if len(metas):
        _check_lengths(events, metas, faults)
        _check_contents(data, events, metas, faults)
        if song_format == 1:
            _check_tempo_tracks(events, metas, faults)
    join_exclusive(data, events, faults)


def _check_lengths(events: Events, metas: Int, faults: Faults) -> None:
    expected = np.full(256, -1, np.int32)
    expected[list(LENGTHS)] = list(LENGTHS.values())
    size, wanted = events.size[metas], expected[events.first[metas]]
    for index in metas[(wanted >= 0) & (size != wanted)].tolist()[:_LISTED]:
        kind, n = int(events.first[index]), int(events.size[index])
        known = LENGTHS[kind]
        done = "not used" if n < known else "read as far as it is known"
        words = f"meta event {kind:02X} has {known} bytes, found {n}"
        faults.add(events.at[index], events.track[index] + 1, words, done)
    for index in metas[events.first[metas] >= 0x80].tolist()[:_LISTED]:
        words = f"the type of a meta event is 00 to 7F, found {events.first[index]:02X}"
        faults.add(events.at[index], events.track[index] + 1, words, "kept")


def _check_contents(data: bytes, events: Events, metas: Int, faults: Faults) -> None:
    """Check the ranges of tempo, signatures and channel prefix."""
    kinds = events.first[metas]
    odd = np.isin(kinds, (TEMPO, TIME_SIGNATURE, KEY_SIGNATURE, CHANNEL_PREFIX))
    n_said = 0
    for index in metas[odd].tolist():
        at, size = int(events.at[index]), int(events.size[index])
        words = _wrong_content(int(events.first[index]), data[at : at + size])
        if words and n_said < _LISTED:
            faults.add(at, events.track[index] + 1, *words)
            n_said += 1


def _wrong_content(kind: int, content: bytes) -> tuple[str, str] | None:
    """Return what is wrong with a meta event and what is done, or ``None``."""
    if len(content) < LENGTHS[kind]:
        return None  # its length is said already
    if kind == TEMPO and not any(content[:3]):
        return "a tempo of 0 microseconds a quarter note is none", "not used"
    if kind == TIME_SIGNATURE and not (content[0] and content[1] <= MAX_BEAT_POWER):
        beat = f"{content[0]} beats of a note 1/2^{content[1]}"
        return f"a time signature of {beat} makes no bars", "not used"
    if kind == CHANNEL_PREFIX and content[0] > 15:
        return f"a channel prefix is 0 to 15, found {content[0]}", "kept"
    if kind == KEY_SIGNATURE:
        if content[1] > 1:
            return f"a key signature is major (0) or minor (1), found {content[1]}", "kept"
        if content[0] > 7 and content[0] < 249:
            return f"a key signature has at most 7 sharps or flats, found {content[0]}", "kept"
    return None


def _check_tempo_tracks(events: Events, metas: Int, faults: Faults) -> None:
    """Say where a tempo stands outside the first track of a format 1 file."""
    elsewhere = metas[(events.first[metas] == TEMPO) & (events.track[metas] > 0)]
    if len(elsewhere):
        index = elsewhere[0]
        words = f"{len(elsewhere)} tempo events stand outside the first track"
        faults.add(events.at[index], events.track[index] + 1, words, "used like the others")
