"""What hostile and damaged songs must still give: bars that are told, bytes that are not lost."""

from __future__ import annotations

import gzip

import pytest

from knobwright.core.errors import InputError
from knobwright.core.song import tracks
from knobwright.core.song.read import read_song
from knobwright.core.song.records import MAX_BYTES
from knobwright.core.song.timeline import timeline
from tests.core.song.made import END, EXAMPLE_0, song

NOTE = "00 90 3C 40 60 80 3C 40"


@pytest.mark.parametrize("content", ["00 02 18 08", "04 08 18 08", "04 FF 18 08", "00 00 00 00"])
def test_a_time_signature_that_makes_no_bars_is_told(content: str) -> None:
    """RP-001: numerator, and the power of two of the denominator; a bar of 0 beats is none."""
    found = read_song(song(f"00 FF 58 04 {content} {NOTE} {END}"))
    assert [fault.offset for fault in found.faults] == [26]
    assert "makes no bars: not used" in found.faults[0].words()


@pytest.mark.parametrize("content", ["06 03 24 08", "04 07 18 08", "FF 00 18 08"])
def test_a_time_signature_that_makes_bars_is_no_fault(content: str) -> None:
    assert read_song(song(f"00 FF 58 04 {content} {NOTE} {END}")).faults == ()


def _turned(data: bytes, at: int) -> bytes:
    return data[:at] + bytes((data[at] ^ 0x01,)) + data[at + 1 :]


@pytest.mark.parametrize("at", [-6, -2])
def test_a_gzip_with_a_wrong_check_sum_or_length_is_read_and_told(at: int) -> None:
    """RFC 1952: the last eight bytes are the CRC-32 and the length of what was packed."""
    packed = gzip.compress(EXAMPLE_0, mtime=0)
    found = read_song(_turned(packed, at + len(packed)))
    assert timeline(found).messages == timeline(read_song(EXAMPLE_0)).messages
    words = [fault.words() for fault in found.faults]
    assert words == [
        f"byte {len(EXAMPLE_0)}: the packed file (gzip) is damaged: read what comes before that"
    ]


def test_what_comes_before_the_damage_in_a_long_gzip_is_kept() -> None:
    data = song("00 90 3C 40 01 80 3C 40 " * 9000 + END)
    packed = gzip.compress(data, compresslevel=0, mtime=0)
    # RFC 1952: ten bytes of head. RFC 1951, 3.2.4: a stored block has a byte, its length and the
    # complement of that, two bytes each; the second block's no longer fits.
    first = int.from_bytes(packed[11:13], "little")
    assert 10_000 < first < len(data)
    found = read_song(_turned(packed, 10 + 5 + first + 3))
    assert found.data == data[:first]
    assert found.n_events > first // 4 - 10
    assert "the packed file (gzip) is damaged" in str(found.faults)


def test_several_members_of_a_gzip_longer_than_a_piece_are_one_song() -> None:
    data = song("00 90 3C 40 01 80 3C 40 " * 9000 + END)
    cut = 40_000
    packed = b"".join(
        gzip.compress(part, compresslevel=0, mtime=0) for part in (data[:cut], data[cut:])
    )
    found = read_song(packed)
    assert (found.data, found.faults) == (data, ())


def test_a_damaged_bomb_is_bounded_too() -> None:
    packed = gzip.compress(EXAMPLE_0 + bytes(2 * MAX_BYTES), mtime=0)
    with pytest.raises(InputError, match="unpacks to more than 32 MiB"):
        read_song(_turned(packed, len(packed) - 6))


def test_a_flood_of_events_is_refused_before_it_is_taken(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tracks, "MAX_EVENTS", 1000)
    walked = 0
    step = tracks.Walker._system

    def counted(self: tracks.Walker, at: int, end: int) -> int:
        nonlocal walked
        walked += 1
        return step(self, at, end)

    monkeypatch.setattr(tracks.Walker, "_system", counted)
    with pytest.raises(InputError, match="at most 1000 events"):
        read_song(song("00 F6 " * 50_000 + END))
    assert walked < 1100


@pytest.mark.parametrize(
    ("status", "done", "n_messages"),
    [("F6", "taken as that message", 3), ("F4", "it is no message, left out", 2),
     ("F9", "it is no message, left out", 2), ("FD", "it is no message, left out", 2)],
)  # fmt: skip
def test_what_is_said_of_a_system_byte_is_what_is_done(
    status: str, done: str, n_messages: int
) -> None:
    """MIDI 1.0 Detailed Specification 4.2.1, table V: F4, F5, F9 and FD are undefined."""
    found = read_song(song(f"00 {status} {NOTE} {END}"))
    assert [fault.done for fault in found.faults] == [done]
    assert len(timeline(found).messages) == n_messages


def test_a_song_longer_than_any_time_that_is_told_is_said_to_be() -> None:
    """One tick a quarter note, the slowest tempo and the longest steps: 142 years each."""
    step = "FF FF FF 7F 90 3C 40"
    slow = "00 FF 51 03 FF FF FF"
    one = read_song(song(f"{slow} {step} {END}", division=1))
    assert one.faults == ()
    two = read_song(song(f"{slow} {step} {step} {END}", division=1))
    assert [fault.what for fault in two.faults] == ["the song lasts longer than 146 years"]
    assert two.n_faults == 1
    quick = read_song(song(f"00 FF 51 03 00 00 01 {step} {step} {END}", division=1))
    assert quick.faults == ()
