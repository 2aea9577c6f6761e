"""Songs that break the rules: what is said, and that everything readable is read."""

from __future__ import annotations

import time
from typing import NamedTuple

import pytest

from knobwright.core.errors import InputError
from knobwright.core.song.read import read_song
from knobwright.core.song.records import MAX_FAULTS, Fault
from knobwright.core.song.tempo import tempo_map
from knobwright.core.song.timeline import timeline
from knobwright.core.song.write import write_song
from tests.core.song.made import END, EXAMPLE_1, head, song, track

NOTE = "00 90 3C 40"
HEARD = "90 3C 40"


class Row(NamedTuple):
    """A file, what its faults say (all of them, in order), and the messages that are read."""

    data: bytes
    faults: list[str]
    heard: list[str]


ROWS = {
    "a length of 2 GB": Row(
        head() + track(f"{NOTE} {END}", said=0x7FFFFFFF),
        ["byte 18, track 1: the track says 2147483647 bytes, and 8 are there: read what is there"],
        [HEARD],
    ),
    "a length of 4 GB before another track": Row(
        head(2, song_format=1) + track(f"{NOTE} {END}", said=0xFFFFFFFF) + track(f"{NOTE} {END}"),
        ["byte 18, track 1: the track says 4294967295 bytes, and 24 are there",
         "byte 18, track 1: the track says 4294967295 bytes, and the next one begins after 8"],
        [HEARD, HEARD],
    ),
    "a track that reaches into the next one": Row(
        head(2, song_format=1) + track(f"{NOTE} {END}", said=12) + track(f"{NOTE} {END}"),
        ["byte 18, track 1: the track says 12 bytes, and the next one begins after 8"],
        [HEARD, HEARD],
    ),
    "a track that is longer than it says": Row(
        head(2, song_format=1) + track(f"{NOTE} {NOTE} {END}", said=6) + track(f"{NOTE} {END}"),
        ["byte 18, track 1: the track says 6 bytes, and its end of track comes later"],
        [HEARD, HEARD, HEARD],
    ),
    "a track without its end, and zeros behind it": Row(
        head() + track(NOTE) + b"\0" * 9,
        ["byte 26, track 1: the end of track is missing",
         "byte 26: 9 bytes are no chunk: left alone"],
        [HEARD],
    ),
    "no end of track": Row(
        song(NOTE), ["byte 26, track 1: the end of track is missing"], [HEARD]
    ),
    "a file that ends inside an event": Row(
        head() + track(f"{NOTE} 00 90 3C", said=12),
        ["byte 18, track 1: the track says 12 bytes, and 7 are there",
         "byte 26, track 1: the track ends inside an event: that event is left out",
         "byte 29, track 1: the end of track is missing"],
        [HEARD],
    ),
    "a text of 2 GB": Row(
        song(f"{NOTE} 00 FF 01 87 FF FF FF 7F 41"),
        ["byte 26, track 1: the track ends inside an event",
         "byte 27, track 1: an event says 268435455 bytes, and 1 are left in the track",
         "byte 29, track 1: the length 87 FF FF FF 7F has over four bytes",
         "byte 35, track 1: the end of track is missing"],
        [HEARD],
    ),
    "running status across a meta event": Row(
        song(f"{NOTE} 00 FF 01 01 41 00 3E 40 {END}"),
        ["byte 32, track 1: running status goes on across a meta event or exclusive message: "
         "taken as 90, as players do"],
        [HEARD, "90 3E 40"],
    ),
    "a track that begins without a status": Row(
        song(f"00 3C {NOTE} {END}"),
        ["byte 23, track 1: a data byte stands where the track has no status yet: left out"],
        [HEARD],
    ),
    "running status does not reach into the next track": Row(
        song(f"{NOTE} {END}", f"00 3E {NOTE} {END}"),
        ["byte 39, track 2: a data byte stands where the track has no status yet: left out"],
        [HEARD, HEARD],
    ),
    "a status byte inside a message": Row(
        song(f"00 90 3C C0 {NOTE} {END}"),
        ["byte 24, track 1: the data bytes of a message 90 are 00 to 7F, found 3C C0: the message"],
        [HEARD],
    ),
    "a delta time of five bytes": Row(
        song(f"80 80 80 80 05 90 3C 40 {END}"),
        ["byte 22, track 1: a delta time has 5 bytes, and 4 are the most: its last 28 bits count"],
        [HEARD],
    ),
    "a clock by itself": Row(
        song(f"00 F8 {NOTE} {END}"),
        ["byte 23, track 1: F8 may not stand by itself in a song: taken as that message"],
        ["F8", HEARD],
    ),
    "an undefined status": Row(
        song(f"00 F4 {NOTE} {END}"),
        ["byte 23, track 1: F4 may not stand by itself in a song"],
        [HEARD],
    ),
    "an exclusive that never ends": Row(
        song(f"00 F0 02 7D 01 {NOTE} {END}"),
        ["byte 25, track 1: an exclusive message never ends: left out"],
        [HEARD],
    ),
    "a note between packets": Row(
        song(f"00 F0 02 7D 01 {NOTE} 00 F7 02 02 F7 {END}"),
        ["byte 34, track 1: other messages stand between the packets of an exclusive one"],
        [HEARD, "F0 7D 01 02 F7"],
    ),
    "an escape that is no message": Row(
        song(f"00 F7 02 3C 40 {NOTE} {END}"),
        ["byte 25, track 1: bytes to be sent are no whole message: 3C: left out"],
        [HEARD],
    ),
    "a key signature of 255": Row(
        song(f"00 FF 59 02 00 FF {NOTE} {END}"),
        ["byte 26, track 1: a key signature is major (0) or minor (1), found 255: kept"],
        [HEARD],
    ),
    "a key with 8 sharps": Row(
        song(f"00 FF 59 02 08 00 {NOTE} {END}"),
        ["byte 26, track 1: a key signature has at most 7 sharps or flats, found 8: kept"],
        [HEARD],
    ),
    "a tempo of 0": Row(
        song(f"00 FF 51 03 00 00 00 {NOTE} {END}"),
        ["byte 26, track 1: a tempo of 0 microseconds a quarter note is none: not used"],
        [HEARD],
    ),
    "a tempo of 2 bytes": Row(
        song(f"00 FF 51 02 07 A1 {NOTE} {END}"),
        ["byte 26, track 1: meta event 51 has 3 bytes, found 2: not used"],
        [HEARD],
    ),
    "a channel prefix of 16": Row(
        song(f"00 FF 20 01 10 {NOTE} {END}"),
        ["byte 26, track 1: a channel prefix is 0 to 15, found 16: kept"],
        [HEARD],
    ),
    "a tempo outside the first track": Row(
        song(END, f"00 FF 51 03 07 A1 20 {NOTE} {END}"),
        ["byte 38, track 2: 1 tempo events stand outside the first track: used like the others"],
        [HEARD],
    ),
    "events behind the end of track": Row(
        song(f"{NOTE} {END} {NOTE}"),
        ["byte 30, track 1: 4 bytes stand behind the end of track: not played"],
        [HEARD],
    ),
    "a header that names 65535 tracks": Row(
        head(65_535, song_format=1) + track(f"{NOTE} {END}"),
        ["byte 10: the header says 65535 tracks, and there are 1: read those that are there"],
        [HEARD],
    ),
    "format 7": Row(
        song(f"{NOTE} {END}", song_format=7),
        ["byte 8: format 7 is none of 0, 1 and 2: read like format 1"],
        [HEARD],
    ),
    "format 0 with two tracks": Row(
        song(f"{NOTE} {END}", f"{NOTE} {END}", song_format=0),
        ["byte 8: a song of format 0 has one track, and this one 2: read like format 1"],
        [HEARD, HEARD],
    ),
    "a header of 4 bytes": Row(
        song(f"{NOTE} {END}").replace(b"\0\0\0\x06", b"\0\0\0\x04", 1),
        ["byte 4: the header says 4 bytes, and 6 is usual: read as 6"],
        [HEARD],
    ),
    "a strange chunk of 2 GB": Row(
        head() + b"XFIH\x7f\xff\xff\xff...." + track(f"{NOTE} {END}"),
        ["byte 14: the chunk 'XFIH' says 2147483647 bytes, more than the file has"],
        [HEARD],
    ),
    "bytes between chunks": Row(
        head() + b"\x01\x02\x03" + track(f"{NOTE} {END}"),
        ["byte 14: 3 bytes are no chunk: left alone"],
        [HEARD],
    ),
}  # fmt: skip


