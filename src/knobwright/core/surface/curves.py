"""Response curves: from the way of a control to the way of a value, and back.

Both ways run from 0 to 1. Every curve rises, meets its ends exactly, and has an inverse (needed to
show a value on the control, and to meet a stored value).

To add a curve, add a row to :data:`CURVES` and to ``docs/reference/surface.md``.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import NamedTuple

#: Takes 0 to 1 and gives 0 to 1.
Way = Callable[[float], float]
#: Points of a drawn curve: (way of the control, way of the value).
Points = Sequence[tuple[float, float]]


class Curve(NamedTuple):
    """A curve: ``shape(amount)`` gives its two directions; amounts allowed; the usual one."""

    name: str
    shape: Callable[[float], tuple[Way, Way]]
    amounts: tuple[float, float]
    usual: float
    words: str


class Bent(NamedTuple):
    """A curve ready for use: ``forward`` from control to value, ``inverse`` back."""

    forward: Way
    inverse: Way


POINTS = "points"


def _linear(_amount: float) -> tuple[Way, Way]:
    return (lambda x: x), (lambda y: y)


def _exponential(amount: float) -> tuple[Way, Way]:
    size, scale = math.log(amount), 1.0 / (amount - 1.0)

    def forward(x: float) -> float:
        return math.expm1(x * size) * scale

    def inverse(y: float) -> float:
        return math.log1p(y / scale) / size

    return forward, inverse


def _logarithmic(amount: float) -> tuple[Way, Way]:
    forward, inverse = _exponential(amount)
    return inverse, forward


def _s(amount: float) -> tuple[Way, Way]:
    def ways(power: float) -> Way:
        def way(x: float) -> float:
            up, down = math.pow(x, power), math.pow(1.0 - x, power)
            return up / (up + down)

        return way

    return ways(amount), ways(1.0 / amount)


CURVES: dict[str, Curve] = {
    row.name: row
    for row in (
        Curve("linear", _linear, (0.0, 0.0), 0.0, "even all along"),
        Curve("exponential", _exponential, (1.01, 1000.0), 16.0, "slow first, then fast"),
        Curve("logarithmic", _logarithmic, (1.01, 1000.0), 16.0, "fast first, then slow"),
        Curve("s", _s, (1.01, 8.0), 2.0, "slow at both ends, fast in the middle"),
        Curve(POINTS, _linear, (0.0, 0.0), 0.0, "straight between points that you give"),
    )
}


def bent(name: str, amount: float = 0.0, points: Points = ()) -> Bent:
    """Return a curve ready for use.

    Parameters
    ----------
    name : str
        A row of :data:`CURVES`.
    amount : float
        How bent it is; 0 for the usual amount of the curve.
    points : sequence of (float, float)
        Only for ``points``: see :func:`points_fault`.
    """
    if name == POINTS:
        return Bent(*_drawn(points))
    row = CURVES[name]
    forward, inverse = row.shape(amount or row.usual)
    if name == "linear":
        return Bent(forward, inverse)
    return Bent(_with_ends(forward), _with_ends(inverse))


def _with_ends(way: Way) -> Way:
    """Return the way with exact ends, and 0 to 1 whatever rounding does."""

    def ended(x: float) -> float:
        if x <= 0.0:
            return 0.0
        if x >= 1.0:
            return 1.0
        return min(max(way(x), 0.0), 1.0)

    return ended


def curve_fault(name: str, amount: float, points: Points) -> str:
    """Say what is wrong with a curve's name, amount or points; empty where nothing is."""
    row = CURVES.get(name)
    if row is None:
        return f"there is no curve {name!r}"
    low, high = row.amounts
    if amount and not low <= amount <= high:
        if low == high:
            return f"the curve {name} has no amount"
        return f"the amount of {name} lies between {low:g} and {high:g}, not {amount:g}"
    if name == POINTS:
        return points_fault(points)
    return f"only the curve {POINTS!r} has points" if points else ""


def points_fault(points: Points) -> str:
    """Say what is wrong with the points of a drawn curve; empty where nothing is.

    Each is (way of the control, way of the value), 0 to 1; the first are strictly ascending, the
    second never fall. The ends (0, 0) and (1, 1) are always there and need not be given.
    """
    if not points:
        return "a drawn curve needs at least one point, such as [0.5, 0.2]"
    if not all(0.0 <= x <= 1.0 and 0.0 <= y <= 1.0 for x, y in points):
        return "both numbers of a point lie between 0 and 1"
    whole = _with_corners(points)
    if any(a[0] >= b[0] for a, b in pairwise(whole)):
        return "the first numbers of the points must ascend, from (0, 0) to (1, 1)"
    if any(a[1] > b[1] for a, b in pairwise(whole)):
        return "a curve must not fall; to turn it round, invert the assignment"
    return ""


def _with_corners(points: Points) -> list[tuple[float, float]]:
    whole = [(float(x), float(y)) for x, y in points]
    if whole[0] != (0.0, 0.0):
        whole.insert(0, (0.0, 0.0))
    if whole[-1] != (1.0, 1.0):
        whole.append((1.0, 1.0))
    return whole


def _drawn(points: Points) -> tuple[Way, Way]:
    whole = _with_corners(points)
    xs, ys = [x for x, _ in whole], [y for _, y in whole]

    def forward(x: float) -> float:
        if x >= 1.0:
            return 1.0
        return _between(xs, ys, max(bisect_right(xs, x) - 1, 0), x)

    def inverse(y: float) -> float:
        first, last = bisect_left(ys, y), bisect_right(ys, y)
        if last - first > 1:  # a level stretch: its middle, but the ends stay the ends
            if y <= 0.0:
                return 0.0
            return 1.0 if y >= 1.0 else (xs[first] + xs[last - 1]) / 2
        if y >= 1.0:
            return 1.0
        return _between(ys, xs, max(last - 1, 0), y)

    return forward, inverse


def _between(froms: list[float], tos: list[float], i: int, at: float) -> float:
    low, high = froms[i], froms[i + 1]
    return min(tos[i] + (tos[i + 1] - tos[i]) * (at - low) / (high - low), tos[i + 1])
