"""Settle ranges and defaults: what is sent and what is shown, hex or decimal, one byte or two."""

from __future__ import annotations

from fractions import Fraction
from typing import Any, NamedTuple

from knobwright.core.reading.built import Built
from knobwright.core.reading.context import Context
from knobwright.core.reading.found import Choice, Doubt, Found
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.numbers import DEC, HEX, Span
from knobwright.core.reading.offsets import added, sent_for_zero, zero_point
from knobwright.core.reading.sent_order import settle_sent


class _Range(NamedTuple):
    """A range with its base settled; ``middle`` is the number in between, where three are
    printed.
    """

    low: int
    high: int
    middle: int | None
    role: str


def settle_range(
    found: Found,
    built: Built,
    context: Context,
    facts: Any,
    ranges: list[tuple[Span, Any, bool]],
    placed: Placed,
    whole: str,
) -> None:
    """Set the raw and the shown range of ``facts``, or note why they can't be decided."""
    raw: list[_Range] = []
    signed: list[tuple[float, float, str]] = []
    for span, piece, _ in ranges:
        if span.is_signed:
            signed.append((_shown(span, 0), _shown(span, -1), piece.role))
            continue
        base = span.base
        if span.is_open or base == "mixed":
            base = context.base_of(placed, piece.head, piece.role)
            if (
                not base
                and _is_unpadded(span)
                and any(t.sure and len(t.text) > 2 for t in found.toks)
            ):
                base = DEC
            if not base:
                base = _agreeing(span, ranges)
            if not base and raw and piece.role not in ("range", "dec", "hex"):
                base = DEC
            if not base:
                base = _only_fitting(span, built)
            if not base and found.dialect in _BY_NUMBER:
                base = _like_number(span, context, found.section)
            if not base:
                _doubt_base(span, facts)
                facts.chosen_base = True
                base = DEC
        elif not base:
            base = context.base_of(placed, piece.head, piece.role) or DEC
        values = span.values(base)
        if any(n.is_wide for n in span.nums):
            values = _wide_values(span, built, facts)
        values = settle_sent(span, values, built, facts, [s for s, *_ in ranges])
        facts.base = facts.base or base
        middle = values[1] if len(values) == 3 else None
        raw.append(_Range(values[0], values[-1], middle, piece.role))
    _choose(found, built, context, facts, raw, signed, whole, [span for span, *_ in ranges])


def _check_triple(ranges: list[Span], facts: Any) -> None:
    """Ask where low, middle and high are printed twice and one step sent would be several steps
    shown."""
    raw = next((s for s in ranges if len(s.nums) == 3 and not s.is_signed), None)
    shown = next((s for s in ranges if len(s.nums) == 3 and s.is_signed), None)
    if raw is None or shown is None or facts.range is None:
        return
    low, middle, high = raw.values(HEX if raw.base == HEX else facts.base or DEC)
    first, zero, last = (_shown(shown, k) for k in range(3))
    up, down = (last - zero), (zero - first)
    if (
        high == middle
        or middle == low
        or (high - middle == up and middle - low in (down, down - 1, down + 1))
    ):
        return
    if up % (high - middle) == 0 and up / (high - middle) >= 2 and high - low < 100:
        facts.doubts.append(
            Doubt(
                "range",
                f"{low} to {high} is printed for {first:g} to {last:g}: {high - middle} "
                f"steps above the middle for {up:g}",
                (
                    Choice("as-sent", f"{low} to {high}", {"range": [low, high]}),
                    Choice(
                        "as-shown",
                        f"{middle - int(down)} to {middle + int(up)}",
                        {"range": [middle - int(down), middle + int(up)]},
                    ),
                ),
                only=False,
                takes="range",
            )
        )


