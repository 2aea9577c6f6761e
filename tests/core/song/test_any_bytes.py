"""Whatever the bytes are: our own errors only, bounded memory, every byte written back."""

from __future__ import annotations

import contextlib
import random
import time
import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import InputError, KnobwrightError
from knobwright.core.song.metas import metas, ports, track_names
from knobwright.core.song.read import read_song
from knobwright.core.song.tempo import event_ns
from knobwright.core.song.timeline import timeline
from knobwright.core.song.write import track_events, write_song
from tests.core.song.made import EXAMPLE_0, EXAMPLE_1, head, song

#: Bytes that matter in a song come more often than others.
PIECES = st.one_of(
    st.binary(max_size=12),
    st.sampled_from((b"MTrk", b"MThd", b"\xff\x2f\x00", b"\x00\x90\x3c\x40", b"\xff\x51\x03",
                     b"\xf0\x03\x7d", b"\xf7\x02", b"\xff\xff\xff\x7f", b"\x00\xc0\x01", b"\x00",
                     b"RIFF", b"RMIDdata", b"\x1f\x8b\x08", b"\0\0\0\x08")),
)  # fmt: skip
SOUP = st.lists(PIECES, max_size=40).map(b"".join)
STARTS = st.sampled_from((b"", head(), head() + b"MTrk\0\0\0\x40", EXAMPLE_1[:60], EXAMPLE_0))


def use_all(data: bytes) -> None:
    """Read bytes and do everything that can be done with a song."""
    try:
        found = read_song(data, "any.mid")
    except InputError:
        return
    assert write_song(found) == data
    for fault in found.faults:
        assert 0 <= fault.offset <= len(found.data)
        assert 0 <= fault.track <= found.n_tracks
        assert fault.words().isprintable()
    assert found.n_faults >= len(found.faults)
    check_events(found)
    list(metas(found))
    track_names(found)
    ports(found)
    for use in (event_ns, timeline, lambda song: track_events(song, 0)):
        with contextlib.suppress(KnobwrightError):
            use(found)


def check_events(found: object) -> None:
    """Check what holds for the events of any song."""
    events = found.events  # type: ignore[attr-defined]
    n = len(found.data)  # type: ignore[attr-defined]
    assert ((events.at >= 14) & (events.at + events.size <= n)).all()
    playable = (events.status >= 0x80) & (events.status < 0xF0)
    assert (events.first[playable] < 0x80).all()
    assert (events.second[playable] < 0x80).all()
    same_track = events.track[1:] == events.track[:-1]
    assert (events.tick[1:] >= events.tick[:-1])[same_track].all()
    assert (events.at[1:] >= events.at[:-1]).all()


@given(STARTS, SOUP)
def test_any_bytes_are_read_or_refused(start: bytes, soup: bytes) -> None:
    use_all(start + soup)


@given(st.binary(max_size=300))
def test_any_track_content_is_read(content: bytes) -> None:
    use_all(head() + b"MTrk" + len(content).to_bytes(4, "big") + content)


@given(st.sampled_from((EXAMPLE_0, EXAMPLE_1)), st.data())
def test_an_example_with_bytes_changed_is_read_or_refused(
    example: bytes, data: st.DataObject
) -> None:
    changed = bytearray(example)
    for _ in range(data.draw(st.integers(1, 4))):
        changed[data.draw(st.integers(0, len(changed) - 1))] = data.draw(st.integers(0, 255))
    use_all(bytes(changed))


@given(st.sampled_from((EXAMPLE_0, EXAMPLE_1)), st.integers(14, 117))
def test_what_stands_before_the_cut_is_read(example: bytes, n: int) -> None:
    """Nothing is lost of what was readable: the events before the cut are the whole song's."""
    whole, cut = read_song(example).events, read_song(example[:n]).events
    k = len(cut.tick)
    assert cut.tick.tolist() == whole.tick[:k].tolist()
    assert cut.status.tolist() == whole.status[:k].tolist()
    ends = whole.at + whole.size
    assert k >= int((ends <= min(n, len(example))).sum())


HOSTILE = {
    "delta times without end": lambda n: b"\xff" * n,
    "empty metas": lambda n: b"\x00\xff\x01\x00" * (n // 4),
    "clocks": lambda n: b"\x00\xf8" * (n // 2),
    "two-byte events": lambda n: b"\x00\xc0\x01" + b"\x00\x01" * (n // 2),
    "packets of one exclusive": lambda n: b"\x00\xf0\x01\x7d" + b"\x00\xf7\x01\x01" * (n // 4),
    "escapes of garbage": lambda n: (b"\x00\xf7\x7f" + b"\x05" * 127) * (n // 130),
    "tempos": lambda n: b"\x01\xff\x51\x03\x07\xa1\x20" * (n // 7),
    "tracks that say too little": lambda n: b"MTrk\0\0\0\x01\x00" * (n // 9),
    "chunks": lambda n: b"abcd\0\0\0\0" * (n // 8),
    "noise": lambda n: random.Random(5).randbytes(n),
}


@pytest.mark.parametrize("make", HOSTILE.values(), ids=HOSTILE.keys())
def test_memory_and_time_stay_bounded(make: object) -> None:
    """64 KiB of the worst: cost grows with the size, not with its square."""
    assert callable(make)
    content = make(2**16)
    data = head() + b"MTrk" + len(content).to_bytes(4, "big") + content
    tracemalloc.start()
    start = time.perf_counter()
    found = read_song(data)
    taken = time.perf_counter() - start
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert found.n_faults > 0
    assert peak < 150 * len(data) + 2**20
    assert taken < 30  # below a second under tracemalloc; generous for a busy machine


def test_too_many_events_are_refused() -> None:
    n = 4_000_001
    content = b"\x00\xc0\x01" + b"\x00\x01" * n
    with pytest.raises(InputError, match="at most 4000000 events"):
        read_song(head() + b"MTrk" + len(content).to_bytes(4, "big") + content)


def test_a_very_long_text_is_kept_whole() -> None:
    size = 100_000
    length = bytes((0x80 | size >> 14, 0x80 | size >> 7 & 0x7F, size & 0x7F)).hex()
    found = read_song(song(f"00 FF 01 {length} {'41' * size} 00 FF 2F 00"), strict=True)
    assert next(metas(found)).content == b"A" * size
