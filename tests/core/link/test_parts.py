"""The parts of the judging, each by rows worked out by hand."""

from __future__ import annotations

import pytest

from knobwright.core.link import fates
from knobwright.core.link.chance import runs
from knobwright.core.link.fates import exclusive_fate, gap_fate
from knobwright.core.link.known import Change
from knobwright.core.link.latency import measure
from knobwright.core.link.matching import is_note_off_form, other_form
from knobwright.core.wire import Splitter

EXCLUSIVE = "F0 7D 00 01 10 11 12 13 14 15 F7"

FATES = {
    "whole": ("F0 7D 00 01 10 11 12 13 14 15 F7", fates.WHOLE, 11),
    "nothing": ("", fates.LOST, 0),
    "another one": ("F0 7D 00 02 10 11 12 13 14 15 F7", fates.LOST, 0),
    "cut, with its end": ("F0 7D 00 01 10 11 F7", fates.CUT, 6),
    "cut, without an end": ("F0 7D 00 01 10 11 90 3C 40", fates.CUT, 6),
    "cut before its end": ("F0 7D 00 01 10 11 12 13 14 15 A0 01 02", fates.CUT, 10),
    "cut before its number": ("F0 7D F7", fates.CUT, 2),
    "one byte changed": ("F0 7D 00 01 10 11 12 53 14 15 F7", fates.CHANGED, 7),
    "one byte missing": ("F0 7D 00 01 10 11 13 14 15 F7", fates.HOLED, 6),
    "two pieces": ("F0 7D 00 01 10 11 F7 F0 12 13 14 15 F7", fates.SPLIT, 6),
    "two pieces, the second loose": ("F0 7D 00 01 10 11 F7 12 13 14 15 F7", fates.SPLIT, 6),
    "two pieces, each twice": (
        "F0 7D 00 01 10 11 F7 F0 7D 00 01 10 11 F7 F0 12 13 14 15 F7 F0 12 13 14 15 F7",
        fates.SPLIT,
        6,
    ),
    "real time between pieces": ("F0 7D 00 01 10 F8 11 12 13 14 15 F7", fates.WHOLE, 11),
}


@pytest.mark.parametrize("name", FATES)
def test_what_became_of_an_exclusive(name: str) -> None:
    came, what, n_bytes = FATES[name]
    splitter = Splitter()
    records = splitter.feed(bytes.fromhex(came)) + splitter.feed(b"\xf6")
    fate = exclusive_fate(bytes.fromhex(EXCLUSIVE), records)
    assert (fate.what, fate.n_bytes) == (what, n_bytes)


GAPS = {
    "all gone": ("90 3C 01", "", fates.LOST, 0),
    "one byte gone": ("90 3C 01", "90 01", fates.LOST, 1),
    "swapped": ("90 3C 01", "90 01 3C", fates.SWAPPED, 1),
    "swapped over two messages": ("90 3C 01 A0 05 06", "90 3C A0 01 05 06", fates.SWAPPED, 2),
    "changed": ("90 3C 01", "90 3D 01", fates.CHANGED, 1),
    "more than was sent": ("90 3C 01", "90 3C 3C 01", fates.CHANGED, 2),
}


@pytest.mark.parametrize("name", GAPS)
def test_what_became_of_bytes_at_full_rate(name: str) -> None:
    sent, got, what, n_bytes = GAPS[name]
    fate = gap_fate(bytes.fromhex(sent), bytes.fromhex(got))
    assert (fate.what, fate.n_bytes) == (what, n_bytes)


def test_both_forms_of_a_note_off_are_one_to_music() -> None:
    # Page 10: note on with velocity 0 is a note off.
    off, on_0 = b"\x83\x3c\x40", b"\x93\x3c\x00"
    assert other_form(off) == (9, 3, 0x3C)
    assert other_form(on_0) == (8, 3, 0x3C)
    assert is_note_off_form(off)
    assert is_note_off_form(on_0)
    assert other_form(b"\x93\x3c\x01") is None
    assert other_form(b"\xf0\x7d\xf7") is None


def test_a_change_keeps_sets_and_caps_data_bytes_only() -> None:
    assert Change(keep=0x3F).of(b"\xa0\x7f\x40") == b"\xa0\x3f\x00"
    assert Change(set=0x01).of(b"\xc0\x40") == b"\xc0\x41"
    assert Change(cap=99).of(b"\xb0\x7f\x7f") == b"\xb0\x7f\x63"


def test_runs_are_neighbours() -> None:
    assert runs([1, 2, 3, 7, 9, 10]) == [[1, 2, 3], [7], [9, 10]]
    assert runs([]) == []


def test_figures_are_those_of_the_nearest_rank() -> None:
    # Worked by hand: 100 times of 1 to 100 us; the 50th is the median, the 99th the 99 % one.
    found = measure([us * 1_000 for us in range(100, 0, -1)], 960)
    assert found is not None
    assert (found.n, found.least_us, found.median_us, found.p99_us, found.worst_us) == (
        100, 1, 50, 99, 100,
    )  # fmt: skip
    assert (found.from_us, found.class_us) == (0, 20)
    assert found.counts == (19, 20, 20, 20, 20, 1)
    assert found.spread_us == 98


def test_classes_are_few_however_wide_the_times_are() -> None:
    found = measure([1_000, 9_000_000_000], 960)
    assert found is not None
    assert len(found.counts) <= 24
    assert sum(found.counts) == 2


def test_no_times_have_no_figures() -> None:
    assert measure([], 960) is None