def _wide_values(span: Span, built: Built, facts: Any) -> tuple[int, ...]:
    """Return the numbers of a range printed with four hex digits each: plain numbers, or two data
    bytes."""
    plain = span.values(HEX)
    packed = tuple(n.packed() if n.is_wide else n.resolve(HEX) for n in span.nums)
    capacity = (1 << built.n_bits) - 1 if built.n_bits else 16383
    no_bytes = any(
        int(n.parts[0][k : k + 2], 16) > 0x7F for n in span.nums if n.is_wide for k in (0, 2)
    )
    if no_bytes or plain == packed:
        return plain
    if max(plain) > capacity:
        facts.packed = True
        return packed
    facts.doubts.append(
        Doubt(
            "range",
            f"the range may be plain hexadecimal ({plain[0]} to {plain[-1]}) or the "
            "value's two bytes "
            f"({packed[0]} to {packed[-1]})",
            (
                Choice("plain", f"{plain[0]} to {plain[-1]}", {"range": [plain[0], plain[-1]]}),
                Choice(
                    "two-bytes", f"{packed[0]} to {packed[-1]}", {"range": [packed[0], packed[-1]]}
                ),
            ),
            only=False,
        )
    )
    return plain


def swap(value: int) -> int:
    """Return a number of two seven-bit bytes with the bytes exchanged."""
    return ((value & 0x7F) << 7) | (value >> 7)


def _shown(span: Span, which: int) -> float:
    """Return one end of a range as it is shown, fractions kept."""
    num = span.nums[which]
    value = float(num.fraction) if num.fraction else float(num.resolve(DEC))
    if num.fraction and num.sign == "-":
        value = -value
    return value


def _is_unpadded(span: Span) -> bool:
    """Return whether a range begins with a bare digit: not the way of hexadecimal columns."""
    first = span.nums[0]
    return len(first.parts) == 1 and len(first.parts[0]) == 1 and not first.marked


_BY_NUMBER = ("controller", "number", "columns", "pairs")


def _like_number(span: Span, context: Context, section: str) -> str:
    """Return decimal for a bare range beside a controller's number that is decimal: one row, one
    base."""
    if any(n.marked or n.is_padded for n in span.nums):
        return ""
    return DEC if context.controller_base(section) == DEC else ""


def _agreeing(span: Span, ranges: list[tuple[Span, Any, bool]]) -> str:
    """Return the base in which an open range is as wide as the signed range printed beside it, or
    nothing."""
    shown = next((s for s, *_ in ranges if s.is_signed and len(s.nums) >= 2), None)
    if shown is None:
        return ""
    width = _shown(shown, -1) - _shown(shown, 0)
    fits = [b for b in (HEX, DEC) if (v := span.values(b))[-1] - v[0] == width]
    return fits[0] if len(fits) == 1 else ""


def _only_fitting(span: Span, built: Built) -> str:
    """Return the only base in which an open range fits the value's bytes, or nothing."""
    capacity = (1 << built.n_bits) - 1 if built.n_bits else 127
    fits = [b for b in (HEX, DEC) if (v := span.values(b))[0] < v[-1] <= capacity]
    return fits[0] if len(fits) == 1 else ""


def _doubt_base(span: Span, facts: Any) -> None:
    """Note that a range may be hexadecimal or decimal."""
    as_hex, as_dec = span.values(HEX), span.values(DEC)
    facts.doubts.append(
        Doubt(
            "range",
            f"the range may be decimal ({as_dec[0]} to {as_dec[-1]}) or hexadecimal "
            f"({as_hex[0]} to {as_hex[-1]})",
            (
                Choice(
                    "decimal", f"{as_dec[0]} to {as_dec[-1]}", {"range": [as_dec[0], as_dec[-1]]}
                ),
                Choice(
                    "hexadecimal",
                    f"{as_hex[0]} to {as_hex[-1]}",
                    {"range": [as_hex[0], as_hex[-1]]},
                ),
            ),
            only=False,
        )
    )


