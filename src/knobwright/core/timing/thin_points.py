"""Which values of one stream must stay, so that what is heard stays within a tolerance.

A receiver holds a value until the next one comes. A value may go only while the last one that stays
is within the tolerance of it: so at every moment, and at every note that begins, what is held is
within the tolerance of what the song says there. Beyond that these stay exactly as they are:

- the first and the last value of a stretch;
- the value at which the stream rests (nothing follows for a quarter of a second), and the first one
  after such a rest;
- the turning points between movements that are larger than the tolerance;
- the marks of the parameter: nothing, the centre, full.

A value that says again what is held already goes, whatever the tolerance.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

#: A stream rests where nothing follows for so long (common practice, no source).
PAUSE_NS = 250_000_000


class Point(NamedTuple):
    """One value of a stream.

    ``members`` are the numbers of the messages that carry it, ``at_ns`` when the last of them is
    due. ``raw`` is what is sent, ``shown`` the same in the unit of the tolerance (``None`` where it
    has no place there), ``is_mark`` whether it is nothing, the centre or full.
    """

    members: tuple[int, ...]
    at_ns: int
    raw: int
    shown: float | None
    is_mark: bool


def kept(points: Sequence[Point], tolerance: float) -> list[bool]:
    """Return which values of one stretch stay.

    Parameters
    ----------
    points : sequence of Point
        In order of time; nothing but these changes the parameter in between.
    tolerance : float >= 0
        In the unit of ``shown``; 0 takes out only what says the same again.
    """
    n = len(points)
    stays = [False] * n
    if not n:
        return stays
    turns = _turns(points, tolerance)
    stays[0] = True
    held = points[0]
    for i in range(1, n):
        point = points[i]
        if point.raw == held.raw:
            continue
        rests = i == n - 1 or points[i + 1].at_ns - point.at_ns >= PAUSE_NS
        begins = point.at_ns - points[i - 1].at_ns >= PAUSE_NS
        must = rests or begins or point.is_mark or i in turns
        if must or not _near(point.shown, held.shown, tolerance):
            stays[i] = True
            held = point
    return stays


def deviation(points: Sequence[Point], stays: Sequence[bool]) -> float:
    """Return how far what is held is from what the song says, at most, in the tolerance's unit."""
    worst, held = 0.0, points[0] if points else None
    for point, stay in zip(points, stays, strict=True):
        if stay or held is None:
            held = point
        elif point.shown is not None and held.shown is not None:
            worst = max(worst, abs(point.shown - held.shown))
    return worst


def _near(a: float | None, b: float | None, tolerance: float) -> bool:
    return a is not None and b is not None and abs(a - b) <= tolerance


def _turns(points: Sequence[Point], tolerance: float) -> set[int]:
    """Return where the stream turns round after, and before, a movement above the tolerance.

    Smaller movements to and fro are none: a turning point is known once the stream has come back
    from it by more than the tolerance.
    """
    found: set[int] = set()
    low = high = 0  # numbers of the lowest and highest value since the last turn
    way = 0
    for i, point in enumerate(points):
        here, bottom, top = point.shown, points[low].shown, points[high].shown
        if here is None or bottom is None or top is None:
            low = high = i
            way = 0
            continue
        if here > top:
            high = i
        if here < bottom:
            low = i
        if way >= 0 and top - here > tolerance:
            found.add(high)
            way, low, high = -1, i, i
        elif way <= 0 and here - bottom > tolerance:
            found.add(low)
            way, low, high = 1, i, i
    return found
