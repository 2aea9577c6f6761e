"""Parameter numbers in words: ``NRPN 05h 12h``, ``NRPN MSB 5 LSB 18``, ``NRPN 0512h``, ``CC 74``.

The messages behind the words are those of the standard: controllers 99 and 98 (101 and 100) select,
6 carries the value, 38 its low part where the range needs one (MIDI 1.0 4.2.1, p. 17).
"""

from __future__ import annotations

import re

from knobwright.core.reading.context import Context
from knobwright.core.reading.dialects.bytelines import describe, joined
from knobwright.core.reading.dialects.pairs import channel_status
from knobwright.core.reading.digits import NUMBERS, Number, explains, read_number, same_base
from knobwright.core.reading.found import Found, field, fixed, half, slip
from knobwright.core.reading.layout import Placed, is_numbered, not_received, received, strip_mark
from knobwright.core.reading.numbers import HEX
from knobwright.core.reading.tokens import Tok, scan

_N = r"(?:\$|0x|#)?[0-9A-Za-z]{1,4}"
_CONTROLLER = re.compile(
    r"\b(?:CC|cc|Ctrl|Ctl|control(?:ler)?(?: change)?|Controller|Control [Cc]hange|Regler|"
    r"Contrôleur|contrôleur|Control|"
    r"Controlador)(?![a-z])\s*(?:#|no\.?|nr\.?|number|nummer|n°)?\s*[:#]?\s*"
    r"(?P<cc>(?=[0-9$]|[OIl]\d|[A-F][0-9A-F][hH]?\b)" + _N + r")"
    r"(?:\s*\(\s*(?P<again>" + _N + r")\s*\))?(?![\w=])"
    r"(?!\s*=\s*(?:[\d$]|[A-Za-z]{1,2}\b))"
)

_VALUE_WORD = re.compile(r"\s*(?:value|val|wert|valor|valeur|valore|waarde|atai|data)\b", re.I)
_WITH = re.compile(
    r"\s?(?:/|\+|&|and|und|et)\s?(?:(?:CC|cc)\s*#?\s*)?(?P<n>(?:\$|0x)?\d[0-9A-F]{0,2}[hH]?)"
    r"(?!\w)(?:\s*(?:=|->|→|:))?"
)
"""A second controller behind the first: ``CC 7/39``."""

_SELECTING = ("6", "06", "38", "98", "99", "100", "101")
_EQUALS = re.compile(
    r"(?:\bN?RPN\b\s*[:=]?\s*)?(?<![\w.])(?P<a>98|99|100|101|6[2345]h)\s*[=:]\s*(?P<m>"
    + _N
    + r")\s*(?:[,;/&+]|and|und|et)\s*"
    r"(?:(?:CC|cc)\s*#?\s*)?(?P<b>98|99|100|101|6[2345]h)\s*[=:]\s*(?P<l>" + _N + r")(?!\w)"
    r"(?:\s*(?:[,;/&+]|and|und|et)\s*(?:(?:CC|cc)\s*#?\s*)?(?:0?6h?)\s*[=:]\s*(?:[a-z]{1,6}\b|\.\.\.?))?"
)
"""A selection printed as numbers only: ``99=1, 98=9``."""

_ENTRY = re.compile(r"\b(?:CC|cc|controller|control|Ctrl|Regler)\s*#?\s*(?:6|06)\s*=")
_VALUE = re.compile(
    r"\s?,?\s?(?:with )?(?:value|wert|valeur|valor|valore|data)\s*[:=]?\s*(?P<n>(?:\$|"
    r"0x)?[0-9A-Fa-f]{1,3}[hH]?)(?![\w.\-–])"
)


