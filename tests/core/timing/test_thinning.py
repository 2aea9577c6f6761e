"""Thinning against a receiver written apart: what it holds stays within the tolerance, always."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import InputError
from knobwright.core.song.read import read_song
from knobwright.core.song.records import Event, Song
from knobwright.core.song.timeline import timeline
from knobwright.core.song.write import new_song, rewrite, track_events
from knobwright.core.timing.thinning import Thinned, Tolerances, thin
from tests.core.song.made import END, song
from tests.core.timing.held_values import Receiver
from tests.oracle import midifile

#: Division 480 at 120 a minute: a tick lasts 1.04 ms.
Rows = Sequence[tuple[int, bytes]]


def made(rows: Rows) -> Song:
    """Return a song of one track; the rows are steps in ticks and messages."""
    tick, events = 0, []
    for step, message in rows:
        tick += step
        events.append(Event(tick, message))
    return read_song(new_song([events], song_format=0))


def played(data: Song) -> list[tuple[int, bytes]]:
    line = timeline(data)
    return list(zip(line.tick.tolist(), line.messages, strict=True))


def after(before: Song, thinned: Thinned) -> Song:
    return read_song(rewrite(before, thinned.tracks))


def limit_of(place: tuple[object, ...], tolerances: Tolerances) -> float:
    if place[0] == "bend":
        return tolerances.bend_cents
    return tolerances.pressure_steps if place[0] == "pressure" else tolerances.steps


def check_held(before: Song, thinned: Thinned, tolerances: Tolerances) -> int:
    """Compare two receivers all along; return how many messages went."""
    one, other = Receiver(), Receiver()
    left = played(after(before, thinned))
    at = n_gone = 0
    for row in played(before):
        one.take(row[1])
        if at < len(left) and left[at] == row:
            other.take(row[1])
            at += 1
        else:
            n_gone += 1
            status, number = row[1][0] >> 4, row[1][1]
            assert status in (0xA, 0xB, 0xD, 0xE), "only values go"
            assert status != 0xB or not (number in (0, 32, 84, 88, 96, 97) or 64 <= number < 70
                                         or number >= 120)  # fmt: skip
        assert one.values.keys() == other.values.keys()
        for place, value in one.values.items():
            away = abs(value - other.values[place])
            assert away <= Fraction(limit_of(place, tolerances)) + Fraction(1, 10**9), place
    assert at == len(left)
    assert one.values == other.values, "in the end every value is exactly what the song says"
    assert n_gone == thinned.n_messages
    return n_gone


def control(number: int) -> st.SearchStrategy[bytes]:
    return st.integers(0, 127).map(lambda value: bytes((0xB0, number, value)))


WALK = st.integers(8192 - 300, 8192 + 300).map(lambda v: bytes((0xE0, v & 127, v >> 7)))
MESSAGES = st.one_of(
    WALK, WALK, WALK,
    st.integers(60, 68).map(lambda v: bytes((0xB0, 7, v))),
    st.integers(60, 68).map(lambda v: bytes((0xB0, 74, v))),
    st.integers(60, 68).map(lambda v: bytes((0xD0, v))),
    st.integers(60, 64).map(lambda v: bytes((0xA0, 60, v))),
    st.integers(40, 44).map(lambda v: bytes((0xB0, 6, v))),
    st.sampled_from([bytes((0xB0, n, v)) for n, v in
                     ((99, 5), (98, 18), (98, 19), (101, 0), (100, 0), (100, 5), (101, 127),
                      (64, 127), (64, 0), (0, 1), (96, 0), (121, 0), (123, 0), (1, 64), (33, 9),
                      (38, 7))]),
    st.sampled_from([b"\x90\x3c\x40", b"\x80\x3c\x40", b"\xc0\x05", b"\xf0\x7d\x01\xf7"]),
)  # fmt: skip
TOLERANCES = st.tuples(
    st.sampled_from([0.0, 1.0, 5.0]), st.sampled_from([0.0, 1.0, 2.5]), st.sampled_from([0.0, 2.0])
).map(lambda three: Tolerances(*three))


@given(
    rows=st.lists(st.tuples(st.sampled_from([0, 1, 10, 300]), MESSAGES), max_size=60),
    tolerances=TOLERANCES,
)
def test_what_is_held_stays_within_the_tolerance_at_every_moment(
    rows: Rows, tolerances: Tolerances
) -> None:
    before = made(rows)
    thinned = thin(before, tolerances)
    check_held(before, thinned, tolerances)
    for row in thinned.removed:
        assert 0 <= row.worst <= row.tolerance
        assert 0 < row.n_removed < row.n_values
    n_values = sum(row.n_removed for row in thinned.removed)
    assert thinned.n_selections <= thinned.n_messages
    assert thinned.n_messages >= n_values


def bends(*values: int) -> list[bytes]:
    return [bytes((0xE0, v & 127, v >> 7)) for v in values]


def test_a_ramp_keeps_its_ends_and_what_the_tolerance_asks_for() -> None:
    # A bend of two semitones takes 8192 steps of 200 / 8192 cents: 41 steps are one cent.
    ramp = bends(8192, *range(8192 + 41, 8192 + 41 * 21, 41))
    before = made([(10, message) for message in ramp])
    thinned = thin(before, Tolerances(bend_cents=5))
    left = [data for _, data in played(after(before, thinned))]
    # One in six steps of a cent may stay away (five are within), and the first and the last stay.
    assert left == [ramp[0], ramp[5], ramp[10], ramp[15], ramp[20]]
    assert check_held(before, thinned, Tolerances(bend_cents=5)) == 16
    (row,) = thinned.removed
    assert (row.name, row.channel, row.n_values, row.n_removed, row.n_bytes, row.unit) == (
        "pitch bend", 1, 21, 16, 48, "cents",
    )  # fmt: skip
    assert 4 < row.worst <= 5
    assert row.words() == (
        "pitch bend on channel 1: 16 of 21 values taken out (48 bytes), "
        "never more than 4 cents away"
    )


def test_a_wider_bend_range_keeps_more() -> None:
    ramp = bends(*range(8192, 8192 + 41 * 21, 41))
    twelve = [bytes((0xB0, n, v)) for n, v in ((101, 0), (100, 0), (6, 12))]
    narrow = thin(made([(10, m) for m in ramp]))
    wide = thin(made([(10, m) for m in [*twelve, *ramp]]))
    assert narrow.n_messages > wide.n_messages


def test_a_bend_under_a_new_range_is_never_held_against_one_under_the_old() -> None:
    # 100 steps are 2.4 cents in a range of 2 semitones, 10 steps 2.9 cents in one of 24; were the
    # second left out, the first would sound as 29 cents.
    rows = [bytes((0xB0, n, v)) for n, v in ((101, 0), (100, 0), (6, 24))]
    messages = [*bends(8192 + 100), *rows, *bends(8192 + 10, 8192 + 12)]
    assert thin(made([(10, message) for message in messages])).n_messages == 0


def test_turning_points_and_marks_stay_exactly() -> None:
    values = [64, 66, 68, 70, 71, 69, 67, 65, 64, 63, 62, 61, 62, 64, 66]
    before = made([(10, bytes((0xB0, 1, value))) for value in values])
    left = [data[2] for _, data in played(after(before, thin(before, Tolerances(steps=3))))]
    assert left[0] == 64
    assert left[-1] == 66
    assert {71, 61, 64} <= set(left)
    assert len(left) < len(values)


def test_silence_and_the_centre_are_reached_exactly() -> None:
    fade = [bytes((0xB0, 7, value)) for value in (3, 2, 1, 0, 1, 2, 3)]
    before = made([(10, message) for message in fade])
    left = [data[2] for _, data in played(after(before, thin(before, Tolerances(steps=10))))]
    assert left == [3, 0, 3]


def test_where_a_stream_rests_the_value_is_exact() -> None:
    rows = [(0, 10), (10, 11), (10, 12), (2000, 13), (10, 14), (2000, 15)]
    before = made([(step, bytes((0xB0, 1, value))) for step, value in rows])
    left = [data[2] for _, data in played(after(before, thin(before, Tolerances(steps=8))))]
    assert left == [10, 12, 13, 14, 15]


def test_equal_values_go_even_without_any_tolerance() -> None:
    rows = [bytes((0xB0, 7, 100))] * 5 + [bytes((0xB0, 7, 101))]
    thinned = thin(made([(10, row) for row in rows]), Tolerances(0, 0, 0))
    assert [row.n_removed for row in thinned.removed] == [4]
    assert thinned.removed[0].worst == 0


BARRIERS = {
    "a program": b"\xc0\x05", "all controllers reset": b"\xb0\x79\x00",
    "an exclusive": b"\xf0\x7d\x01\xf7", "NRPN data": None,
}  # fmt: skip


@pytest.mark.parametrize("name", BARRIERS)
def test_a_value_is_sent_again_where_something_may_have_changed_it(name: str) -> None:
    barrier = BARRIERS[name]
    rows = [bytes((0xB0, n, v)) for n, v in ((99, 5), (98, 18), (6, 3))]
    same = bytes((0xB0, 74, 100))
    middle = rows if barrier is None else [barrier]
    thinned = thin(made([(10, message) for message in [same, *middle, same]]))
    assert thinned.n_messages == 0
    assert thinned.tracks == {}


def test_switches_steps_banks_and_tuning_are_never_touched() -> None:
    rows = [bytes((0xB0, n, v)) for n, v in
            ((64, 127), (64, 127), (0, 5), (0, 5), (84, 60), (84, 60), (101, 0), (100, 1),
             (6, 64), (6, 64), (96, 0), (96, 0), (97, 0), (97, 0))]  # fmt: skip
    assert thin(made([(10, row) for row in rows]), Tolerances(9, 9, 9)).n_messages == 0


def test_a_fine_value_goes_with_both_halves_or_not_at_all() -> None:
    rows = [bytes((0xB0, n, v)) for fine in range(0, 40, 4) for n, v in ((1, 50), (33, fine))]
    before = made([(10, row) for row in rows])
    thinned = thin(before, Tolerances(steps=0.1))  # 12.8 of the fine steps
    assert check_held_fine(before, thinned)
    left = [data for _, data in played(after(before, thinned))]
    assert len(left) == 2 * 4
    assert left[0::2] == [bytes((0xB0, 1, 50))] * 4


def check_held_fine(before: Song, thinned: Thinned) -> bool:
    """Return whether values are within 0.1 steps once both halves of each have come."""
    one, other = Receiver(), Receiver()
    left = played(after(before, thinned))
    for tick, message in played(before):
        one.take(message)
        if left and left[0] == (tick, message):
            other.take(left.pop(0)[1])
        if message[1] == 33:
            place = ("controller", 0, 1)
            assert abs(one.values[place] - other.values[place]) <= Fraction(1, 10)
    return not left


def test_a_low_half_alone_leaves_its_stream_as_it_is() -> None:
    rows = [bytes((0xB0, n, v)) for n, v in ((1, 50), (1, 50), (33, 9), (90, 1), (33, 9), (1, 50))]
    thinned = thin(made([(10, row) for row in rows]))
    assert thinned.n_messages == 0


def test_a_note_between_two_halves_leaves_their_stream_as_it_is() -> None:
    rows = ((1, 50), (33, 0), (1, 50), (33, 5), (1, 50), (33, 9))
    halves = [bytes((0xB0, n, v)) for n, v in rows]
    assert thin(made([(10, row) for row in halves])).n_messages > 0
    halves.insert(3, b"\x90\x3c\x40")
    assert thin(made([(10, row) for row in halves])).n_messages == 0


def test_a_controller_between_may_have_moved_what_an_nrpn_sets() -> None:
    rows = [bytes((0xB0, n, v)) for n, v in ((99, 5), (98, 18), (6, 50), (74, 90), (6, 50))]
    assert thin(made([(10, row) for row in rows])).n_messages == 0
    del rows[3]
    assert thin(made([(10, row) for row in rows])).n_messages == 1


def test_data_behind_null_are_left_alone() -> None:
    rows = [bytes((0xB0, n, v)) for n, v in ((101, 127), (100, 127), (6, 50), (6, 50))]
    assert thin(made([(10, row) for row in rows])).n_messages == 0


def test_selections_stay_where_no_data_went() -> None:
    rows = [bytes((0xB0, n, v)) for n, v in ((99, 5), (98, 18), (99, 5), (98, 18), (6, 50))]
    assert thin(made([(10, row) for row in rows])).n_messages == 0


def test_selections_go_with_the_data_that_went() -> None:
    rows = [bytes((0xB0, n, v)) for value in range(40, 61)
            for n, v in ((99, 5), (98, 18), (6, value))]  # fmt: skip
    before = made([(10, row) for row in rows])
    thinned = thin(before, Tolerances(steps=2))
    assert check_held(before, thinned, Tolerances(steps=2)) == 39
    assert thinned.n_selections == 26
    left = [data for _, data in played(after(before, thinned))]
    # 40, 43, ... 58 and the last, 60: each value that stays has its own selection before it, once.
    assert [row[1] for row in left] == [99, 98, 6] * 8


def test_a_song_keeps_everything_else_byte_for_byte() -> None:
    name = "00 FF 03 04 4E 61 6D 65"
    rows = " ".join(f"05 E0 {value:02X} 40" for value in range(40))
    before = read_song(song(f"{name} 00 90 3C 40 {rows} 00 80 3C 40 {END}"))
    thinned = thin(before)
    changed = after(before, thinned)
    assert thinned.n_messages > 30
    left = [row for row in track_events(changed, 0) if row.data[0] != 0xE0]
    assert left == [row for row in track_events(before, 0) if row.data[0] != 0xE0]


def test_real_songs_stay_within_the_tolerance_and_wait_no_longer() -> None:
    midifile.require("freedoom")
    chosen = [row for row in midifile.songs("freedoom") if row.name.endswith("E3M8")]
    for name, data in chosen:
        before = read_song(data, name)
        tolerances = Tolerances(steps=2)
        thinned = thin(before, tolerances)
        assert check_held(before, thinned, tolerances) > 100
        assert thinned.after.finish.worst_ns < thinned.before.finish.worst_ns
        assert thinned.after.finish.n == thinned.before.finish.n - thinned.n_messages


def test_a_track_that_can_not_be_written_anew_is_left_alone() -> None:
    # A data byte above 7F: the reader keeps the event as unreadable.
    same = "05 B0 07 40 " * 5
    before = read_song(song(f"{same} 05 B0 07 C0 {END}", f"{same} {END}"))
    thinned = thin(before)
    assert thinned.untouched == (0,)
    assert set(thinned.tracks) <= {1}
    assert after(before, thinned).n_events == before.n_events - thinned.n_messages


@pytest.mark.parametrize(
    ("tolerances", "words"),
    [
        (Tolerances(bend_cents=-1), "0 or more, found -1 for bend_cents"),
        (Tolerances(steps=float("nan")), "found nan for steps"),
        (Tolerances(by_controller={7: -2}), "found -2 for controller 7"),
        (Tolerances(by_parameter={"tone": 1}), "no parameter 'tone'"),
    ],
)
def test_a_tolerance_that_is_none_is_refused(tolerances: Tolerances, words: str) -> None:
    with pytest.raises(InputError, match=words):
        thin(made([]), tolerances)
