"""Encoders without an end. The three codings are common practice of the trade, no source."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.surface.relative import MAX_FACTOR, RELATIVE, Ticks, factor

# Written by hand, byte 00 first, sixteen a row. Common practice, no source.
BY_HAND: dict[str, str] = {
    "twos": """
        0 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15
        16 17 18 19 20 21 22 23 24 25 26 27 28 29 30 31
        32 33 34 35 36 37 38 39 40 41 42 43 44 45 46 47
        48 49 50 51 52 53 54 55 56 57 58 59 60 61 62 63
        -64 -63 -62 -61 -60 -59 -58 -57 -56 -55 -54 -53 -52 -51 -50 -49
        -48 -47 -46 -45 -44 -43 -42 -41 -40 -39 -38 -37 -36 -35 -34 -33
        -32 -31 -30 -29 -28 -27 -26 -25 -24 -23 -22 -21 -20 -19 -18 -17
        -16 -15 -14 -13 -12 -11 -10 -9 -8 -7 -6 -5 -4 -3 -2 -1
    """,
    "offset": """
        -64 -63 -62 -61 -60 -59 -58 -57 -56 -55 -54 -53 -52 -51 -50 -49
        -48 -47 -46 -45 -44 -43 -42 -41 -40 -39 -38 -37 -36 -35 -34 -33
        -32 -31 -30 -29 -28 -27 -26 -25 -24 -23 -22 -21 -20 -19 -18 -17
        -16 -15 -14 -13 -12 -11 -10 -9 -8 -7 -6 -5 -4 -3 -2 -1
        0 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15
        16 17 18 19 20 21 22 23 24 25 26 27 28 29 30 31
        32 33 34 35 36 37 38 39 40 41 42 43 44 45 46 47
        48 49 50 51 52 53 54 55 56 57 58 59 60 61 62 63
    """,
    "sign-magnitude": """
        0 1 2 3 4 5 6 7 8 9 10 11 12 13 14 15
        16 17 18 19 20 21 22 23 24 25 26 27 28 29 30 31
        32 33 34 35 36 37 38 39 40 41 42 43 44 45 46 47
        48 49 50 51 52 53 54 55 56 57 58 59 60 61 62 63
        0 -1 -2 -3 -4 -5 -6 -7 -8 -9 -10 -11 -12 -13 -14 -15
        -16 -17 -18 -19 -20 -21 -22 -23 -24 -25 -26 -27 -28 -29 -30 -31
        -32 -33 -34 -35 -36 -37 -38 -39 -40 -41 -42 -43 -44 -45 -46 -47
        -48 -49 -50 -51 -52 -53 -54 -55 -56 -57 -58 -59 -60 -61 -62 -63
    """,
}


def test_every_coding_has_a_table_by_hand() -> None:
    assert BY_HAND.keys() == RELATIVE.keys()


@pytest.mark.parametrize("name", RELATIVE)
def test_each_of_the_128_bytes_has_its_steps(name: str) -> None:
    assert RELATIVE[name].steps == tuple(map(int, BY_HAND[name].split()))


@pytest.mark.parametrize("name", RELATIVE)
def test_steps_become_a_byte_that_says_them(name: str) -> None:
    row = RELATIVE[name]
    for steps in range(-63, 64):
        assert row.steps[row.to_byte(steps)] == steps
    assert row.steps[row.to_byte(1000)] == 63
    assert row.steps[row.to_byte(-1000)] == min(row.steps)


CURVE = ((10.0, 5.0), (50.0, 1.0))


@pytest.mark.parametrize(
    ("between_ms", "wanted"), [(0, 5.0), (10, 5.0), (20, 4.0), (30, 3.0), (50, 1.0), (900, 1.0)]
)
def test_acceleration_is_straight_between_its_points(between_ms: int, wanted: float) -> None:
    assert factor(CURVE, between_ms * 1_000_000) == pytest.approx(wanted)


def test_without_a_curve_every_tick_counts_once() -> None:
    assert factor((), 0) == 1.0
    ticks = Ticks()
    assert [ticks.take(1, 0), ticks.take(-3, 1)] == [1, -3]


def test_fast_ticks_count_more_and_slow_ones_once() -> None:
    ticks = Ticks(CURVE)
    assert ticks.take(1, 0) == 1  # nothing is known of the speed yet
    assert ticks.take(1, 5_000_000) == 5
    assert ticks.take(1, 35_000_000) == 3  # 30 ms
    assert ticks.take(-1, 1_000_000_000) == -1


def test_what_is_left_of_a_step_is_kept_for_the_next_tick() -> None:
    ticks = Ticks(((40.0, 1.5),))
    ticks.take(1, 0)
    taken = [ticks.take(1, 1_000_000 * n) for n in range(1, 9)]
    assert sum(taken) == 12  # eight ticks of one and a half
    assert set(taken) == {1, 2}


def test_several_ticks_in_one_message_share_its_time() -> None:
    ticks = Ticks(CURVE)
    ticks.take(1, 0)
    assert ticks.take(2, 60_000_000) == 6  # 30 ms each: three times


@given(
    st.lists(st.tuples(st.integers(-63, 63), st.integers(0, 200_000_000)), max_size=40),
    st.floats(1.0, MAX_FACTOR),
)
def test_a_tick_never_counts_for_less_than_itself_or_the_other_way(
    moves: list[tuple[int, int]], most: float
) -> None:
    ticks, at_ns = Ticks(((5.0, most), (80.0, 1.0))), 0
    for n, between_ns in moves:
        at_ns += between_ns
        steps = ticks.take(n, at_ns)
        assert abs(steps) >= abs(n)
        assert steps * n >= 0
        assert abs(steps) <= abs(n) * most + 1
