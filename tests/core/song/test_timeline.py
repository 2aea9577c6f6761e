"""What is played, in which order."""

from __future__ import annotations

import pytest

from knobwright.core.errors import InputError
from knobwright.core.song.read import read_song
from knobwright.core.song.timeline import timeline
from tests.core.song.made import END, song


def heard(data: bytes, pattern: int = 0) -> list[tuple[int, int, str]]:
    """Return (tick, track, message)."""
    line = timeline(read_song(data), pattern=pattern)
    texts = [message.hex(" ").upper() for message in line.messages]
    return list(zip(line.tick.tolist(), line.track.tolist(), texts, strict=True))


def test_events_of_one_tick_come_in_track_order_and_then_as_in_the_file() -> None:
    data = song(f"05 C0 01 00 90 3C 40 {END}", f"00 C1 02 05 91 3C 40 00 D1 05 {END}")
    assert heard(data) == [
        (0, 1, "C1 02"), (5, 0, "C0 01"), (5, 0, "90 3C 40"), (5, 1, "91 3C 40"), (5, 1, "D1 05"),
    ]  # fmt: skip


def test_running_status_of_programs_and_pressure_has_one_data_byte() -> None:
    assert heard(song(f"00 C0 01 05 02 00 D0 03 81 00 04 {END}")) == [
        (0, 0, "C0 01"), (5, 0, "C0 02"), (5, 0, "D0 03"), (133, 0, "D0 04"),
    ]  # fmt: skip


def test_an_escape_is_sent_as_it_is() -> None:
    """RP-001: an F7 event may hold real-time messages, song select and so on."""
    data = song(f"00 F7 01 FA 05 F7 02 F3 01 00 F7 03 F8 F8 F6 {END}")
    assert [row[2] for row in heard(data)] == ["FA", "F3 01", "F8", "F8", "F6"]
    assert not read_song(data).faults


def test_a_whole_exclusive_inside_an_escape_is_one() -> None:
    assert [row[2] for row in heard(song(f"00 F7 05 F0 7D 01 02 F7 {END}"))] == ["F0 7D 01 02 F7"]


def test_exclusive_messages_of_two_tracks_do_not_mix() -> None:
    data = song(f"00 F0 02 7D 01 {END}", f"00 F7 02 02 F7 {END}")
    assert heard(data) == []
    assert len(read_song(data).faults) == 2


def test_only_what_stands_between_two_packets_is_told_for_the_second() -> None:
    packets = "00 F0 02 7D 01 00 90 3C 40 00 F7 01 02 00 F7 02 03 F7"
    found = read_song(song(f"{packets} {END}"))
    assert [row[2] for row in heard(found.data)] == ["90 3C 40", "F0 7D 01 02 03 F7"]
    assert found.n_faults == 1


def test_meta_events_are_not_sent() -> None:
    assert heard(song(f"00 FF 01 03 90 3C 40 00 FF 58 04 04 02 18 08 {END}")) == []


def test_a_pattern_of_format_2_is_played_on_its_own() -> None:
    exclusive = "00 F0 03 7D 01 F7"
    data = song(f"00 C0 01 {exclusive} {END}", "05 C1 02 83 00 FF 2F 00", song_format=2)
    assert [row[2] for row in heard(data)] == ["C0 01", "F0 7D 01 F7"]
    assert heard(data, 1) == [(5, 1, "C1 02")]
    assert timeline(read_song(data), pattern=1).length_ns == (5 + 384) * 10**9 // 192
    with pytest.raises(InputError, match="the patterns 1 to 2, and there is no 3"):
        timeline(read_song(data), pattern=2)


def test_the_length_goes_to_the_last_end_of_track() -> None:
    line = timeline(read_song(song(f"00 90 3C 40 {END}", "83 00 FF 2F 00")))
    assert (line.ns.tolist(), line.length_ns) == ([0], 2_000_000_000)
