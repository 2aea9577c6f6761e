"""Parameter numbers in words: ``NRPN 05h 12h``, ``NRPN MSB 5 LSB 18``, ``NRPN 0512h``, ``CC 74``.

The messages behind the words are those of the standard: controllers 99 and 98 (101 and 100) select,
6 carries the value, 38 its low part where the range needs one (MIDI 1.0 4.2.1, p. 17).
"""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.reading.context import Context
from knobwright.core.reading.dialects.bytelines import describe, joined
from knobwright.core.reading.found import Found, field, fixed, half, slip
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.numbers import DEC, HEX
from knobwright.core.reading.tokens import Tok
from knobwright.core.reading.words import fold

_N = r"(?:\$|0x|#)?[0-9A-Za-z]{1,4}"
_NUMBERS = re.compile(
    r"\b(?P<kind>NRPN|RPN|nrpn|rpn)\b[\s:#]*(?:no\.?|nr\.?|number|nummer|numéro|número|n°)?[\s:=#(]*"
    r"(?:(?:MSB|msb|hi|high)\s*[:=]?\s*(?P<m1>" + _N + r")[\s,;/]*(?:and\s+|und\s+|et\s+|y\s+)?"
    r"(?:(?:N?RPN\s*)?(?:LSB|lsb|lo|low)\s*[:=]?\s*(?P<l1>" + _N + r"))?"
    r"|(?:LSB|lsb)\s*[:=]?\s*(?P<l2>" + _N + r")[\s,;/]*(?:MSB|msb)\s*[:=]?\s*(?P<m2>" + _N + r")"
    r"|(?P<wide>(?:\$|0x)?[0-9A-Fa-f]{4}[hH]?)(?![0-9A-Za-z])"
    r"|(?P<m3>(?:\$|0x|#)?[0-9][0-9A-Za-z]{0,3})\s?[\s,/:.\-|]\s?(?P<l3>(?:\$|0x|#)?[0-9][0-9A-Za-z]{0,3}|kk|rr|nn)"
    r"(?![0-9A-Za-z]))"
)
_CONTROLLER = re.compile(
    r"\b(?:CC|cc|Ctrl|Ctl|control(?:ler)?(?: change)?|Controller|Control Change|Regler|Contrôleur|contrôleur|Control|"
    r"Controlador)\s*(?:#|no\.?|nr\.?|number|nummer|n°)?\s*[:#]?\s*(?P<cc>" + _N + r")"
    r"(?:\s*\(\s*(?P<again>" + _N + r")\s*\))?(?![\w=])(?!\s*=)"
)


class Number(NamedTuple):
    """A number that must fit seven bits: its token, or a slip where it does not."""

    tok: Tok
    open: bool


def read(placed: Placed, context: Context) -> list[Found]:
    """Return the parameters that a row names by number."""
    text, cuts = joined(placed)
    base = context.bytes_base(placed.section)
    out: list[Found] = []
    used: list[tuple[int, int]] = []
    lines: list[tuple[tuple[Tok, ...], str]] = []
    for match in _NUMBERS.finditer(text):
        toks = _selection(match, base)
        if toks:
            used.append((match.start(), match.end()))
            lines.append((toks, "number"))
    for match in _CONTROLLER.finditer(text):
        if any(a <= match.start() < b for a, b in used) or not _stands_alone(text, match, cuts):
            continue
        number = read_number(match["cc"], base, match["again"] or "")
        used.append((match.start(), match.end()))
        lines.append(((half(0xB, "n"), number.tok, field("vv")), "controller"))
    if not lines:
        return []
    label, texts, prose = describe(placed, text, cuts, sorted(used), context)
    if prose or not label:
        return []
    for k, (toks, kind) in enumerate(lines):
        out.append(Found(label, placed.section, placed.row.place, placed.index, toks, texts, kind,
                         route_group=k, shape="by range" if kind == "number" else ""))
    return out


def _stands_alone(text: str, match: re.Match[str], cuts: list[tuple[int, int]]) -> bool:
    """Return whether a controller's number fills its cell or begins the row: no mention in a sentence."""
    start, end = next(((a, b) for a, b in cuts if a <= match.start() < max(b, a + 1)), (0, len(text)))
    cell = text[start:end]
    outside = cell[: match.start() - start] + cell[match.end() - start :]
    return len(outside.split()) <= 12 and (match.start() - start <= 40)


def _selection(match: re.Match[str], base: str) -> tuple[Tok, ...]:
    """Return the messages that one mention of a parameter number stands for."""
    high_cc, low_cc = (101, 100) if match["kind"].upper() == "RPN" else (99, 98)
    if match["wide"]:
        digits = match["wide"].lstrip("$").removeprefix("0x").rstrip("hH")
        if match["wide"] == digits and digits.isdigit() and base != HEX:
            return ()
        numbers = [Number(fixed(int(digits[:2], 16)), False), Number(fixed(int(digits[2:], 16)), False)]
    else:
        high, low = match["m1"] or match["m2"] or match["m3"], match["l1"] or match["l2"] or match["l3"]
        if low is None:
            return (half(0xB, "n"), fixed(high_cc), read_number(high, base).tok, half(0xB, "n"), fixed(6), field("vv"))
        numbers = same_base(high, low, base)
    status = half(0xB, "n")
    return (status, fixed(high_cc), numbers[0].tok, status, fixed(low_cc), numbers[1].tok,
            status, fixed(6), field("vv"))


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
    """Return a printed number of 0 to 127 as a byte; what is none, or open to both bases, is a slip.

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
        other = number_value(again, HEX if base == DEC or (not base and not _is_marked(again)) else base)
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
