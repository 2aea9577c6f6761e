"""Settle defaults: what is printed as default, as the number that is sent."""

from __future__ import annotations

from typing import Any

from knobwright.core.reading.built import Built
from knobwright.core.reading.context import Context
from knobwright.core.reading.found import Choice, Doubt
from knobwright.core.reading.halves import half_default
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.numbers import DEC, HEX, Span, spans
from knobwright.core.reading.ranges import swap
from knobwright.core.reading.sent_order import default_sent
from knobwright.core.reading.words import CENTER_WORDS, UNITS, fold


def settle_default(
    built: Built, context: Context, facts: Any, placed: Placed, role: str, head: str, pairs: bool
) -> None:
    """Set the raw default, or note why it can't be decided."""
    text = facts.default_text.strip()
    for raw, name in facts.choices.items():
        if fold(name) == fold(text) and not text.isdigit():
            facts.default = raw
            return
    if fold(text) in CENTER_WORDS and built.n_bits:
        facts.default = 1 << (built.n_bits - 1)
        return
    halves = half_default(text, built)
    if halves is not None:
        _take_halves(*halves, built, facts, text)
        return
    found = spans(text, pairs=pairs)
    if not found or found[0].start > 3:
        return
    span = found[0]
    num = span.nums[0]
    if num.fraction:
        return
    if role == "default" and not _is_plain(text, span.end):
        facts.doubts.append(
            Doubt("default", f"the default is printed as {text}", takes="default", only=False)
        )
        return
    base = num.base or ("" if num.is_open else DEC)
    if not base:
        own = context.base_of(placed, head, role) if role == "default" else ""
        base = (
            own or (facts.base if role != "default" else "") or context.base_of(placed, head, role)
        )
        base = base or (DEC if facts.base == DEC and not facts.chosen_base else "")
        base = base or _fitting_default(span, facts, built)
    if not base:
        as_hex, as_dec = span.values(HEX)[0], span.values(DEC)[0]
        facts.doubts.append(
            Doubt(
                "default",
                f"the default {text} may be decimal ({as_dec}) or hexadecimal ({as_hex})",
                (
                    Choice("decimal", str(as_dec), {"default": as_dec}),
                    Choice("hexadecimal", str(as_hex), {"default": as_hex}),
                ),
                only=False,
                takes="default",
            )
        )
        return
    value = num.packed() if num.is_wide and facts.packed else num.resolve(base)
    settled = default_sent(num, value, built, facts)
    if settled is not None:
        _take_default(settled, num.sign, built, facts, text)


def _take_halves(value: int, rest: str, built: Built, facts: Any, text: str) -> None:
    """Keep a default printed as its half bytes; a number in brackets behind it must agree."""
    beside = [s for s in spans(rest) if rest[: s.start].strip() == "("]
    shown = 0
    if facts.shown_range and facts.formula.startswith("v - ") and facts.formula[4:].isdigit():
        shown = int(facts.formula[4:])
    if beside and not beside[0].is_range and not beside[0].nums[0].fraction:
        number = beside[0].values(DEC)[0]
        if number not in (value, value - shown):
            understood = f"the default is printed as {text}, and the two numbers disagree"
            facts.doubts.append(Doubt("default", understood, takes="default", only=False))
            return
    _take_default(value, "", built, facts, text)


def _is_plain(text: str, end: int) -> bool:
    """Return whether nothing but a unit, a remark in brackets or a footnote mark stands behind a
    default."""
    rest = text[end:].strip(" .*†‡")
    return (
        not rest
        or rest[0] in "(["
        or fold(rest) in UNITS
        or fold(rest).split()[0] in ("each", "je", "chacun")
    )


def _fitting_default(span: Span, facts: Any, built: Built) -> str:
    """Return the only base in which the default lies in the range, or nothing."""
    low, high = facts.range or (0, (1 << built.n_bits) - 1 if built.n_bits else 127)
    allowed = facts.choices or None
    fits = [
        b
        for b in (HEX, DEC)
        if low <= (v := span.values(b)[0]) <= high and (allowed is None or v in allowed)
    ]
    return fits[0] if len(fits) == 1 else ""


def _take_default(value: int, sign: str, built: Built, facts: Any, text: str) -> None:
    """Keep a default that lies in the range, turn a shown one into raw, ask about any other."""
    low, high = facts.range or (0, (1 << built.n_bits) - 1 if built.n_bits else 127)
    offset = None
    if facts.shown_range and facts.range and facts.formula.startswith("v - "):
        offset = int(facts.formula[4:]) if facts.formula[4:].isdigit() else None
    derived = offset is not None and facts.shown_range is not None
    in_shown = (
        facts.shown_range is not None and facts.shown_range[0] <= value <= facts.shown_range[1]
    )
    if (
        derived
        and (sign or not low <= value <= high or (facts.derived and in_shown))
        and offset is not None
    ):
        value += offset
    elif derived and offset is not None and value == 0 and low == 0:
        facts.doubts.append(
            Doubt(
                "default",
                f"the default {text} may be the number sent or the number shown",
                (
                    Choice("sent", f"{value} is sent", {"default": value}),
                    Choice(
                        "shown",
                        f"{value} is shown: {value + offset} is sent",
                        {"default": value + offset},
                    ),
                ),
                only=False,
                takes="default",
            )
        )
        return
    if built.words and built.words[0][0][0] == "E" and value != 8192 and swap(value) == 8192:
        value = 8192
    if facts.coding == "twos" or low <= value <= high:
        facts.default = value
        if facts.choices and not facts.range and value not in facts.choices:
            facts.default = None
            facts.doubts.append(
                Doubt(
                    "default",
                    f"the default {text} is none of the choices",
                    takes="default",
                    only=False,
                )
            )
        return
    facts.doubts.append(
        Doubt(
            "default",
            f"the default {text} lies outside the range {low} to {high}",
            takes="default",
            only=False,
        )
    )
