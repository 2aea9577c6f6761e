"""Spread of chords, worked by hand from 960 us a note-on (MIDI 1.0 4.2.1: 3 bytes of 320 us)."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.timing.chords import BROKEN_NS, MAX_LISTED, Chord, chords
from knobwright.core.timing.wire import Link, departures, traffic_of

US = 1_000


def note(key: int, channel: int = 1, velocity: int = 64) -> bytes:
    return bytes((0x8F + channel, key, velocity))


def test_ten_notes_begin_over_nine_times_the_time_of_one() -> None:
    sent = traffic_of([0] * 10, [note(key) for key in range(50, 60)])
    found = chords(sent, departures(sent, Link()), limit_ns=8_000 * US)
    assert found.worst_ns == 9 * 960 * US
    assert found.listed == (Chord(0, 0, 10, 9 * 960 * US, 0, (1,), 0),)
    # With running status only the first has its status: 3 bytes, then 2 each.
    found = chords(sent, departures(sent, Link(running_status=True)))
    assert found.worst_ns == (3 + 8 * 2) * 320 * US
    assert (found.n_chords, found.n_broken) == (1, 0)


def test_single_notes_and_note_offs_make_no_chord() -> None:
    sent = traffic_of([0, 0, 5, 5], [note(60), note(60, velocity=0), note(61), b"\x80\x3c\x40"])
    assert chords(sent, departures(sent, Link())).n_chords == 0
    nothing = traffic_of([], [])
    assert chords(nothing, departures(nothing, Link())).n_chords == 0


def test_what_stands_between_the_notes_spreads_them_and_what_stands_before_delays_them() -> None:
    bend = b"\xe0\x00\x40"
    messages = [bend, note(60), *[bend] * 22, note(48, 10), note(64)]
    sent = traffic_of([0] * 26, messages)
    found = chords(sent, departures(sent, Link()))
    row = found.listed[0]
    assert (row.n_notes, row.channels, row.index) == (3, (1, 10), 1)
    assert row.spread_ns == 24 * 960 * US > BROKEN_NS
    assert row.delay_ns == 960 * US
    assert found.n_broken == 1


@given(st.lists(st.integers(2, 40), min_size=1, max_size=80))
def test_every_chord_is_counted_and_the_worst_are_listed(sizes: list[int]) -> None:
    due, messages = [], []
    for number, size in enumerate(sizes):
        due += [number * 10**9] * size
        messages += [note(key) for key in range(size)]
    sent = traffic_of(due, messages)
    found = chords(sent, departures(sent, Link()), limit_ns=5_000 * US)
    spreads = sorted(((size - 1) * 960 * US for size in sizes), reverse=True)
    broken = [value for value in spreads if value > 5_000 * US]
    assert (found.n_chords, found.n_broken) == (len(sizes), len(broken))
    assert [row.spread_ns for row in found.listed] == broken[:MAX_LISTED]
    assert found.worst_ns == spreads[0]
    assert sum(value <= found.median_ns for value in spreads) * 2 >= len(sizes)
    assert sum(value <= found.p99_ns for value in spreads) * 100 >= 99 * len(sizes)
