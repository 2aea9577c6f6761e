"""Exact times, against fractions worked out one by one."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.song.read import read_song
from knobwright.core.song.records import Event
from knobwright.core.song.tempo import MAX_NS, event_ns, tempo_map
from knobwright.core.song.write import new_song
from tests.core.song.made import END, song

TEMPOS = st.lists(
    st.tuples(st.integers(0, 100_000), st.integers(1, 0xFFFFFF)),
    max_size=8,
    unique_by=lambda t: t[0],
).map(sorted)


def tempo(number: int) -> str:
    """Return a tempo event in hex, without its delta time."""
    return f"FF 51 03 {number:06X}"


def slow_us(tick: int, tempos: list[tuple[int, int]], division: int) -> Fraction:
    """Return a time in microseconds by walking through every tempo: RP-001's formula in steps."""
    us, now, rate = Fraction(0), 0, 500_000
    for at, new in tempos:
        if at > tick:
            break
        us += Fraction((at - now) * rate, division)
        now, rate = at, new
    return us + Fraction((tick - now) * rate, division)


@given(TEMPOS, st.integers(1, 0x7FFF), st.lists(st.integers(0, 200_000), min_size=1, max_size=20))
def test_every_time_is_the_exact_one_rounded_down(
    tempos: list[tuple[int, int]], division: int, ticks: list[int]
) -> None:
    events = [Event(at, b"\xff\x51" + us.to_bytes(3, "big")) for at, us in tempos]
    times = tempo_map(read_song(new_song([events], song_format=0, division=division)))
    exact = [slow_us(tick, tempos, division) for tick in ticks]
    assert [times.us(tick) for tick in ticks] == exact
    assert times.ns(np.array(ticks)).tolist() == [int(us * 1000 // 1) for us in exact]


def test_a_million_odd_ticks_do_not_drift() -> None:
    """A tick of 500 000 / 7 us has no finite decimal form; the millionth is exact all the same."""
    times = tempo_map(read_song(song(END, division=7)))
    ticks = np.arange(1_000_001)
    found = times.ns(ticks)
    assert int(found[7_000]) == 500_000_000_000
    assert int(found[1_000_000]) == 1_000_000 * 500_000_000 // 7


def test_of_several_tempos_at_one_tick_the_last_counts() -> None:
    data = song(f"00 {tempo(1_000_000)} 00 {tempo(250_000)} {END}")
    assert tempo_map(read_song(data)).us(96) == 250_000


def test_of_tempos_of_several_tracks_at_one_tick_the_last_track_counts() -> None:
    """As events of one tick are in track order; the third stands behind the place asked for."""
    data = song(
        f"00 {tempo(250_000)} {END}", f"00 {tempo(1_000_000)} 60 {tempo(1)} {END}",
        f"00 90 3C 40 {END}",
    )  # fmt: skip
    assert tempo_map(read_song(data)).us(96) == 1_000_000


def test_a_tempo_of_0_changes_nothing() -> None:
    data = song(f"00 {tempo(1_000_000)} 60 {tempo(0)} {END}")
    assert tempo_map(read_song(data)).us(192) == 2_000_000


def test_29_frames_mean_30_drop_frame() -> None:
    """-29 is 30 drop frame (RP-001): 30000/1001 frames a second (time code, RP-004)."""
    times = tempo_map(read_song(song(f"00 {tempo(1)} {END}", division=0xE304)))
    assert times.us(120_000) == 1_001_000_000  # 30 000 frames; the tempo counts nothing here
    assert times.ns(np.array([1]))[0] == 1_001_000_000 // 120


@pytest.mark.parametrize(("high", "frames"), [(0xE8, 24), (0xE7, 25), (0xE2, 30)])
def test_frames_divide_a_second(high: int, frames: int) -> None:
    times = tempo_map(read_song(song(END, division=high << 8 | 10)))
    assert times.us(frames * 10 * 3600) == 3_600_000_000
    assert times.ns(np.array([7]))[0] == 7 * 10**9 // (frames * 10)


def test_each_pattern_of_format_2_has_its_own_tempo() -> None:
    data = song(
        f"00 {tempo(1_000_000)} 60 90 3C 40 {END}", f"60 90 3C 40 {END}",
        f"60 {tempo(250_000)} 60 90 3C 40 {END}", song_format=2,
    )  # fmt: skip
    found = read_song(data)
    times = event_ns(found)
    notes = times[found.events.status == 0x90].tolist()
    assert notes == [1_000_000_000, 500_000_000, 750_000_000]
    assert tempo_map(found, track=2).us(192) == 750_000


def test_the_latest_time_has_a_limit_and_is_reached_without_overflow() -> None:
    """The slowest tempo and the longest steps that a file can hold, one tick a quarter note."""
    steps = "FF FF FF 7F 90 3C 40 " * 40
    found = read_song(song(f"00 {tempo(0xFFFFFF)} {steps} {END}", division=1))
    times = event_ns(found).tolist()
    exact = [min(int(tick) * 0xFFFFFF * 1000, MAX_NS) for tick in found.events.tick.tolist()]
    assert times == exact
    assert times[-1] == MAX_NS
