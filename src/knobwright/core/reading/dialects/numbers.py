"""Parameter numbers in words: ``NRPN 05h 12h``, ``NRPN MSB 5 LSB 18``, ``NRPN 0512h``, ``CC 74``.

The messages behind the words are those of the standard: controllers 99 and 98 (101 and 100) select,
6 carries the value, 38 its low part where the range needs one (MIDI 1.0 4.2.1, p. 17).
"""

from __future__ import annotations

import re
from knobwright.core.reading.context import Context
from knobwright.core.reading.dialects.bytelines import describe, joined
from knobwright.core.reading.dialects.pairs import channel_status
from knobwright.core.reading.found import Found, field, fixed, slip
from knobwright.core.reading.digits import Number, read_number, same_base
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.numbers import DEC, HEX
from knobwright.core.reading.tokens import Tok

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

_VALUE = re.compile(r"\s*,?\s*(?:with )?(?:value|wert|valeur|valor|valore|data)\s*[:=]?\s*(?P<n>(?:\$|0x)?[0-9A-Fa-f]{1,3}[hH]?)(?![\w.\-–])")


def read(placed: Placed, context: Context) -> list[Found]:
    """Return the parameters that a row names by number."""
    text, cuts = joined(placed)
    base = context.number_base(placed.section)
    out: list[Found] = []
    used: list[tuple[int, int]] = []
    lines: list[tuple[tuple[Tok, ...], str]] = []
    for match in _NUMBERS.finditer(text):
        toks = _selection(match, base, channel_status(placed.section, context, nrpn=True))
        if toks:
            used.append((match.start(), match.end()))
            lines.append((toks, "number"))
    for match in _CONTROLLER.finditer(text):
        if any(a <= match.start() < b for a, b in used) or not _stands_alone(text, match, cuts):
            continue
        number = read_number(match["cc"], base, match["again"] or "")
        value = _VALUE.match(text, match.end())
        if value is not None:
            tok = read_number(value["n"], base).tok
            used.append((match.start(), value.end()))
            lines.append(((channel_status(placed.section, context), number.tok, tok), "controller"))
            continue
        used.append((match.start(), match.end()))
        lines.append(((channel_status(placed.section, context), number.tok, field("vv")), "controller"))
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


def _selection(match: re.Match[str], base: str, status: Tok) -> tuple[Tok, ...]:
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
            return (status, fixed(high_cc), read_number(high, base).tok, status, fixed(6), field("vv"))
        numbers = same_base(high, low, base)
    return (status, fixed(high_cc), numbers[0].tok, status, fixed(low_cc), numbers[1].tok,
            status, fixed(6), field("vv"))