def _choose(
    found: Found,
    built: Built,
    context: Context,
    facts: Any,
    raw: list[_Range],
    signed: list[tuple[float, float, str]],
    whole: str,
    ranges: list[Span],
) -> None:
    """Pick the raw range, compare the others with it, derive it from a signed one where none is
    printed."""
    if raw:
        first = raw[0]
        if not first.low < first.high and not (first.low == first.high == 0):
            facts.doubts.append(
                Doubt(
                    "range", f"the range {first.low} to {first.high} runs backwards", takes="range"
                )
            )
            return
        for other in raw[1:]:
            _compare(first, other, facts)
        facts.range = (first.low, first.high)
        if signed:
            facts.shown_range = signed[0][:2]
        elif (
            len(raw) > 1
            and facts.shown_range is None
            and (raw[1].low, raw[1].high) != (first.low, first.high)
        ):
            facts.shown_range = (float(raw[1].low), float(raw[1].high))
        _check_capacity(built, facts, found.shape == "always wide")
        _check_triple(ranges, facts)
    elif signed:
        _from_signed(found, built, context, facts, signed[0], whole)
    _formula(facts)


def _compare(first: _Range, other: _Range, facts: Any) -> None:
    """Ask where the same range is printed twice and the two disagree."""
    same = (first.low, first.high) == (other.low, other.high)
    if (
        not same
        and other.low == first.low
        and other.role not in ("dec", "hex")
        and other.high <= 127
        and _suspect(first, other, facts)
    ):
        return
    if same or {first.role, other.role} not in ({"range", "dec"}, {"range", "hex"}, {"hex", "dec"}):
        return
    facts.doubts.append(
        Doubt(
            "range",
            f"one column says {first.low} to {first.high}, another {other.low} to {other.high}",
            (
                Choice("first", f"{first.low} to {first.high}", {"range": [first.low, first.high]}),
                Choice(
                    "second", f"{other.low} to {other.high}", {"range": [other.low, other.high]}
                ),
            ),
            only=False,
            takes="range",
        )
    )


def _suspect(first: _Range, other: _Range, facts: Any) -> bool:
    """Ask about a second range that looks like the first one in the other base, but is not."""
    digits = f"{first.high:02X}"
    if (
        facts.unit
        or facts.shown_unit
        or not (other.high == 127 or (digits.isdigit() and int(digits) == other.high))
    ):
        return False
    facts.doubts.append(
        Doubt(
            "range",
            f"the range is printed as {first.low} to {first.high} and as {other.low} to "
            f"{other.high}",
            (
                Choice("first", f"{first.low} to {first.high}", {"range": [first.low, first.high]}),
                Choice(
                    "second", f"{other.low} to {other.high}", {"range": [other.low, other.high]}
                ),
            ),
            only=False,
            takes="range",
        )
    )
    return True


def _check_capacity(built: Built, facts: Any, wide: bool = False) -> None:
    """Ask where the range does not fit the value's bytes."""
    capacity = (1 << built.n_bits) - 1 if built.n_bits else 127
    low, high = facts.range
    if high > capacity:
        what = "one data byte holds" if built.n_bits == 7 else f"{built.n_bits} bits hold"
        facts.doubts.append(
            Doubt(
                "",
                f"the range {low} to {high} does not fit: {what} at most {capacity}",
                takes="range",
            )
        )
        facts.range = None
    elif built.n_bits == 14 and high < 128 and not wide and found_full(built):
        facts.doubts.append(
            Doubt(
                "range",
                f"the value takes two bytes, but the range is only {low} to {high}",
                takes="range",
                only=False,
                choices=(
                    Choice("as-printed", f"{low} to {high}", {"range": [low, high]}),
                    Choice("each-byte", "each byte runs so: 0 to 16383", {"range": [0, 16383]}),
                ),
            )
        )


def found_full(built: Built) -> bool:
    """Return whether both bytes of the value stand in one message, where a small range is odd."""
    return len({p[0] for p in built.parts}) == 1 or len(built.parts) == 2