def said(data: bytes) -> list[str]:
    """Return the words of all faults."""
    return [fault.words() for fault in read_song(data).faults]


def heard(data: bytes) -> list[str]:
    """Return the messages in playing order, in hex."""
    return [message.hex(" ").upper() for message in timeline(read_song(data)).messages]


@pytest.mark.parametrize("row", ROWS.values(), ids=ROWS.keys())
def test_the_fault_is_told_with_its_place_and_the_rest_is_read(row: Row) -> None:
    words = said(row.data)
    assert len(words) == len(row.faults), words
    for found, expected in zip(words, row.faults, strict=True):
        assert found.startswith(expected)
    assert heard(row.data) == row.heard
    assert write_song(read_song(row.data)) == row.data


@pytest.mark.parametrize("row", ROWS.values(), ids=ROWS.keys())
def test_strict_reading_refuses_with_the_first_fault(row: Row) -> None:
    with pytest.raises(InputError) as caught:
        read_song(row.data, "odd.mid", strict=True)
    assert caught.value.where == "odd.mid"
    assert row.faults[0] in caught.value.message


def test_strict_reading_takes_what_keeps_to_the_standard() -> None:
    assert read_song(EXAMPLE_1, strict=True).n_events == 17  # 11 messages, 2 metas, 4 ends