def read(placed: Placed, context: Context) -> list[Found]:
    """Return the parameters that a row names by number."""
    if not_received(placed) or explains(placed.row.text):
        return []
    text, cuts = joined(placed)
    base = context.controller_base(placed.section)
    out: list[Found] = []
    used: list[tuple[int, int]] = []
    lines: list[tuple[tuple[Tok, ...], str]] = []
    status = channel_status(placed.section, context, nrpn=True)
    for match in NUMBERS.finditer(text):
        toks = selection(match, base, status)
        if toks:
            used.append((match.start(), _past_sign(text, match.end())))
            data = _data(text, match.end()) if len(toks) == 9 else None
            if data is not None:
                used.append(data[1])
                toks = (*toks[:6], *data[0])
            explicit = data or _ENTRY.search(text, match.end())
            lines.append((toks, "number with data" if explicit else "number"))
    if not lines and (equal := _EQUALS.search(text)):
        used.append((equal.start(), equal.end()))
        lines.append((_by_equals(equal, base, status), "number"))
    _controllers(placed, context, base, used, lines)
    if not lines:
        return []
    label, texts, prose = describe(placed, text, cuts, sorted(used), context)
    if not label or (is_numbered(label) and received(placed)):
        label = strip_mark(placed.cell("note")) or label
    sentence = (
        text.rstrip().endswith((".", "!", "。")) and sum(1 for c in placed.cells if c.strip()) == 1
    )
    sentence = sentence and not _is_listed(text, sorted(used)[0])
    if prose or sentence or (not label and "label" not in placed.roles):
        return []
    for k, (toks, kind) in enumerate(lines):
        out.append(
            Found(
                label,
                placed.section,
                placed.row.place,
                placed.row_index,
                toks,
                texts,
                kind,
                route_group=k,
                shape="by range" if kind == "number" else "",
            )
        )
    return out


def _two(high: str, low: str, base: str, status: Tok) -> tuple[Tok, ...]:
    """Return the messages of two controllers that share a value; two that are no pair of the
    standard (n and n + 32, MIDI 1.0 table III) are left for a question."""
    first, second = (read_number(n, base).tok for n in (high, low))
    if first.kind == second.kind == "byte" and second.value == first.value + 32:
        return (status, first, field("vh"), status, second, field("vl"))
    return (status, slip(f"{high}/{low}"), field("vv"))


def _controllers(
    placed: Placed,
    context: Context,
    base: str,
    used: list[tuple[int, int]],
    lines: list[tuple[tuple[Tok, ...], str]],
) -> None:
    """Add the controllers that a row names outside of what is already ``used``."""
    text, cuts = joined(placed)
    status = channel_status(placed.section, context)
    for match in _CONTROLLER.finditer(text):
        if any(a <= match.start() < b for a, b in used) or not _stands_alone(text, match, cuts):
            continue
        if match["cc"] in _SELECTING:
            continue
        if joined_pair := _WITH.match(text, match.end()):
            used.append((match.start(), joined_pair.end()))
            lines.append((_two(match["cc"], joined_pair["n"], base, status), "controllers"))
            continue
        number = read_number(match["cc"], base, match["again"] or "")
        value = _VALUE.match(text, match.end())
        if value is not None:
            tok = read_number(value["n"], base).tok
            used.append((match.start(), value.end()))
            lines.append(((status, number.tok, tok), "controller"))
            continue
        used.append((match.start(), _past_sign(text, match.end())))
        lines.append(((status, number.tok, field("vv")), "controller"))


def _is_listed(text: str, used: tuple[int, int]) -> bool:
    """Return whether a row begins with its number and a sign behind it: an entry, no sentence."""
    before, own = text[: used[0]].strip(" \t*•·-–"), text[used[0] : used[1]].rstrip()
    signed = own.endswith(("=", "->", "→", ":"))
    follows = re.match(r"\s*(?:[=:]|->|→|[-–]\s)", text[used[1] :])
    return not before and (signed or follows is not None)


def _past_sign(text: str, at: int) -> int:
    """Return where a name begins that stands behind a number and an equals sign or an arrow."""
    match = re.compile(r"\s*(?:=|->|→)(?=\s*[^\W\d]{2,})").match(text, at)
    return match.end() if match and not _VALUE_WORD.match(text, match.end()) else at