def _from_signed(
    found: Found,
    built: Built,
    context: Context,
    facts: Any,
    signed: tuple[float, float, str],
    whole: str,
) -> None:
    """Derive the raw range from a signed one: by two's complement, a printed offset or the usual
    64."""
    low, high = signed[0], signed[1]
    if low != int(low) or high != int(high):
        return
    low_i, high_i = int(low), int(high)
    if low_i >= 0:
        facts.range = (low_i, high_i)
        _check_capacity(built, facts)
        return
    if facts.coding == "twos":
        _twos(low_i, high_i, built, facts)
        return
    half = 1 << (built.n_bits - 1) if built.n_bits else 64
    offset = added(whole)
    if offset is None:
        offset = zero_point(whole)
    if offset is None:
        offset = sent_for_zero(whole)
    if offset is None:
        offset = context.offset(found.section)
    if offset is None and (low_i, high_i) in ((-half, half - 1), (-half + 1, half - 1)):
        offset = half
    if offset is None:
        facts.doubts.append(_doubt_offset(low_i, high_i, half))
        return
    facts.range = (low_i + offset, high_i + offset)
    facts.derived = True
    facts.shown_range = (low, high)
    if facts.range[0] < 0:
        facts.doubts.append(
            Doubt("range", f"{low_i} with {offset} added is below 0", takes="range")
        )
        facts.range = None
        return
    facts.unit, facts.shown_unit = ("", facts.shown_unit or facts.unit)
    _check_capacity(built, facts, found.shape == "always wide")


def _twos(low: int, high: int, built: Built, facts: Any) -> None:
    """Take a signed range that is sent in two's complement, if the value's bits can hold it."""
    bits = (built.n_bits or 7) - 1
    if -(1 << bits) <= low and high < 1 << bits:
        facts.range = (low, high)
        return
    facts.doubts.append(Doubt("", f"the range {low} to {high} does not fit", takes="range"))


def _doubt_offset(low: int, high: int, half: int) -> Doubt:
    """Return the question which number is sent for the 0 of a signed range; only readings that the
    value's bits can carry are offered."""
    readings = (
        ("offset", f"0 is sent as {half}", half),
        ("from-zero", f"{low} is sent as 0", -low),
    )
    choices = tuple(
        Choice(name, words, {"range": [low + at, high + at], "shown": {"formula": f"v - {at}"}})
        for name, words, at in readings
        if low + at >= 0 and high + at < 2 * half
    )
    return Doubt(
        "range",
        f"the range {low} to {high} is printed, but not which number is sent for 0",
        choices,
        takes="range",
        only=False,
    )


def settle_shown(facts: Any, span: Span) -> None:
    """Take the signed range of a note as what is shown, where the raw range is printed too."""
    if facts.range is not None and facts.shown_range is None:
        facts.shown_range = (_shown(span, 0), _shown(span, -1))
        _formula(facts)


def _formula(facts: Any) -> None:
    """Work out how raw values are shown, where the two ranges lie on a plain straight line."""
    if facts.range is None or facts.shown_range is None or facts.coding:
        return
    low, high = facts.range
    first, last = (Fraction(str(x)) for x in facts.shown_range)
    if high == low or (first, last) == (low, high):
        return
    slope = (last - first) / (high - low)
    if slope <= 0 or slope.denominator > 1000:
        return
    base = first - slope * low
    if slope.denominator not in (1, 2, 4, 5, 10, 20, 25, 50, 100, 1000) or base.denominator > 1000:
        return
    facts.formula = _write_line(slope, base)


def _write_line(slope: Fraction, base: Fraction) -> str:
    """Return ``v * slope + base`` in its shortest form."""
    text = "v" if slope == 1 else f"v * {_number(slope)}"
    if base:
        text += f" {'+' if base > 0 else '-'} {_number(abs(base))}"
    return text


def _number(value: Fraction) -> str:
    return str(value.numerator) if value.denominator == 1 else f"{float(value):g}"
