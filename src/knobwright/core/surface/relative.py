"""Encoders without an end: the codings of their steps, and acceleration.

To add a coding, add a row to :data:`RELATIVE` and to ``docs/reference/surface.md``. The three that
are here are common practice of the trade; no standard defines them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

#: Most that one tick may count for.
MAX_FACTOR = 64.0
_NS_PER_MS = 1_000_000


class Relative(NamedTuple):
    """A coding: the steps of each of the 128 bytes, the byte of a number of steps, and in words."""

    name: str
    steps: tuple[int, ...]
    words: str

    def to_byte(self, steps: int) -> int:
        """Return the byte that says ``steps``; limited to what the coding can say."""
        nearest = min(max(steps, min(self.steps)), max(self.steps))
        return self.steps.index(nearest)


def _twos(byte: int) -> int:
    return byte - 128 if byte >= 64 else byte


def _offset(byte: int) -> int:
    return byte - 64


def _sign_magnitude(byte: int) -> int:
    return 64 - byte if byte >= 64 else byte


def _row(name: str, rule: Callable[[int], int], words: str) -> Relative:
    return Relative(name, tuple(map(rule, range(128))), words)


RELATIVE: dict[str, Relative] = {
    row.name: row
    for row in (
        _row("twos", _twos, "two's complement: 01 is one step up, 7F one step down"),
        _row("offset", _offset, "binary offset: 41 is one step up, 3F one step down, 40 is none"),
        _row("sign-magnitude", _sign_magnitude, "sign and size: 01 is a step up, 41 a step down"),
    )
}


def factor(curve: Sequence[tuple[float, float]], between_ns: int) -> float:
    """Return how many times a tick counts that comes ``between_ns`` after the one before it.

    Parameters
    ----------
    curve : sequence of (milliseconds, factor)
        Ascending times; straight between its points, level outside them. Empty: always 1.
    between_ns : int >= 0, nanoseconds
        Time since the tick before.

    Examples
    --------
    >>> factor([(10, 5.0), (50, 1.0)], 30_000_000)
    3.0
    """
    if not curve:
        return 1.0
    between_ms = between_ns / _NS_PER_MS
    before_ms, before = curve[0]
    if between_ms <= before_ms:
        return before
    for at_ms, value in curve[1:]:
        if between_ms <= at_ms:
            return before + (value - before) * (between_ms - before_ms) / (at_ms - before_ms)
        before_ms, before = at_ms, value
    return before


class Ticks:
    """The steps of one encoder on one channel, with its acceleration.

    What is left of a step is kept for the next tick in the same direction. A tick always counts
    for at least one step.
    """

    __slots__ = ("_at_ns", "_curve", "_rest")

    def __init__(self, curve: Sequence[tuple[float, float]] = ()) -> None:
        self._curve = curve
        self._at_ns: int | None = None
        self._rest = 0.0

    def take(self, ticks: int, at_ns: int) -> int:
        """Return the steps for ``ticks`` (signed) that came at ``at_ns``."""
        if not self._curve or not ticks:
            return ticks
        before_ns, self._at_ns = self._at_ns, at_ns
        if before_ns is None:
            return ticks
        # Several ticks in one message shared the time since the message before.
        between_ns = max(at_ns - before_ns, 0) // abs(ticks)
        exact = ticks * factor(self._curve, between_ns)
        if exact * self._rest > 0:
            exact += self._rest
        steps = int(exact)
        self._rest = exact - steps
        if abs(steps) < abs(ticks):
            self._rest = 0.0
            return ticks
        return steps
