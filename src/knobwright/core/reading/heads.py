"""The heads of a table's columns: which one holds names, numbers or ranges, and where it stands."""

from __future__ import annotations

import re
from itertools import pairwise
from typing import NamedTuple

from knobwright.core.reading.rows import Row
from knobwright.core.reading.words import fold, has_word, header_role

LIST_HEADS = ("control change", "controller", "cc ", "midi cc", "ccs", "continuous controller")


class Column(NamedTuple):
    """One column of a table: its header text, role and span of character positions."""

    text: str
    role: str
    start: int
    end: int


def columns_of(row: Row) -> tuple[Column, ...]:
    """Return the columns that a header row of plain text names."""
    starts = row.columns or tuple(range(len(row.cells)))
    columns: list[Column] = []
    for cell, start in zip(row.cells, starts, strict=True):
        for word, at in _split_heads(cell) if row.columns else ((cell, 0),):
            columns.append(
                Column(word, header_role(word), start + at, start + at + max(1, len(word)))
            )
    return with_controller(tuple(columns))


_NARROW_HEADS = ("min", "typ", "max", "unit", "default", "def", "from", "to", "init")


def _split_heads(cell: str) -> list[tuple[str, int]]:
    """Return the heads of narrow columns printed with single blanks: ``Min Typ Max Unit``."""
    words = [(m.group(), m.start()) for m in re.finditer(r"\S+", cell)]
    if len(words) > 1 and all(fold(w).strip(".") in _NARROW_HEADS for w, _ in words):
        return words
    return [(cell, 0)]


_CONTROLLER_HEADS = (
    "controller",
    "control",
    "cc",
    "ctrl",
    "regler",
    "controleur",
    "controlador",
    "steuer",
)


_BASE_HEAD = re.compile(r"(?P<stem>.*\S)[\s,(]+(?:in )?(?P<base>hex|dec|dez)\w*[.)]*\Z", re.I)
_PAIR_HEADS = (
    "high, low",
    "high/low",
    "high low",
    "msb, lsb",
    "msb/lsb",
    "msb lsb",
    "hi, lo",
    "hi/lo",
    "msb + lsb",
    "msb-lsb",
)


def _with_bases(columns: tuple[Column, ...]) -> tuple[Column, ...]:
    """Read columns that print the same number twice, hexadecimal and decimal: the second confirms
    the first."""
    stems = {k: m for k, c in enumerate(columns) if (m := _BASE_HEAD.match(c.text.strip()))}
    out = list(columns)
    for k, match in stems.items():
        stem = fold(match["stem"])
        role = "nrpn" if stem in _PAIR_HEADS else header_role(stem)
        twins = [j for j, m in stems.items() if j != k and fold(m["stem"]) == stem]
        if match["base"].lower() == "hex" or not twins:
            out[k] = columns[k]._replace(role=role or columns[k].role)
        else:
            out[k] = columns[k]._replace(role="dec" if role == "range" else "twin")
    return tuple(out)


def with_halves(columns: tuple[Column, ...], section: str) -> tuple[Column, ...]:
    """Read columns only called MSB and LSB as the halves of the section's kind of number."""
    words = fold(section)
    columns = _with_numbers(columns, words)
    kind = "nrpn" if "nrpn" in words else "rpn" if "rpn" in words else ""
    roles = {"msb": f"{kind}_msb", "lsb": f"{kind}_lsb", "hi": f"{kind}_msb", "lo": f"{kind}_lsb"}
    if not kind:
        return columns
    return tuple(
        c._replace(role=roles[fold(c.text).strip(" .")]) if fold(c.text).strip(" .") in roles else c
        for c in columns
    )


def _with_described(columns: tuple[Column, ...]) -> tuple[Column, ...]:
    """Read a column of descriptions beside bytes as the names, where no other column holds them."""
    roles = [c.role for c in columns]
    if "label" in roles or "bytes" not in roles or "" in roles or "note" not in roles:
        return columns
    at = roles.index("note")
    if not fold(columns[at].text).startswith(_DESCRIBED):
        return columns
    return (*columns[:at], columns[at]._replace(role="label"), *columns[at + 1 :])


_DESCRIBED = ("descri", "beschreib", "meaning", "bedeutung", "setsumei", "omschrijving")


