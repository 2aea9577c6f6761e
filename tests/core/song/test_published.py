"""What the standard prints: Standard MIDI Files 1.0 (RP-001, revised February 1996)."""

from __future__ import annotations

import pytest

from knobwright.core.errors import EncodeError
from knobwright.core.song.quantity import read_quantity, write_quantity
from knobwright.core.song.read import read_song
from knobwright.core.song.tempo import tempo_map
from knobwright.core.song.timeline import timeline
from knobwright.core.song.write import new_song, rewrite, track_events, write_song
from knobwright.core.wire import cost_bytes, is_note_on, wire_time_us
from tests.core.song.made import END, EXAMPLE_0, EXAMPLE_1, song

# The table of variable-length quantities.
QUANTITIES = {
    0x00000000: "00",
    0x00000040: "40",
    0x0000007F: "7F",
    0x00000080: "81 00",
    0x00002000: "C0 00",
    0x00003FFF: "FF 7F",
    0x00004000: "81 80 00",
    0x00100000: "C0 80 00",
    0x001FFFFF: "FF FF 7F",
    0x00200000: "81 80 80 00",
    0x08000000: "C0 80 80 00",
    0x0FFFFFFF: "FF FF FF 7F",
}
# What the two example files hold: (tick, message), as the tables beside them list it.
PROGRAMS = [(0, "C0 05"), (0, "C1 2E"), (0, "C2 46")]
STARTS = [(0, "92 30 60"), (0, "92 3C 60"), (96, "91 43 40"), (192, "90 4C 20")]


@pytest.mark.parametrize(("number", "text"), QUANTITIES.items())
def test_a_quantity_is_written_and_read_as_printed(number: int, text: str) -> None:
    data = bytes.fromhex(text)
    assert write_quantity(number) == data
    assert read_quantity(data, 0, len(data)) == (number, len(data), True)
    as_delta = read_song(song(f"{text} 90 3C 40 {END}"))
    assert as_delta.events.tick[0] == number
    assert not as_delta.faults


def test_a_number_above_0fffffff_is_refused() -> None:
    with pytest.raises(EncodeError, match="268435456 does not"):
        write_quantity(0x10000000)
    with pytest.raises(EncodeError, match="-1 does not"):
        write_quantity(-1)


def heard(data: bytes) -> list[tuple[int, str]]:
    """Return (tick, message) in playing order."""
    line = timeline(read_song(data))
    texts = (message.hex(" ").upper() for message in line.messages)
    return list(zip(line.tick.tolist(), texts, strict=True))


def test_the_example_of_format_0_holds_the_printed_events() -> None:
    ends = [(384, f"8{n} {key:02X} 40") for n, key in ((2, 48), (2, 60), (1, 67), (0, 76))]
    assert heard(EXAMPLE_0) == PROGRAMS + STARTS + ends


def test_the_example_of_format_1_holds_the_printed_events() -> None:
    """Events of one tick come in track order, so the notes of channel 1 end first."""
    ends = [(384, f"9{n} {key:02X} 00") for n, key in ((0, 76), (1, 67), (2, 48), (2, 60))]
    assert heard(EXAMPLE_1) == PROGRAMS + STARTS + ends


@pytest.mark.parametrize(("data", "n_running"), [(EXAMPLE_0, 28), (EXAMPLE_1, 27)])
def test_the_examples_last_two_seconds_and_cost_what_was_counted(
    data: bytes, n_running: int
) -> None:
    """96 ticks a quarter note, 500 000 us: 384 ticks are 2 s. Bytes counted by hand."""
    found = read_song(data, strict=True)
    line = timeline(found)
    assert line.length_ns == 2_000_000_000
    assert line.ns.tolist()[3:7] == [0, 0, 500_000_000, 1_000_000_000]
    assert sum(map(is_note_on, line.messages)) == 4
    assert cost_bytes(line.messages, running_status=False) == 30
    assert cost_bytes(line.messages, running_status=True) == n_running
    assert wire_time_us(30) == 9_600


@pytest.mark.parametrize(("data", "song_format"), [(EXAMPLE_0, 0), (EXAMPLE_1, 1)])
def test_the_examples_are_written_byte_by_byte(data: bytes, song_format: int) -> None:
    """As they were read, and also anew from their events: they use running status throughout."""
    found = read_song(data)
    assert write_song(found) == data
    tracks = [track_events(found, number) for number in range(found.n_tracks)]
    anew = new_song(tracks, song_format=song_format, division=0x60, running_status=True)
    assert anew == data
    assert rewrite(found, dict(enumerate(tracks)), running_status=True) == data


def test_6144_ticks_are_32_seconds() -> None:
    """The standard's example: 6144 ticks, 500 000 us, division 96."""
    times = tempo_map(read_song(song(f"B0 00 FF 51 03 07 A1 20 {END}")))
    assert times.us(6144) == 32_000_000


def test_25_frames_of_40_ticks_are_milliseconds() -> None:
    """The standard's own example of a time base in milliseconds: E7 28."""
    times = tempo_map(read_song(song(END, division=0xE728)))
    assert times.us(1) == 1000
    assert times.us(3_600_000) == 3_600_000_000


def test_30_frames_of_80_ticks() -> None:
    """The standard's example E2 50: 30 frames a second, 80 ticks a frame."""
    assert tempo_map(read_song(song(END, division=0xE250))).us(2400) == 1_000_000


def test_an_exclusive_message_in_packets_is_put_together() -> None:
    """The standard's example: F0 03 43 12 00, 200 ticks, F7 06 ..., 100 ticks, F7 04 ..."""
    packets = "00 F0 03 43 12 00 81 48 F7 06 43 12 00 43 12 00 64 F7 04 43 12 00 F7"
    found = read_song(song(f"{packets} {END}"))
    line = timeline(found)
    assert [message.hex(" ").upper() for message in line.messages] == [
        "F0 43 12 00 43 12 00 43 12 00 43 12 00 F7"
    ]
    assert line.tick.tolist() == [300]
    assert not found.faults


def test_an_exclusive_message_stands_behind_its_length() -> None:
    """The standard's example: F0 43 12 00 07 F7 is stored as F0 05 43 12 00 07 F7."""
    line = timeline(read_song(song(f"00 F0 05 43 12 00 07 F7 {END}")))
    assert line.messages == [bytes.fromhex("F0 43 12 00 07 F7")]
