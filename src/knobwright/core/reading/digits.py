"""Single printed numbers of 0 to 127: controller and parameter numbers, in either base."""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.reading.found import field, fixed, slip
from knobwright.core.reading.numbers import DEC, HEX
from knobwright.core.reading.tokens import Tok
from knobwright.core.reading.words import fold

_N = r"(?:\$|0x|#)?[0-9A-Za-z]{1,4}"
NUMBERS = re.compile(
    r"\b(?P<kind>NRPN|RPN|nrpn|rpn)\b[\s:#]*(?:no\.?|nr\.?|number|nummer|numéro|número|"
    r"n°)?[\s:=#(]*"
    r"(?:(?:MSB|msb|hi|high)\s*[:=]?\s*(?P<m1>" + _N + r")[\s,;/]*(?:and\s+|und\s+|et\s+|y\s+)?"
    r"(?:(?:N?RPN\s*)?(?:LSB|lsb|lo|low)\s*[:=]?\s*(?P<l1>" + _N + r"))?"
    r"|(?:LSB|lsb)\s*[:=]?\s*(?P<l2>" + _N + r")[\s,;/]*(?:MSB|msb)\s*[:=]?\s*(?P<m2>" + _N + r")"
    r"|(?:LSB|lsb)\s*[:=]?\s*(?P<only>" + _N + r")(?![\s,;/]*(?:MSB|msb))"
    r"|(?P<wide>(?:\$|0x)?[0-9A-FOIla-f]{4}[hH]?)(?![0-9A-Za-z])"
    r"|(?P<wm>(?:\$|0x)?[0-9A-Fa-f]{2})(?P<wk>rr|kk|nn|tt)[hH]?(?![0-9A-Za-z])"
    r"|(?P<m3>(?:\$|0x|#)?[0-9][0-9A-Za-z]{0,3})\s?[\s,/:.\-|]\s?(?P<l3>(?:\$|0x|"
    r"#)?[0-9][0-9A-Za-z]{0,3}|kk|rr|nn)"
    r"(?![0-9A-Za-z]))"
)
"""A parameter number in words, in the ways makers print it."""


_EXPLAINS = re.compile(
    r"\bN?RPN\b#?\s*\S{1,12}\s+(?:[^\W\d]+\s+){0,4}?"
    r"(?:means?|is|bedeutet|heisst|signifie|significa|stands for)\b"
    r"[^.]{0,40}\b(?:CC|cc|controller|regler)\s*#?\s*(?:99|98|101|100)\b"
)


def explains(text: str) -> bool:
    """Return whether a text explains how a printed parameter number is sent (``NRPN 5/18 means CC
    99 ...``): an explanation, no parameter."""
    return _EXPLAINS.search(text[:400]) is not None


class Number(NamedTuple):
    """A number that must fit seven bits: its token, or a slip where it does not."""

    tok: Tok
    open: bool


def same_base(high: str, low: str, base: str) -> list[Number]:
    """Return two numbers printed side by side: what proves the base of one proves it for both."""
    both = (high, low)
    if not base and any(_proves_hex(t) for t in both):
        base = HEX
    if not base and any(t.isdigit() and len(t) == 3 for t in both):
        base = DEC
    return [read_number(t, base) for t in both]


def _proves_hex(text: str) -> bool:
    return len(text) == 2 and not text.isdigit() and all(c in "0123456789ABCDEF" for c in text)


def read_number(text: str, base: str, again: str = "") -> Number:
    """Return a printed number of 0 to 127 as a byte; what is none, or open to both bases, is a
    slip.

    Parameters
    ----------
    text : str
        The digits with or without a mark.
    base : str
        ``hex``, ``dec`` or empty: the base of numbers without a mark.
    again : str
        The same number printed once more in brackets in the other base, or empty.
    """
    value = number_value(text, base)
    if again:
        other = number_value(
            again, HEX if base == DEC or (not base and not _is_marked(again)) else base
        )
        pairs = {(a, b) for a in _readings(text) for b in _readings(again)}
        agreeing = {a for a, b in pairs if a == b}
        if len(agreeing) == 1:
            value = agreeing.pop()
        elif other != value:
            return Number(slip(f"{text} ({again})"), True)
    if fold(text) in ("kk", "rr", "nn", "key", "note"):
        return Number(field(fold(text), text), False)
    if value is None or not 0 <= value <= 127:
        return Number(slip(text), value is None)
    return Number(fixed(value), False)


def _readings(text: str) -> set[int]:
    """Return the values that a number may have in either base."""
    return {v for b in (HEX, DEC) if (v := number_value(text, b)) is not None}


def _is_marked(text: str) -> bool:
    return text[0] in "$#" or text[:2] == "0x" or text[-1] in "hH"


def number_value(text: str, base: str) -> int | None:
    """Return the value of a printed number, None where it is none or its base is not known."""
    digits = text.lstrip("$#").removeprefix("0x")
    marked = digits != text
    if digits[-1:] in ("h", "H") and len(digits) > 1:
        digits, marked = digits[:-1], True
    if digits[-1:] in ("d", "D") and digits[:-1].isdigit() and len(digits) > 2 and base != HEX:
        return int(digits[:-1])
    if not digits or len(digits) > 4:
        return None
    if marked or (base == HEX and len(digits) <= 2):
        try:
            return int(digits, 16)
        except ValueError:
            return None
    if not digits.isdigit():
        return int(digits, 16) if _proves_hex(digits) and base != DEC else None
    if int(digits) < 10 or base == DEC or len(digits) == 3:
        return int(digits)
    return None
