"""Bars and beats, worked by hand from RP-001's time signatures."""

from __future__ import annotations

import pytest

from knobwright.core.song.read import read_song
from knobwright.core.timing.bars import Bars
from tests.core.song.made import END, EXAMPLE_0, song


def signature(beats: int, power: int) -> str:
    return f"FF 58 04 {beats:02X} {power:02X} 18 08"


def test_without_a_signature_a_bar_has_four_quarters() -> None:
    bars = Bars(read_song(song(f"00 90 3C 40 {END}")))
    assert bars.place(0) == (1, 1)
    assert bars.place(96 * 3 + 48) == (1, 4.5)
    assert bars.place(96 * 4) == (2, 1)
    assert bars.words(96 * 5) == "bar 2, beat 2"


def test_beats_are_those_of_the_signature() -> None:
    # 6/8: a beat is an eighth, 48 ticks; a bar 288.
    bars = Bars(read_song(song(f"00 {signature(6, 3)} {END}")))
    assert bars.place(47) == (1, 1.979)
    assert bars.place(48 * 5) == (1, 6)
    assert bars.place(288) == (2, 1)


def test_the_standards_example_is_one_bar_long() -> None:
    bars = Bars(read_song(EXAMPLE_0))  # 4/4 and 384 ticks at 96 a quarter
    assert [bars.place(tick) for tick in (0, 96, 192, 384)] == [(1, 1), (1, 2), (1, 3), (2, 1)]


def test_a_new_signature_begins_a_new_bar() -> None:
    # One bar of 4/4, then 3/4 in the middle of the second, then 4/4 on a bar line.
    rows = f"84 40 {signature(3, 2)} 84 40 {signature(4, 2)} {END}"  # after 576 and 1152 ticks
    bars = Bars(read_song(song(rows)))
    assert bars.place(575) == (2, 2.99)
    assert bars.place(576) == (3, 1)
    assert bars.place(576 + 288) == (4, 1)
    assert bars.place(1152) == (5, 1)
    assert bars.place(1152 + 384) == (6, 1)


@pytest.mark.parametrize("rows", [signature(0, 2), signature(3, 255), "FF 58 00"])
def test_a_signature_that_is_none_changes_nothing(rows: str) -> None:
    bars = Bars(read_song(song(f"00 {rows} {END}")))
    assert bars.place(384) == (2, 1)


def test_frames_have_no_bars_and_are_told_by_tick() -> None:
    bars = Bars(read_song(song(END, division=0xE728)))
    assert bars.place(10) is None
    assert bars.words(10) == "tick 10"


def test_a_pattern_has_its_own_signatures() -> None:
    data = song(f"00 {signature(3, 2)} {END}", END, song_format=2)
    assert Bars(read_song(data), pattern=0).place(288) == (2, 1)
    assert Bars(read_song(data), pattern=1).place(288) == (1, 4)
