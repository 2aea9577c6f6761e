"""The splitter on real music: free MIDI files from Debian packages, read by mido."""

from __future__ import annotations

import mido
import pytest

from knobwright.core.wire.cost import cost_bytes, shortened
from knobwright.core.wire.messages import check_whole, is_note_on
from knobwright.core.wire.stream import Message, Splitter
from tests.oracle import midifile

# Counted once over these packages (versions of Debian 12): songs, started notes, control changes,
# pitch bends, exclusive messages. They guard the reader: a reader that loses half would pass
# everything else.
COUNTS = {
    "simutrans-data": (53, 257_127, 39_918, 11_511, 147),
    "freedoom": (67, 198_476, 30_028, 15_675, 0),
    "openttd-openmsx": (31, 80_364, 7_455, 4_114, 0),
}


@pytest.fixture(params=midifile.PACKAGES)
def package(request: pytest.FixtureRequest) -> str:
    """Return each package whose songs are here."""
    name: str = request.param
    midifile.require(name)
    return name


def split(stream: bytes, n_piece: int) -> list[bytes]:
    """Return the stream's messages, fed in pieces; fails where anything is dropped."""
    splitter = Splitter()
    found: list[bytes] = []
    for start in range(0, len(stream), n_piece):
        for record in splitter.feed(stream[start : start + n_piece]):
            assert isinstance(record, Message)
            found.append(record.data)
    assert splitter.end() == []
    return found


def test_the_songs_hold_what_was_counted(package: str) -> None:
    traffic = midifile.traffic(package)
    kinds = [message[0] & 0xF0 for message in traffic]
    n_notes = sum(map(is_note_on, traffic))
    n_songs = len(midifile.songs(package))
    counted = (n_songs, n_notes, kinds.count(0xB0), kinds.count(0xE0), kinds.count(0xF0))
    assert counted == COUNTS[package]


def test_every_song_comes_out_as_it_went_in(package: str) -> None:
    """In full in pieces of 4096 and with running status in pieces of 61: no byte differs."""
    for name, messages in midifile.messages(package):
        assert split(b"".join(messages), 4096) == list(messages), name
        short = b"".join(shortened(messages))
        assert split(short, 61) == list(messages), name
        assert len(short) == cost_bytes(messages, running_status=True)


def test_mido_finds_the_same_messages_in_the_stream(package: str) -> None:
    """``mido.Parser`` on every fourth song's bytes: its parser, not its file reader."""
    for name, messages in midifile.messages(package)[::4]:
        stream = b"".join(messages)
        parser = mido.Parser()
        parser.feed(stream)
        assert split(stream, 3) == [bytes(message.bytes()) for message in parser], name


def test_every_message_of_the_songs_is_whole(package: str) -> None:
    for message in set(midifile.traffic(package)):
        check_whole(message)
