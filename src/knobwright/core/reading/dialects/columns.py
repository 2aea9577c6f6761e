"""Columns of numbers: ``CC | Range``, ``CC MSB | CC LSB | NRPN MSB | NRPN LSB``, a bracket behind
a number.

A dash or an empty cell means that there is no such way. Several ways in one row are routes to
one parameter.
"""

from __future__ import annotations

import re

from knobwright.core.reading.context import Context
from knobwright.core.reading.dialects.bytelines import describe
from knobwright.core.reading.dialects.numbers import selection
from knobwright.core.reading.dialects.pairs import channel_status
from knobwright.core.reading.digits import NUMBERS, read_number
from knobwright.core.reading.found import Found, field, fixed, slip
from knobwright.core.reading.layout import Placed, is_data_word
from knobwright.core.reading.numbers import spans
from knobwright.core.reading.runs import field_role
from knobwright.core.reading.tokens import Tok
from knobwright.core.reading.words import KEY_WORDS, fold, has_word

_CELL = re.compile(
    r"\s*(?P<n>(?:\$|0x|#|CC\s*)?[0-9][0-9A-Za-z]{0,3})\s*(?:[(\[](?P<range>[^)\]]*)[)\]])?\s*\Z"
)
_AGAIN = re.compile(r"(?:\$|0x)[0-9A-Fa-f]{1,2}|[0-9A-Fa-f]{1,2}[hH]|\d{1,3}d")
_JOINED = re.compile(
    r"\s*(?P<high>\S+(?:\s*\([^)]*\))?)\s*(?:\+|&|/|and|und|et)\s*(?P<low>\S+(?:\s*\([^)]*\))?)\s*\Z"
)
_IN_HEADING = re.compile(
    r"\b(?:(?P<kind>N?RPN)\s*)?MSB\s*(?:=|:|is|ist|est|es|always|immer|toujours|siempre|\s){0,6}\s*"
    r"(?P<n>(?:\$|0x)?[0-9][0-9A-F]{0,2}[hH]?)(?!\w)",
    re.I,
)
_ROLES = (
    "data_msb",
    "data_lsb",
    "cc",
    "cc_msb",
    "cc_lsb",
    "nrpn",
    "nrpn_msb",
    "nrpn_lsb",
    "rpn",
    "rpn_msb",
    "rpn_lsb",
)


def read(placed: Placed, context: Context) -> list[Found]:
    """Return the parameter and its routes that a row of number columns names."""
    if not any(role in _ROLES for role in placed.roles):
        return []
    cells = {role: placed.cell(role) for role in _ROLES}
    if all(is_data_word(c) for role, c in cells.items() if role[:4] != "data"):
        return []
    text = "   ".join(placed.cells)
    cuts, at = [], 0
    for cell in placed.cells:
        cuts.append((at, at + len(cell)))
        at += len(cell) + 3
    used = [
        cut
        for cut, role in zip(cuts, placed.roles, strict=False)
        if role in _ROLES and cut[1] > cut[0]
    ]
    label, texts, _ = describe(placed, text, cuts, used, context)
    if not label:
        return []
    base = context.number_base(placed.section)
    routes = _routes(placed, cells, base, context)
    routes.sort(key=lambda route: route[3])
    return [
        Found(
            label,
            placed.section,
            placed.row.place,
            placed.row_index,
            toks,
            (*((("range", "", bracket),) if bracket else ()), *texts),
            "columns",
            route_group=k,
            shape=shape,
        )
        for k, (toks, bracket, shape, _) in enumerate(routes)
    ]


def _routes(
    placed: Placed, cells: dict[str, str], base: str, context: Context
) -> list[tuple[tuple[Tok, ...], str, str, int]]:
    """Return the messages, bracketed range, shape and column of each way that the row prints."""
    out: list[tuple[tuple[Tok, ...], str, str, int]] = []
    column = {role: k for k, role in reversed(list(enumerate(placed.roles)))}
    status = channel_status(placed.section, context)
    _selected(placed, cells, base, context, out)
    msb = cells["cc_msb"] or cells["cc"]
    lsb = cells["cc_lsb"]
    if not lsb and (pair := _JOINED.match(msb)):
        msb, lsb = pair["high"], pair["low"]
    where = column.get("cc_msb", column.get("cc", column.get("cc_lsb", 99)))
    for kind in ("nrpn", "rpn"):
        if not is_data_word(cells[kind]) and (
            match := NUMBERS.search(f"{kind.upper()} {cells[kind]}")
        ):
            toks = selection(
                match, base or context.base_of(placed, _head(placed, kind), kind), status
            )
            out.append((toks, "", "by range", column[kind]))
    if not is_data_word(msb):
        tok, bracket = _number(msb, base, placed, "cc_msb" if cells["cc_msb"] else "cc", context)
        if is_data_word(lsb):
            out.append(((status, tok, _value_tok(bracket)), bracket, "coarse", where))
        else:
            low_tok, other = _number(lsb, base, placed, "cc_lsb", context)
            each = bool(bracket and other)
            out.append(
                (
                    (status, tok, field("vh"), status, low_tok, field("vl")),
                    "" if each else bracket or other,
                    "paired",
                    where,
                )
            )
    elif not is_data_word(lsb):
        out.append(((status, slip(msb or "(no MSB)"), field("vv")), "", "", where))
    return out