def _with_numbers(columns: tuple[Column, ...], section: str) -> tuple[Column, ...]:
    """Read a column ``Number`` as controllers where the names' column, or the heading, says so."""
    roles = [c.role for c in columns]
    if roles.count("number") != 1 or "label" not in roles or "bytes" in roles:
        return columns
    if any(r in _NUMBER_ROLES or r == "address" for r in roles):
        return columns
    name = fold(columns[roles.index("label")].text)
    if not has_word(name, _CONTROLLER_HEADS) and not has_word(section, LIST_HEADS):
        return columns
    if has_word(f"{name} {section}", ("program", "patch", "nrpn", "rpn", "sysex", "exclusive")):
        return columns
    return tuple(c._replace(role="cc") if c.role == "number" else c for c in columns)


_NUMBER_ROLES = ("cc", "cc_msb", "nrpn", "rpn", "nrpn_lsb", "rpn_lsb")


def with_controller(columns: tuple[Column, ...]) -> tuple[Column, ...]:
    """Read a column ``Controller`` beside a column of names as the controllers' numbers."""
    columns = _with_bases(columns)
    if (
        columns
        and columns[0].role == "bytes"
        and not any(c.role == "label" for c in columns)
        and (
            [c.role for c in columns].count("bytes") == 2
            and not has_word(fold(columns[0].text), ("status", "byte"))
        )
    ):
        columns = (columns[0]._replace(role="label"), *columns[1:])
    columns = _with_described(columns)
    named = [c for c in columns if c.role == "label"]
    if not named and any(c.role in _NUMBER_ROLES for c in columns):
        return tuple(
            c._replace(role="label") if fold(c.text).strip(" .") in ("param", "par") else c
            for c in columns
        )
    if len(named) < 2:
        return columns
    numbers = {c for c in named if fold(c.text).strip(" .#").startswith(_CONTROLLER_HEADS)}
    names = [c for c in named if c not in numbers] or named[:1]
    return tuple(
        c._replace(role="cc")
        if c in numbers and c not in names[:1]
        else c._replace(role="note")
        if c in named and c not in names[:1]
        else c
        for c in columns
    )


def by_position(row: Row, columns: tuple[Column, ...]) -> list[tuple[str, str]]:
    """Match cells with columns by where they stand; a column takes one cell."""
    out: list[tuple[str, str]] = []
    taken: set[int] = set()
    if _is_in_order(row, columns):
        return [(c.role, c.text) for c in columns[: len(row.cells)]]
    by_index = len(row.cells) == len(columns)
    for index, (cell, start) in enumerate(zip(row.cells, row.columns, strict=True)):
        if not cell and by_index:
            out.append((columns[index].role, columns[index].text))
            continue
        end = start + len(cell)
        best, best_score = -1, 0
        for k, column in enumerate(columns):
            if k in taken:
                continue
            limit = columns[k + 1].start if k + 1 < len(columns) else column.end + 12
            overlap = min(end, limit) - max(start, column.start)
            near = abs(start - column.start) <= 2 or abs(end - column.end) <= 2
            score = overlap + (1000 if near else 0)
            if overlap > 0 and score > best_score:
                best, best_score = k, score
        if best < 0:
            out.append(("", ""))
        else:
            taken.add(best)
            out.append((columns[best].role, columns[best].text))
    return out


def _is_in_order(row: Row, columns: tuple[Column, ...]) -> bool:
    """Return whether a row's cells stand in the order of the columns, wherever they begin.

    Heads of narrow columns printed with single blanks say little of where the columns stand; a row
    that fills every column (all but the unit) needs no places.
    """
    narrow = any(
        left.end + 1 == right.start and fold(left.text).strip(".") in _NARROW_HEADS
        for left, right in pairwise(columns)
    )
    if not narrow or not all(cell.strip() for cell in row.cells):
        return False
    lacks_unit = len(row.cells) == len(columns) - 1 and columns[-1].role == "unit"
    if lacks_unit:
        return _NUMBER.fullmatch(row.cells[-1].strip()) is not None
    return len(row.cells) == len(columns)


_NUMBER = re.compile(r"[+\-−–]?[0-9A-F]{1,5}[hH]?")
