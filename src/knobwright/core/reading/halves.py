"""Values cut into half bytes by an address table: ``0n 0m`` with ``nm`` as the whole number.

The order of the halves is that of the letters in the whole number where the leaflet prints it
(``nm = 14h - F0h``), else what it says of each letter (``n is the upper half``).
"""

from __future__ import annotations

import re

from knobwright.core.reading.built import Built
from knobwright.core.reading.context import Context
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.tokens import Tok
from knobwright.core.reading.words import fold

Texts = tuple[tuple[str, str, str], ...]

_CELL = re.compile(r"(?:\$|0x)?0([a-z])[hH]?(?:[ ,;/]{1,3}(?:\$|0x)?0([a-z])[hH]?){1,3}")
_LETTER = re.compile(r"0([a-z])")
_PRINTED = re.compile(r"(?:\$|0x)?0([0-9A-F])[hH]?(?=[ ,;/]|\Z)")


def half_fields(placed: Placed, texts: Texts, context: Context) -> tuple[list[Tok], Texts] | None:
    """Return the half bytes of a row's data cell and the row's other texts; None without such a
    cell.

    The letters of the whole number are taken out of the texts, so that what follows them
    (``nm = 14h - F0h``) is read as the value's own range.
    """
    for k, (role, _, cell) in enumerate(texts):
        if role not in ("range", "bytes", "") or not _CELL.fullmatch(cell.strip()):
            continue
        letters = _LETTER.findall(cell)
        if len(set(letters)) != len(letters):
            ranks: list[str] = []
        else:
            ranks = _whole(letters, placed, texts, context) or _said(letters, placed, context)
        toks = []
        for letter in letters:
            word = f"v{len(letters) - 1 - ranks.index(letter)}" if ranks else letters[0]
            toks.append(Tok("half", f"0{letter}", 0, 0, 0, word, True))
        whole = "".join(ranks or letters)
        named = re.compile(rf"(?<![\w]){whole}\s*(?:=|:|from|von|de)\s*", re.I)
        others = [(r, h, named.sub("", t)) for r, h, t in texts[:k] + texts[k + 1 :]]
        return toks, tuple(others)
    return None


def _whole(letters: list[str], placed: Placed, texts: Texts, context: Context) -> list[str]:
    """Return the letters in the order of the whole number, highest first, where it is printed."""
    own = " ".join(t for _, _, t in texts)
    said = " ".join(t for _, _, t in context.texts(placed.section))
    for text in (own, said, " ".join(t for _, _, t in context.texts())):
        found = {
            word
            for word in re.findall(rf"(?<!\w)[a-z]{{{len(letters)}}}(?![\w])", f" {text[:8000]} ")
            if sorted(word) == sorted(letters)
        }
        if len(found) == 1:
            return list(found.pop())
    return []


def _said(letters: list[str], placed: Placed, context: Context) -> list[str]:
    """Return two letters, the upper half first, where the leaflet says which is which."""
    if len(letters) != 2:
        return []
    upper = _named(letters, placed, context, "high")
    lower = _named(letters, placed, context, "low")
    if len(upper) == 1 and (not lower or lower == set(letters) - upper):
        return [*upper, *(set(letters) - upper)]
    if len(lower) == 1 and not upper:
        return [*(set(letters) - lower), *lower]
    return []


def _named(letters: list[str], placed: Placed, context: Context, role: str) -> set[str]:
    """Return the letters whose legend names one part of the value."""
    return {
        letter
        for letter in letters
        if any(
            legend.role == role
            for legend in context.legends.find(letter, placed.row_index, placed.section)
        )
    }


def half_default(text: str, built: Built) -> tuple[int, str] | None:
    """Return a default printed as its half bytes (``07 08``), and the text behind it.

    Parameters
    ----------
    text : str
        The printed default, ``07 08 (120)``.
    built : Built
        The line; its halves ``v1 v0`` give the order.
    """
    words = dict(enumerate(_part_words(built)))
    if len(words) < 2 or any(w[:1] != "v" or not w[1:].isdigit() for w in words.values()):
        return None
    value, at = 0, 0
    text = fold(text).upper()
    for k in range(len(words)):
        match = _PRINTED.match(text, at)
        if match is None:
            return None
        value |= int(match[1], 16) << (4 * int(words[k][1:]))
        at = match.end()
        while at < len(text) and text[at] in " ,;/":
            at += 1
    return value, text[at:]


def _part_words(built: Built) -> list[str]:
    """Return the notation words of the value's half bytes in the order of print."""
    if not built.parts or any(bits != 4 for *_, bits in built.parts):
        return []
    return [built.words[item][cell] for item, cell, *_ in built.parts]