def _by_equals(match: re.Match[str], base: str, status: Tok) -> tuple[Tok, ...]:
    """Return the messages of ``99=1, 98=9`` in the order of print, with their data entry."""
    out: list[Tok] = []
    numbers = same_base(match["m"], match["l"], base)
    for printed, number in zip((match["a"], match["b"]), numbers, strict=True):
        cc = int(printed[:-1], 16) if printed.endswith("h") else int(printed)
        out.extend((status, fixed(cc), number.tok))
    return (*out, status, fixed(6), field("vv"))


def _data(text: str, start: int) -> tuple[tuple[Tok, ...], tuple[int, int]] | None:
    """Return the data bytes printed behind a parameter number (``06hvvh``, ``06h vh 26h vl``) and
    where they stand."""
    toks = [t for t in scan(text) if t.start >= start]
    at = next((k for k, t in enumerate(toks) if t.kind == "byte" and t.value == 6 and t.sure), -1)
    if at < 0 or at + 1 >= len(toks) or toks[at + 1].kind not in ("field", "twin"):
        return None
    status = half(0xB, "n")
    out = [status, fixed(6), toks[at + 1]]
    end = toks[at + 1].end
    more = toks[at + 2 : at + 4]
    if (
        len(more) == 2
        and more[0].kind == "byte"
        and more[0].value == 38
        and more[1].kind == "field"
    ):
        out.extend((status, fixed(38), more[1]))
        end = more[1].end
    return tuple(out), (toks[at].start, end)


def _stands_alone(text: str, match: re.Match[str], cuts: list[tuple[int, int]]) -> bool:
    """Return whether a controller's number fills its cell or begins the row: no mention in a
    sentence."""
    opened, closed = text.rfind("(", 0, match.start()), text.find(")", match.end())
    if opened >= 0 and closed >= 0 and text.find(")", opened) == closed and text[:opened].strip():
        return False
    start, end = next(
        ((a, b) for a, b in cuts if a <= match.start() < max(b, a + 1)), (0, len(text))
    )
    cell = text[start:end]
    outside = cell[: match.start() - start] + cell[match.end() - start :]
    return len(outside.split()) <= 12 and (match.start() - start <= 40)


def selection(match: re.Match[str], base: str, status: Tok) -> tuple[Tok, ...]:
    """Return the messages that one mention of a parameter number stands for."""
    high_cc, low_cc = (101, 100) if match["kind"].upper() == "RPN" else (99, 98)
    if match["only"]:
        return (
            status,
            fixed(low_cc),
            read_number(match["only"], base).tok,
            status,
            fixed(6),
            field("vv"),
        )
    if match["wide"]:
        digits = match["wide"].lstrip("$").removeprefix("0x").rstrip("hH")
        if match["wide"] == digits and digits.isdigit() and base != HEX:
            return ()
        if any(c in "OIl" for c in digits):
            return (status, fixed(high_cc), slip(match["wide"]), status, fixed(6), field("vv"))
        numbers = [
            Number(fixed(int(digits[:2], 16)), False),
            Number(fixed(int(digits[2:], 16)), False),
        ]
    elif match["wk"]:
        high_value = int(match["wm"].lstrip("$").removeprefix("0x"), 16)
        numbers = [Number(fixed(high_value), False), Number(field("kk", match["wk"]), False)]
    else:
        high, low = (
            match["m1"] or match["m2"] or match["m3"],
            match["l1"] or match["l2"] or match["l3"],
        )
        if low is None:
            return (
                status,
                fixed(high_cc),
                read_number(high, base).tok,
                status,
                fixed(6),
                field("vv"),
            )
        numbers = same_base(high, low, base)
    return (
        status,
        fixed(high_cc),
        numbers[0].tok,
        status,
        fixed(low_cc),
        numbers[1].tok,
        status,
        fixed(6),
        field("vv"),
    )