def test_a_longer_header_and_a_strange_chunk_are_no_faults() -> None:
    """RP-001: honour a length over 6; chunks of unknown kinds are passed over."""
    start = bytes.fromhex("4D 54 68 64 00 00 00 08 00 00 00 01 00 60 AA BB")
    data = start + b"XFIH\0\0\0\x02ab" + track(f"{NOTE} {END}")
    assert heard(data) == [HEARD]
    assert said(data) == []
    assert [chunk.kind for chunk in read_song(data).chunks] == [b"XFIH", b"MTrk"]


@pytest.mark.parametrize(
    ("division", "words"),
    [(0, "0 ticks a quarter note"), (0xE900, "23 frames a second with 0 ticks each"),
     (0x8028, "128 frames a second"), (0xE700, "25 frames a second with 0 ticks each")],
)  # fmt: skip
def test_an_unknown_time_base_is_told_and_never_guessed(division: int, words: str) -> None:
    data = song(f"{NOTE} {END}", division=division)
    assert said(data)[0].startswith(f"byte 12: the time base is not one of the standard: {words}")
    found = read_song(data, "odd.mid")
    assert found.n_events == 2
    with pytest.raises(InputError, match="times can't be computed"):
        tempo_map(found)


@pytest.mark.parametrize("data", [b"MThd", b"MThd\0\0\0\x06\0\0\0\x01\0"])
def test_a_file_that_ends_inside_its_header_is_refused(data: bytes) -> None:
    with pytest.raises(InputError, match="ends inside its header"):
        read_song(data)


def test_a_song_without_tracks_is_empty() -> None:
    found = read_song(head(0))
    assert (found.n_events, found.n_tracks, found.faults) == (0, 0, ())
    assert timeline(found).messages == []


def test_an_empty_track_between_others_does_not_shift_them() -> None:
    data = (
        head(3, song_format=1) + track(f"05{NOTE[2:]} {END}") + track("") + track(f"{NOTE} {END}")
    )
    found = read_song(data)
    assert found.events.track.tolist() == [0, 0, 2, 2]
    assert found.events.tick.tolist() == [5, 5, 0, 0]


def test_a_fault_is_its_words_and_can_not_command_a_terminal() -> None:
    assert str(Fault(5, 2, "odd \x1b[2J", "kept")) == "byte 5, track 2: odd \\x1b[2J: kept"


def test_faults_are_all_counted_and_some_are_kept() -> None:
    found = read_song(song("00 F8 " * 5_000 + END))
    assert found.n_faults == 5_000
    assert len(found.faults) == MAX_FAULTS


def test_65535_tracks_are_read_in_bounded_time() -> None:
    data = head(65_535, song_format=1) + track(f"{NOTE} {END}") * 65_535
    start = time.perf_counter()
    found = read_song(data)
    taken = time.perf_counter() - start
    assert (found.n_tracks, found.n_events, found.n_faults) == (65_535, 131_070, 0)
    assert taken < 10  # about half a second; generous for a busy machine


def test_more_chunks_than_a_header_can_name_are_left_alone() -> None:
    found = read_song(head(65_535, song_format=1) + track(END) * 65_540)
    assert found.n_tracks == 65_535
    assert "there are more than 65535 chunks" in found.faults[0].words()