def _selected(
    placed: Placed,
    cells: dict[str, str],
    base: str,
    context: Context,
    out: list[tuple[tuple[Tok, ...], str, str, int]],
) -> None:
    """Add the ways that go by a parameter number printed in two columns."""
    status = channel_status(placed.section, context)
    for kind, high_cc, low_cc in (("nrpn", 99, 98), ("rpn", 101, 100)):
        high, low = cells[f"{kind}_msb"], cells[f"{kind}_lsb"]
        if is_data_word(high) and is_data_word(low):
            continue
        at = next((k for k, r in enumerate(placed.roles) if r.startswith(kind)), 0)
        high_tok, first = _number(high, base, placed, f"{kind}_msb", context)
        low_tok, second = _number(low, base, placed, f"{kind}_lsb", context)
        if is_data_word(high):
            high_tok = _from_heading(placed, kind, base, context)
        select = (status, fixed(high_cc), high_tok, status, fixed(low_cc), low_tok)
        if _is_used(cells["data_lsb"]):
            out.append(
                (
                    (*select, status, fixed(6), field("vh"), status, fixed(38), field("vl")),
                    second or first,
                    "",
                    at,
                )
            )
        else:
            out.append(
                (
                    (*select, status, fixed(6), field("vv")),
                    second or first,
                    "" if cells["data_msb"] else "by range",
                    at,
                )
            )


def _is_used(cell: str) -> bool:
    """Return whether a cell for the low part of the data names one."""
    return not is_data_word(cell) and not has_word(
        fold(cell), ("not", "unused", "nicht", "non", "no ", "sans", "-")
    )


def _value_tok(bracket: str) -> Tok:
    """Return the value field, or the fixed byte where the bracket holds a single number (``123
    (0)``)."""
    found = spans(bracket)
    if (
        len(found) == 1
        and not found[0].is_range
        and bracket.strip().isdigit()
        and int(bracket) < 10
    ):
        return fixed(int(bracket))
    return field("vv")


def _number(cell: str, base: str, placed: Placed, role: str, context: Context) -> tuple[Tok, str]:
    """Return the byte of a cell and the range in its brackets; a slip where it is no number."""
    match = _CELL.match(cell)
    if match is not None and match["range"] and (again := _AGAIN.fullmatch(match["range"].strip())):
        return read_number(
            match["n"], base or context.base_of(placed, _head(placed, role), role), again.group()
        ).tok, ""
    if match is None and len(cell.strip()) == 2 and field_role(fold(cell.strip())):
        return field(fold(cell.strip())), ""
    if match is None and has_word(fold(cell), KEY_WORDS):
        return field("kk", cell.strip()), ""
    if match is None:
        return slip(cell.strip() or "(nothing)"), ""
    head = _head(placed, role)
    own = base or context.base_of(placed, head, role)
    if not base and not has_word(fold(head), ("hex", "dec", "(h)", "(d)")):
        own = context.bases.corrected(own, placed.section, role)
    return read_number(re.sub(r"^CC\s*", "", match["n"]), own).tok, (match["range"] or "").strip()


def _head(placed: Placed, role: str) -> str:
    """Return the header text of the first column with a role."""
    return next((h for h, r in zip(placed.heads, placed.roles, strict=False) if r == role), "")


def _from_heading(placed: Placed, kind: str, base: str, context: Context) -> Tok:
    """Return the high number that a heading, or the text under it, gives for all of its rows."""
    for text in (placed.section, *(t for _, _, t in context.texts(placed.section)[:6])):
        match = _IN_HEADING.search(text)
        if match and fold(match["kind"] or kind) == kind:
            return read_number(match["n"], base or context.controller_base(placed.section)).tok
    return slip("(no MSB)")
