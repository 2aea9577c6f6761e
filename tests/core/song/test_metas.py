"""Names, texts and signatures."""

from __future__ import annotations

import pytest

from knobwright.core.song.metas import metas, ports, text, track_names
from knobwright.core.song.read import read_song
from tests.core.song.made import END, song


def words(event: str) -> str:
    """Return the words of one meta event in hex, without its delta time."""
    return next(metas(read_song(song(f"00 {event} {END}")))).words()


@pytest.mark.parametrize(
    ("event", "expected"),
    [("FF 03 04 42 61 73 73", "name 'Bass'"),
     ("FF 01 00", "text (empty)"),
     ("FF 0B 01 41", "text 'A'"),
     # 6/8 with a click every three eighths: the standard's own example
     ("FF 58 04 06 03 24 08", "time signature 6/8"),
     ("FF 58 04 04 FF 18 08", "time signature 4/2^255"),
     ("FF 51 03 07 A1 20", "tempo 120.00 a minute"),
     ("FF 51 03 00 00 00", "tempo 0 (none)"),
     ("FF 59 02 FD 00", "key signature Eb major"),
     ("FF 59 02 00 01", "key signature of C major, as the minor key beside it"),
     ("FF 59 02 01 FF", "key signature of G major (FF: odd mode)"),
     ("FF 59 02 40 00", "key signature 40 00 (none)"),
     ("FF 21 01 02", "port 2"),
     ("FF 4B 02 01 02", "type 4B 01 02"),
     ("FF 2F 00", "end of track")],
)  # fmt: skip
def test_a_meta_event_is_told_in_words(event: str, expected: str) -> None:
    assert words(event) == expected


def test_names_from_strangers_can_not_command_a_terminal() -> None:
    assert text(b"\x1b[2J\x07name\x9b") == "\\x1b[2J\\x07name\\x9b"


def test_text_is_read_as_utf_8_or_else_as_latin_1() -> None:
    assert text("Flöte".encode()) == "Flöte"
    assert text("Flöte".encode("latin-1")) == "Flöte"


def test_each_track_has_its_first_name() -> None:
    data = song(f"00 FF 03 01 41 00 FF 03 01 42 {END}", END, f"00 FF 03 01 43 {END}")
    assert track_names(read_song(data)) == ("A", "", "C")


def test_ports_are_listed_with_their_tracks() -> None:
    one = f"00 FF 21 01 01 {END}"
    assert ports(read_song(song(f"00 FF 21 01 00 {END}", one, one))) == {0: (0,), 1: (1, 2)}
