"""The raw values that a control can set, counted from its low end to its high end."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from typing import Protocol


class Raws(Protocol):
    """Raw values in an order: ``nth`` from 0 to ``n - 1``, and the number of the nearest one."""

    n: int

    def nth(self, i: int) -> int:
        """Return value number ``i``, 0 to ``n - 1``."""
        ...

    def index(self, raw: int) -> int:
        """Return the number of the value nearest to ``raw``."""
        ...


class Spanned:
    """The allowed values of some ranges from ``low`` to ``high``; holes are left out.

    Parameters
    ----------
    ranges : tuple of (int, int)
        Ascending, both ends included.
    low, high : int
        Ends, both allowed; where ``low`` is above ``high`` the values are counted downwards.
    """

    def __init__(self, ranges: tuple[tuple[int, int], ...], low: int, high: int) -> None:
        bottom, top = min(low, high), max(low, high)
        self._down = low > high
        inside = [(max(a, bottom), min(b, top)) for a, b in ranges if a <= top and b >= bottom]
        self._starts = [a for a, _ in inside]
        self._ends = [b for _, b in inside]
        self._counts = [0]
        for a, b in inside:
            self._counts.append(self._counts[-1] + b - a + 1)
        self.n = self._counts[-1]

    def nth(self, i: int) -> int:
        """Return value number ``i``."""
        i = self.n - 1 - i if self._down else i
        span = bisect_right(self._counts, i) - 1
        return self._starts[span] + i - self._counts[span]

    def index(self, raw: int) -> int:
        """Return the number of the nearest value."""
        span = bisect_left(self._ends, raw)
        if span == len(self._ends):
            i = self.n - 1
        elif raw >= self._starts[span]:
            i = self._counts[span] + raw - self._starts[span]
        else:  # in a hole, or below everything
            i = self._counts[span]
            if span and raw - self._ends[span - 1] < self._starts[span] - raw:
                i -= 1
        return self.n - 1 - i if self._down else i


class Listed:
    """Values in the order in which they are listed."""

    def __init__(self, values: tuple[int, ...]) -> None:
        self._values = values
        self.n = len(values)

    def nth(self, i: int) -> int:
        """Return value number ``i``."""
        return self._values[i]

    def index(self, raw: int) -> int:
        """Return the number of the nearest value; the first of two that are as near."""
        return min(range(self.n), key=lambda i: abs(self._values[i] - raw))
