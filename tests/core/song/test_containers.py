"""Songs inside gzip and RIFF, and files that are no songs."""

from __future__ import annotations

import gzip
import tracemalloc
import zlib

import pytest

from knobwright.core.errors import InputError
from knobwright.core.song.read import read_song
from knobwright.core.song.records import MAX_BYTES, Event
from knobwright.core.song.timeline import timeline
from knobwright.core.song.write import rewrite, track_events, write_song
from tests.core.song.made import END, EXAMPLE_0, EXAMPLE_1, song

ODD = song(f"00 90 3C 40 00 C0 05 {END}")  # an odd number of bytes


def riff(content: bytes, *, more: bytes = b"", said: int | None = None) -> bytes:
    """Return a RIFF container of the form RMID; ``more`` are chunks in front of the song."""
    size = len(content) if said is None else said
    data = more + b"data" + size.to_bytes(4, "little") + content + b"\0" * (len(content) % 2)
    return b"RIFF" + (len(data) + 4).to_bytes(4, "little") + b"RMID" + data


def messages(data: bytes) -> list[bytes]:
    return timeline(read_song(data)).messages


@pytest.mark.parametrize("data", [EXAMPLE_0, EXAMPLE_1, ODD])
def test_a_packed_song_is_the_same_song(data: bytes) -> None:
    info = b"LIST\x05\0\0\0INFOx\0"
    packed = {
        "RIFF": riff(data),
        "RIFF with a chunk in front": riff(data, more=info),
        "gzip": gzip.compress(data),
        "gzip, RIFF": gzip.compress(riff(data)),
    }
    for name, outer in packed.items():
        found = read_song(outer)
        assert messages(outer) == messages(data), name
        assert name.startswith(found.wrap.kind)
        assert not found.faults
        assert write_song(found) == outer


def test_gzip_members_follow_one_another() -> None:
    """RFC 1952, section 2.2: a file is a series of members; their contents are joined."""
    outer = gzip.compress(EXAMPLE_0[:40]) + gzip.compress(EXAMPLE_0[40:])
    assert messages(outer) == messages(EXAMPLE_0)


@pytest.mark.parametrize("wrap", [riff, gzip.compress, lambda data: gzip.compress(riff(data))])
@pytest.mark.parametrize("data", [EXAMPLE_0, ODD])
def test_a_changed_song_is_packed_as_it_was(wrap: object, data: bytes) -> None:
    assert callable(wrap)
    found = read_song(wrap(data))
    events = [Event(0, b"\xb0\x07\x64"), *track_events(found, 0)]
    again = rewrite(found, {0: events})
    read = read_song(again, strict=True)  # so the container's lengths are right, too
    assert read.wrap.kind == found.wrap.kind
    assert timeline(read).messages[0] == b"\xb0\x07\x64"
    assert timeline(read).messages[1:] == messages(data)


def test_a_bomb_is_refused_before_it_fills_the_memory() -> None:
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    bomb = b"".join(packer.compress(bytes(2**20)) for _ in range(300)) + packer.flush()
    assert len(bomb) < 2**20
    tracemalloc.start()
    with pytest.raises(InputError, match="unpacks to more than 32 MiB"):
        read_song(bomb, "bomb.mid.gz")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 3 * MAX_BYTES


def test_a_file_that_is_too_large_is_refused_with_its_size() -> None:
    with pytest.raises(InputError, match=r"at most 32 MiB, and this file has 32\.0 MiB"):
        read_song(EXAMPLE_0 + bytes(MAX_BYTES))


def test_a_cut_off_gzip_is_read_as_far_as_it_goes() -> None:
    outer = gzip.compress(song("00 90 3C 40 " * 400 + END), compresslevel=0)
    found = read_song(outer[: len(outer) // 2])
    assert found.n_events > 100
    words = [fault.words() for fault in found.faults]
    assert any("the packed file (gzip) is cut off: read what is there" in line for line in words)


def test_a_damaged_gzip_is_told() -> None:
    with pytest.raises(InputError, match=r"the packed file \(gzip\) is damaged"):
        read_song(b"\x1f\x8b\x08\0" + b"\xff" * 40)


@pytest.mark.parametrize(
    ("outer", "words"),
    [(riff(EXAMPLE_0, said=2**31), "the chunk data says 2147483648 bytes, 82 are there"),
     (riff(EXAMPLE_0)[:4] + b"\xff\xff\xff\x7f" + riff(EXAMPLE_0)[8:], "the container says"),
     (gzip.compress(EXAMPLE_0) + b"more", "4 bytes stand behind the packed song")],
)  # fmt: skip
def test_a_container_that_lies_is_told_and_read(outer: bytes, words: str) -> None:
    found = read_song(outer)
    assert words in found.faults[0].words()
    assert timeline(found).messages == messages(EXAMPLE_0)
    assert write_song(found) == outer


@pytest.mark.parametrize(
    ("data", "words"),
    [(b"", "it is empty"),
     (b"\xff\xd8\xff\xe0\0\x10JFIF", "it looks like a JPEG picture"),
     (b"IWAD\x10\0\0\0MThd", "it looks like a game's WAD file; songs may be inside it"),
     (b"RIFF\x10\0\0\0WAVEfmt ", "it is a RIFF container of the kind 'WAVE'"),
     (b"RIFF\x10\0\0\0\x1b[2Jfmt ", r"it is a RIFF container of the kind '\\x1b[2J'"),
     (gzip.compress(gzip.compress(EXAMPLE_0)), "it is packed twice"),
     (b"MTrk\0\0\0\0", "it looks like a track without the header in front of it"),
     (b"\x01\x02\x03\x04\x05", "it begins with 01 02 03 04")],
)  # fmt: skip
def test_what_is_no_song_is_refused_by_name(data: bytes, words: str) -> None:
    with pytest.raises(InputError) as caught:
        read_song(data, "x.mid")
    assert str(caught.value).startswith(f"x.mid: this is no Standard MIDI File: {words}")


def test_a_container_without_a_song_is_told() -> None:
    with pytest.raises(InputError, match="no chunk data"):
        read_song(b"RIFF\x04\0\0\0RMID")


def test_a_chain_of_tiny_gzip_members_is_followed_only_so_far() -> None:
    """Each member copies what stands behind it: an endless chain would take endless time."""
    found = read_song(gzip.compress(EXAMPLE_0) + gzip.compress(b"") * 20_000)
    assert timeline(found).messages == messages(EXAMPLE_0)
    assert "bytes stand behind the packed song: left alone" in found.faults[0].words()
