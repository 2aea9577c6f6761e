"""Shown values: what a person reads for a raw value, and the way back.

The inverse is the nearest allowed raw value; a tie is refused and names both.
"""

from __future__ import annotations

import math
import re
from bisect import bisect_left
from collections.abc import Iterable, Iterator
from itertools import pairwise

from knobwright.core.errors import EncodeError, printable
from knobwright.core.sheet.formula import compile_formula
from knobwright.core.sheet.records import Parameter

#: Up to so many raw values a whole table is made; above it the formula must be monotonic.
MAX_TABLE = 65_536

#: Units that can stand for each other: (unit typed, unit of the sheet) to the factor.
FACTORS = {
    ("ms", "s"): 1e-3,
    ("s", "ms"): 1e3,
    ("us", "ms"): 1e-3,
    ("kHz", "Hz"): 1e3,
    ("Hz", "kHz"): 1e-3,
}

_NUMBER = re.compile(
    r"\s*([+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]{1,3})?)\s*(.*)\Z"
)


class Scale:
    """The shown values of one parameter: ``raw_to_value``, ``value_to_raw`` and ``text``."""

    def __init__(self, parameter: Parameter) -> None:
        shown = parameter.shown
        self._parameter = parameter
        self._formula = compile_formula(shown.formula) if shown else float
        self.unit = (shown.unit if shown else "") or parameter.unit
        self.is_plain = shown is None or shown.formula.strip() == "v"
        self._digits = shown.digits if shown else None
        self._table: list[tuple[float, int]] | None = None
        self._n = sum(high - low + 1 for low, high in parameter.ranges)

    def raw_to_value(self, raw: int) -> float | None:
        """Return the shown value of a raw one, or ``None`` where the formula has none there."""
        if self.is_plain:
            return raw
        try:
            value = self._formula(float(raw))
        except (ArithmeticError, ValueError):
            return None
        return value if abs(value) < 1e300 else None

    def text(self, raw: int, *, unit: bool = True) -> str:
        """Return the shown value as a text, with its unit unless told otherwise."""
        value = self.raw_to_value(raw)
        if value is None:
            return "-"
        text = str(raw) if self.is_plain and self._digits is None else self._spell(value)
        return f"{text} {self.unit}" if unit and self.unit else text

    def _spell(self, value: float) -> str:
        if self._digits is not None:
            text = f"{value:.{self._digits}f}"
        elif value == int(value) and abs(value) < 1e15:
            text = str(int(value))
        else:
            text = f"{value:.4g}" if abs(value) < 1000 else f"{value:.1f}"
        low = self.raw_to_value(self._parameter.ranges[0][0])
        signed = low is not None and low < 0 < value and not self.is_plain
        return f"+{text}" if signed else text

    def value_to_raw(self, value: float) -> int:
        """Return the allowed raw value whose shown value is nearest to ``value``.

        Raises
        ------
        EncodeError
            The value lies outside the shown range, or exactly between two raw values.
        """
        table = self._values() if self._n <= MAX_TABLE else self._window(value)
        if not table:
            raise EncodeError("the formula has no value anywhere in the range")
        at = bisect_left(table, (value, -(2**62)))
        near = table[max(0, at - 1) : at + 1]
        best = min(abs(v - value) for v, _ in near)
        lowest, highest = table[0][0], table[-1][0]
        slack = 0.5 * self._step(table, at)
        if value < lowest - slack or value > highest + slack:
            raise EncodeError(self._outside(value))
        tolerance = 1e-9 * max(1.0, abs(value))
        tied = self._tied(table, at, value, best + tolerance)
        if len(tied) > 1:
            names = " and ".join(f"raw {raw} ({self.text(raw)})" for raw in sorted(tied)[:4])
            raise EncodeError(
                f"{value:g}{self._unit_text()} lies as near to {names}",
                hint="give one of them, or the raw number",
            )
        return tied[0]

    def _tied(
        self, table: list[tuple[float, int]], at: int, value: float, within: float
    ) -> list[int]:
        first = bisect_left(table, (value - within, -(2**62)))
        last = bisect_left(table, (value + within, 2**62))
        return [raw for _, raw in table[first:last]]

    @staticmethod
    def _step(table: list[tuple[float, int]], at: int) -> float:
        if len(table) < 2:
            return 0.0
        i = 1 if at <= 0 else len(table) - 1
        return abs(table[i][0] - table[i - 1][0])

    def _outside(self, value: float) -> str:
        return f"{value:g}{self._unit_text()} is outside the range {self.spell_range()}"

    def _unit_text(self) -> str:
        return f" {self.unit}" if self.unit else ""

    def spell_range(self) -> str:
        """Return the range in raw and, where it differs, in shown form."""
        ranges = self._parameter.ranges
        raw = " and ".join(f"{a} to {b}" if a != b else str(a) for a, b in ranges)
        if self.is_plain and not self.unit:
            return raw
        low, high = ranges[0][0], ranges[-1][1]
        return f"{raw} (shown {self.text(low)} to {self.text(high)})"

    def _values(self) -> list[tuple[float, int]]:
        if self._table is None:
            self._table = self._pairs(self._raws())
        return self._table

    def _pairs(self, raws: Iterable[int]) -> list[tuple[float, int]]:
        pairs = ((self.raw_to_value(raw), raw) for raw in raws)
        return sorted((value, raw) for value, raw in pairs if value is not None)

    def _window(self, value: float) -> list[tuple[float, int]]:
        """Return the pairs about a value and at both ends: enough where a table is too large."""
        ranges = self._parameter.ranges
        low, high = ranges[0][0], ranges[-1][1]
        if len(ranges) > 1 or not self.is_monotonic() or self.has_gaps():
            raise EncodeError(
                "the range is too wide to look a shown value up", hint="give the raw number"
            )
        rising = (self.raw_to_value(high) or 0) > (self.raw_to_value(low) or 0)
        first, last = low, high
        while first < last:
            middle = (first + last) // 2
            here = self.raw_to_value(middle)
            if here is not None and (here < value) == rising:
                first = middle + 1
            else:
                last = middle
        raws = {low, low + 1, high - 1, high, *range(first - 3, first + 4)}
        return self._pairs(raw for raw in raws if low <= raw <= high)

    def _raws(self) -> Iterator[int]:
        for low, high in self._parameter.ranges:
            yield from range(low, high + 1)

    def is_monotonic(self) -> bool:
        """Return whether the shown value rises or falls all along the range (sampled if wide)."""
        low, high = self._parameter.ranges[0][0], self._parameter.ranges[-1][1]
        step = max(1, (high - low) // 1024)
        values = [self.raw_to_value(raw) for raw in range(low, high + 1, step)]
        known = [value for value in values if value is not None]
        return all(a < b for a, b in pairwise(known)) or all(a > b for a, b in pairwise(known))

    def has_gaps(self) -> bool:
        """Return whether the formula has no value somewhere in the range (ends and samples)."""
        low, high = self._parameter.ranges[0][0], self._parameter.ranges[-1][1]
        step = max(1, (high - low) // 256)
        return any(self.raw_to_value(raw) is None for raw in (*range(low, high + 1, step), high))

    def read(self, text: str) -> float | None:
        """Return the shown value that a text with this scale's unit stands for, else ``None``."""
        match = _NUMBER.match(text)
        if match is None:
            return None
        number = to_number(match[1])
        unit = match[2].strip()
        if unit == self.unit:
            return number
        factor = FACTORS.get((unit, self.unit))
        if factor is not None:
            return float(f"{number * factor:.12g}")  # 1.001 s is 1001 ms, not 1000.99...
        if unit and unit.casefold() == self.unit.casefold():
            return number
        return None


def number_and_unit(text: str) -> tuple[float, str] | None:
    """Split ``-12.5 dB`` into its number and unit; ``None`` where it is no number."""
    match = _NUMBER.match(text)
    if match is None:
        return None
    return to_number(match[1]), printable(match[2].strip())


def to_number(text: str) -> float:
    """Return a typed decimal number, with a point or a comma.

    Raises
    ------
    EncodeError
        A comma with three digits behind it (1,000 could be one or a thousand), or a number too
        large for anything.
    """
    if re.search(r",[0-9]{3}\Z", text):
        raise EncodeError(
            f"{text!r} can be read in two ways", hint="write it without a comma, or with a point"
        )
    number = float(text.replace(",", "."))
    if number in (math.inf, -math.inf):
        raise EncodeError(f"{text!r} is too large a number")
    return number
