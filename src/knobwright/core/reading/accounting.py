"""The accounting of rows: nothing that prints a message, or a controller's number, may vanish.

Every such row ends as a parameter or another way to one, as a program, kit, block or set-up, as
something known that sets nothing (a note with the reason), or as a question with the row's text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from knobwright.core.reading.bases import NUMBER_ROLES, mentions
from knobwright.core.reading.built import Built
from knobwright.core.reading.context import Context
from knobwright.core.reading.digits import explains, number_value
from knobwright.core.reading.found import Found
from knobwright.core.reading.layout import (
    Placed,
    is_data_word,
    is_numbered,
    not_received,
    strip_mark,
)
from knobwright.core.reading.questions import LEAVE_OUT, Question
from knobwright.core.reading.runs import find_runs
from knobwright.core.reading.tokens import scan
from knobwright.core.reading.words import fold, has_word

KINDS = {
    "note": "note on or off: it is played, not set",
    "realtime": "a real-time message: it sets nothing",
    "identity": "the identity request or reply",
    "program": "program change",
    "bank": "bank select",
    "request": "a request",
    "dump": "a dump",
    "shape": "the general shape of a message, or one whose fields other rows fill",
}
"""Why a line that was understood makes no parameter, by its kind."""

_PARTS = frozenset({0, 32, 6, 38, 96, 97, 98, 99, 100, 101})
"""Controllers that choose banks and parameters and carry their data: no parameters themselves."""

_HISTORY = (
    "change",
    "history",
    "revision",
    "anderung",
    "historique",
    "cambios",
    "modifiche",
    "release notes",
)
_VERSION = re.compile(
    r"\W*(?:v|ver\.?|version|fw|firmware)?\s*\d{1,2}\.\d{1,3}[a-z]?\b\s*[:,(–-]", re.I
)
_DONE = ("added", "fixed", "changed", "removed", "new", "first", "was", "neu", "geandert")
_ADDRESS = re.compile(
    r"\b(?:address|adresse|addr|adr|dirección|indirizzo)\.?\s*[:=]?\s*(?:0x|\$)?[0-9A-F]{2}[hH]?\b",
    re.I,
)
_ENTRY = re.compile(
    r"\s*(?:0x|\$)?[0-9A-F]{2}[hH]?\s{2,}[^\W\d][^\d=]{2,40}\s{2,}(?:0x|\$)?[0-9A-F]{1,3}[hH]?\s*"
    r"(?:-|–|\.\.|to|bis|à|a|=)"
)
"""A row such as ``02  Reverb kind  0 to 3``: number, name, range or choices."""

_ASSIGNED = re.compile(
    r"\W*[a-z]{2}\s*=\s*(?:0x|\$)?[0-9A-F]{1,2}[hH]?\s*[:,;–-]\s*[^\W\d][^=]{1,60}\b[a-z]{1,2}\s*=\s*\S"
)
"""A row such as ``pp = 02 : bend range, vv = 0..24``."""

_EQUALS = re.compile(r"(?<![\w.])(?:98|99|100|101)\s*=\s*\d")


def is_history(placed: Placed) -> bool:
    """Return whether a row tells what an earlier edition or version had: nothing to set."""
    text = fold(placed.row.text[:200])
    under = has_word(fold(placed.section), _HISTORY)
    return bool(_VERSION.match(text)) and (under or has_word(text, _DONE))


def prints_message(placed: Placed) -> bool:
    """Return whether a row prints bytes of a message, a controller's or a parameter's number."""
    text = placed.row.text
    if placed.kind == "blank" or len(text) > 2000:
        return False
    if placed.kind in ("heading", "header"):
        return any(is_numbered(c) for c in placed.cells)
    if any(run.toks[0].is_status and len(run.toks) > 2 for run in find_runs(text)):
        return True
    if _ADDRESS.search(text) or _ENTRY.match(text) or _ASSIGNED.match(text) or _holds_part(text):
        return True
    if _EQUALS.search(text) or any(True for _ in mentions(text)):
        return True
    return _names_number(placed) or lacks_number(placed)


def _holds_part(text: str) -> bool:
    """Return whether a text holds part of a message: bytes side by side, a field at their end."""
    n_bytes = 0
    for tok in scan(text[:400]):
        if tok.kind == "byte" and len(tok.text) > 1:
            n_bytes += 1
        elif tok.kind in ("field", "twin") and n_bytes > 1:
            return True
        else:
            n_bytes = 0
    return False


def _names_number(placed: Placed) -> bool:
    """Return whether a cell of a column of numbers is filled, beside a name."""
    label = placed.cell("label")
    return bool(label) and any(
        role in NUMBER_ROLES and any(c.isdigit() for c in cell)
        for cell, role in zip(placed.cells, placed.roles, strict=False)
    )


def lacks_number(placed: Placed) -> bool:
    """Return whether a table's row has a name and values, but its number is left empty."""
    if "label" not in placed.roles or is_data_word(placed.cell("label")):
        return False
    columns = [
        cell
        for cell, role, head in zip(placed.cells, placed.roles, placed.heads, strict=False)
        if role in NUMBER_ROLES or fold(head).strip(" .") in ("dec", "hex", "decimal")
    ]
    if not columns or not all(is_data_word(c) or not any(x.isdigit() for x in c) for c in columns):
        return False
    values = " ".join(placed.cell(r) for r in ("range", "range+default", "min", "default"))
    return any(c.isdigit() for c in values)


def rows_of(founds: Iterable[Found], context: Context) -> set[int]:
    """Return the rows that lines were made of; a row that only hangs on another must not be a line
    of its own."""
    out: set[int] = set()
    for found in founds:
        out.add(found.row_index)
        for index in range(found.row_index + 1, found.row_index + found.rows):
            text = context.rows[index].row.text if index < len(context.rows) else ""
            if text and not is_numbered(text) and not _ADDRESS.match(text.strip("`*- ")):
                out.add(index)
    return out


