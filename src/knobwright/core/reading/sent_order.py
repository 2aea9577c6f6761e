"""Numbers printed as two bytes where the line sends the low byte first: ``00 00 - 68 07``.

Such a print may be in the order of sending, or the number as it is written elsewhere, high part
first. A plain range beside it, or the only order that makes sense, decides; else it is asked about.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from knobwright.core.reading.built import Built
from knobwright.core.reading.found import Choice, Doubt
from knobwright.core.reading.numbers import DEC, Num, Span


def is_low_first(built: Built) -> bool:
    """Return whether an exclusive line sends the low seven bits of its value before the high."""
    words = [built.words[item][cell] for item, cell, *_ in built.parts]
    return built.is_exclusive and words == ["vl", "vh"]


def swapped(num: Num) -> int:
    """Return a number of two printed bytes with the first one as the low part."""
    return (int(num.parts[1], 16) << 7) | int(num.parts[0], 16)


def settle_sent(
    span: Span, values: tuple[int, ...], built: Built, facts: Any, others: Sequence[Span]
) -> tuple[int, ...]:
    """Return a range's values in the order that the print means; a doubt where nothing says which.

    Parameters
    ----------
    span, values : Span, tuple of int
        The printed range, and its numbers read with the high part first.
    others : sequence of Span
        The row's other ranges, one of which may print the plain numbers.
    """
    if not is_low_first(built) or not all(len(n.parts) == 2 for n in span.nums):
        return values
    sent = tuple(swapped(n) for n in span.nums)
    if sent == values:
        return values
    plain = [
        (s.values(DEC)[0], s.values(DEC)[-1])
        for s in others
        if s is not span and all(len(n.parts) == 1 and not n.fraction for n in s.nums)
    ]
    ends = {(values[0], values[-1]): values, (sent[0], sent[-1]): sent}
    fits = [v for e, v in ends.items() if e in plain] or [v for v in ends.values() if v[0] < v[-1]]
    facts.as_sent = len(fits) == 1 and fits[0] == sent
    if len(fits) == 1:
        return fits[0]
    choices = tuple(
        Choice(name, f"{v[0]} to {v[-1]}", {"range": [v[0], v[-1]]})
        for name, v in (("as-sent", sent), ("high-first", values))
    )
    facts.doubts.append(
        Doubt(
            "range",
            "the low byte is sent first, and nothing says whether the range is printed so as "
            f"well: {sent[0]} to {sent[-1]}, or {values[0]} to {values[-1]}",
            choices,
            only=False,
            takes="range",
        )
    )
    return values


def default_sent(num: Num, value: int, built: Built, facts: Any) -> int | None:
    """Return a default printed as two bytes, None (with a doubt) where its order is open."""
    if not is_low_first(built) or len(num.parts) != 2 or (other := swapped(num)) == value:
        return value
    if facts.as_sent is not None:
        return other if facts.as_sent else value
    low, high = facts.range or (0, 16383)
    fits = [v for v in (value, other) if low <= v <= high]
    middle = [v for v in fits if v == (low + high + 1) // 2]
    if len(fits) == 1 or len(middle) == 1:
        return (middle or fits)[0]
    facts.doubts.append(
        Doubt(
            "default",
            f"the low byte is sent first, and the default may be printed so as well: {other}, "
            f"or {value}",
            tuple(Choice(n, str(v), {"default": v}) for n, v in (("sent", other), ("high", value))),
            only=False,
            takes="default",
        )
    )
    return None
