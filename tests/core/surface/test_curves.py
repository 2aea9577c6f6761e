"""Response curves: exact ends, rising, and each with its inverse."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.surface.curves import CURVES, POINTS, bent, curve_fault, points_fault

DRAWN = ((0.25, 0.1), (0.5, 0.1), (0.75, 0.9))
AMOUNTS = [(name, amount) for name, row in CURVES.items() for amount in sorted({0.0, *row.amounts})]


def points_of(name: str) -> tuple[tuple[float, float], ...]:
    return DRAWN if name == POINTS else ()


@pytest.mark.parametrize(("name", "amount"), AMOUNTS)
def test_a_curve_meets_its_ends_exactly_and_rises(name: str, amount: float) -> None:
    curve = bent(name, amount, points_of(name))
    assert (curve.forward(0.0), curve.forward(1.0)) == (0.0, 1.0)
    assert (curve.inverse(0.0), curve.inverse(1.0)) == (0.0, 1.0)
    ys = [curve.forward(i / 16383) for i in range(16384)]
    assert all(a <= b for a, b in itertools.pairwise(ys))


@pytest.mark.parametrize(("name", "amount"), AMOUNTS)
def test_the_inverse_leads_back_to_every_value_of_fourteen_bits(name: str, amount: float) -> None:
    curve = bent(name, amount, points_of(name))
    for i in range(0, 16384, 7):
        y = i / 16383
        assert curve.forward(curve.inverse(y)) == pytest.approx(y, abs=1e-9)


# Worked by hand: (16^0.5 - 1) / 15 = 0.2; log16(1 + 15 * 0.2) = 0.5; x^2 / (x^2 + (1 - x)^2) at 1/4
# is (1/16) / (1/16 + 9/16) = 0.1.
@pytest.mark.parametrize(
    ("name", "x", "y"),
    [
        ("linear", 0.3, 0.3),
        ("exponential", 0.5, 0.2),
        ("logarithmic", 0.2, 0.5),
        ("s", 0.25, 0.1),
        ("s", 0.5, 0.5),
        (POINTS, 0.125, 0.05),
        (POINTS, 0.4, 0.1),
        (POINTS, 0.625, 0.5),
        (POINTS, 0.875, 0.95),
    ],
)
def test_a_curve_runs_through_values_worked_by_hand(name: str, x: float, y: float) -> None:
    assert bent(name, points=points_of(name)).forward(x) == pytest.approx(y)


def test_every_curve_has_a_value_by_hand() -> None:
    assert set(CURVES) == {"linear", "exponential", "logarithmic", "s", "points"}


def test_a_level_stretch_goes_back_to_its_middle() -> None:
    assert bent(POINTS, points=DRAWN).inverse(0.1) == pytest.approx(0.375)
    level_ends = bent(POINTS, points=((0.2, 0.0), (0.8, 1.0)))
    assert (level_ends.inverse(0.0), level_ends.inverse(1.0)) == (0.0, 1.0)


@given(
    st.lists(st.tuples(st.floats(0.01, 0.99), st.floats(0, 1)), min_size=1, max_size=8),
    st.floats(0, 1),
)
def test_any_drawn_curve_rises_and_has_its_inverse(
    drawn: list[tuple[float, float]], y: float
) -> None:
    xs = sorted({round(x, 3) for x, _ in drawn})
    ys = sorted(y for _, y in drawn)[: len(xs)]
    points = tuple(zip(xs, ys, strict=True))
    assert points_fault(points) == ""
    curve = bent(POINTS, points=points)
    assert curve.forward(curve.inverse(y)) == pytest.approx(y, abs=1e-9)
    ways = [curve.forward(i / 200) for i in range(201)]
    assert all(a <= b for a, b in itertools.pairwise(ways))
    assert all(0.0 <= way <= 1.0 for way in ways)


@pytest.mark.parametrize(
    ("name", "amount", "points", "words"),
    [
        ("bowl", 0.0, (), "no curve 'bowl'"),
        ("exponential", 0.5, (), "between 1.01 and 1000, not 0.5"),
        ("linear", 2.0, (), "has no amount"),
        ("s", math.nan, (), "between"),
        ("linear", 0.0, ((0.5, 0.5),), "only the curve 'points'"),
        (POINTS, 0.0, (), "at least one point"),
        (POINTS, 0.0, ((0.5, 0.6), (0.7, 0.4)), "must not fall"),
        (POINTS, 0.0, ((0.5, 0.6), (0.5, 0.7)), "must ascend"),
        (POINTS, 0.0, ((0.5, 1.5),), "between 0 and 1"),
    ],
)
def test_a_curve_that_can_not_be_is_named(
    name: str, amount: float, points: tuple[tuple[float, float], ...], words: str
) -> None:
    assert words in curve_fault(name, amount, points)