def controllers(lines: Iterable[tuple[Found, Built]]) -> frozenset[int]:
    """Return the controllers that the lines of a draft send by themselves."""
    return frozenset(
        int(words[1], 16)
        for _, built in lines
        for words in built.words
        if words[0][0] == "B" and len(words) == 3 and words[1].isalnum() and _is_hex(words[1])
    )


def _is_hex(word: str) -> bool:
    return len(word) == 2 and all(c in "0123456789ABCDEF" for c in word)


def notes_of(others: Iterable[tuple[Found, Built]]) -> list[tuple[str, str, str]]:
    """Return a note for each line that was understood and sets nothing."""
    silent = ("request", "dump")
    return [
        (found.place, found.printed, KINDS[built.kind])
        for found, built in others
        if built.kind in KINDS and built.kind not in silent
    ]


def account(
    context: Context, taken: Iterable[int], known: frozenset[int]
) -> tuple[list[Question], list[tuple[str, str, str]]]:
    """Return questions and notes about the rows that print messages and were not taken.

    Parameters
    ----------
    taken : iterable of int
        Indices of the rows that made parameters, lists, blocks, notes or questions.
    known : frozenset of int
        Controllers that the draft sets: a sentence may mention them.
    """
    done = frozenset(taken)
    questions: list[Question] = []
    notes: list[tuple[str, str, str]] = []
    for placed in context.rows:
        if placed.row_index in done or not prints_message(placed):
            continue
        why = _why_not(placed, context, known)
        if why:
            notes.append((placed.row.place, placed.row.text[:120], why))
        else:
            questions.extend(_each_sentence(placed, _question(placed, context)))
    return questions, notes


def _each_sentence(placed: Placed, question: Question) -> list[Question]:
    """Ask about each sentence of a row by itself, where several name a controller's number."""
    parts = re.split(r"(?<=[.!?])\s+", placed.row.text)
    said = [text for text in parts if any(True for _ in mentions(text))]
    if len(said) < 2:
        return [question]
    return [
        question._replace(
            about=question.about if n == 1 else f"row-{placed.row_index + 1}.{n}.unread",
            understood=f"“{' '.join(text.split())[:160]}” looks like something to set, but it was "
            "not understood",
            label=strip_mark(text)[:80],
        )
        for n, text in enumerate(said, 1)
    ]


def _why_not(placed: Placed, context: Context, known: frozenset[int]) -> str:
    """Return why a row that was not taken sets nothing, or nothing where that is not known."""
    if is_history(placed):
        return "it tells of another version"
    text = placed.row.text
    filled = [c for c in placed.cells if c.strip()]
    runs = [r for r in find_runs(text) if r.toks[0].is_status and len(r.toks) > 2]
    if _ADDRESS.search(text) and not _is_prose(placed):
        return ""
    if not runs and (_ENTRY.match(text) or _ASSIGNED.match(text) or _holds_part(text)):
        return ""
    if lacks_number(placed) or (_names_number(placed) and not _is_prose(placed)):
        return ""
    if not_received(placed):
        return "the chart says that it is not received"
    if explains(text):
        return "it explains how parameter numbers are sent"
    numbers = _mentioned(text, context, placed.section)
    if numbers and numbers <= known | _PARTS:
        return "it speaks of controllers that other rows set"
    if runs:
        return "" if any(_is_whole(r.toks) for r in runs) else "bytes in a sentence, no message"
    if not numbers:
        return "a number that names no controller"
    return "" if len(filled) < 9 else "a list"


def _is_whole(toks: tuple[object, ...]) -> bool:
    """Return whether a run of bytes is long enough to be a message."""
    return len(toks) >= 3


def _is_prose(placed: Placed) -> bool:
    """Return whether a row is one sentence."""
    return sum(1 for c in placed.cells if c.strip()) == 1 and len(placed.row.text.split()) > 8


def _mentioned(text: str, context: Context, section: str) -> set[int]:
    """Return the controllers that a text names by number; -1 for a parameter number."""
    base = context.controller_base(section)
    out: set[int] = set()
    for is_parameter, digits in mentions(text):
        if is_parameter:
            return {-1}
        value = number_value(digits, base)
        if value is not None and value <= 127:
            out.add(value)
    return out


def _label_of(placed: Placed, context: Context) -> str:
    """Return the name of a row in doubt: its own, or that of the row above that it belongs to."""
    filled = [c.strip() for c in placed.cells if c.strip()]
    if _ADDRESS.match(filled[0].strip("`*- ")):
        for above in reversed(context.rows[max(0, placed.row_index - 3) : placed.row_index]):
            if above.kind != "blank" and above.section == placed.section:
                return strip_mark(above.row.text.strip("*` "))[:80]
    if _ASSIGNED.match(placed.row.text):
        named = re.split(r"[:,;–-]\s*", placed.row.text, maxsplit=1)[1]
        return strip_mark(named.partition(",")[0])[:80]
    return strip_mark(placed.cell("label") or filled[0])[:80]


def _question(placed: Placed, context: Context) -> Question:
    """Return the question about a row that nothing was made of."""
    label = _label_of(placed, context)
    what = " ".join(placed.row.text.split())[:160]
    lacking = "its number is not printed" if lacks_number(placed) else "it was not understood"
    return Question(
        f"row-{placed.row_index + 1}.unread",
        placed.row.place,
        f"the row “{what}” looks like something to set, but {lacking}",
        {LEAVE_OUT: "leave it out of the sheet"},
        {},
        (),
        "line",
        label,
        placed.section,
    )
