"""Messages listed byte by byte, one row a byte: ``1  F0h  Exclusive status``, ``2  7Dh  Maker``.

The first column only counts the bytes. A listing that nothing was made of is asked about under
the heading above it: none may vanish.
"""

from __future__ import annotations

import re
from collections.abc import Container, Sequence
from typing import NamedTuple

from knobwright.core.reading.choices import find_choices
from knobwright.core.reading.layout import Placed, strip_mark
from knobwright.core.reading.numbers import spans
from knobwright.core.reading.questions import LEAVE_OUT, Question
from knobwright.core.reading.sums import CHECK_WORDS
from knobwright.core.reading.tokens import scan
from knobwright.core.reading.words import fold, has_word

_COUNT = re.compile(r"(?:byte\s*|#)?(\d{1,3})[.):]?", re.I)
_FIRST = re.compile(r"(?:\$|0x)?F0[hH]?", re.I)
_LAST = re.compile(r"(?:\$|0x)?F7[hH]?", re.I)
_NUMBERING = re.compile(r"\d{1,3}(?:[.\-]\d{1,3})*[.):]?\s+")
_SPAN = re.compile(r"\bbytes?\s+(\d{1,2})(?:\s*(?:to|and|-|–|,|through)\s*(\d{1,2}))?\b", re.I)
_CHANNEL_ONE = re.compile(r"\b(?:0x|\$)?0{1,2}h?\s*(?:=|is)\s*channel\s+1\b", re.I)
_VALUE = re.compile(r"(?:the\s+)?(?:value|data|wert|valeur|valor|valore)\b", re.I)
_PARTIAL = ("bit", "bits", "msb", "lsb", "high", "low", "byte", "bytes")
_HEADS = ("Name", "Bytes", "Range", "Note")
_ROLES = ("label", "bytes", "range", "note")
MAX_BYTES = 64
"""A listing goes on for at most this many rows."""


class Listing(NamedTuple):
    """A message listed byte by byte.

    ``start`` and ``stop`` are the rows it takes up; ``items`` its bytes as (count, value,
    description); ``is_complete`` says that the counts run from the first to the last without a
    gap, and that the last byte ends the message.
    """

    start: int
    stop: int
    items: tuple[tuple[int, str, str], ...]

    @property
    def is_complete(self) -> bool:
        """Return whether no byte is missing between the first and the end of the message."""
        first = self.items[0][0]
        counts = [count for count, *_ in self.items]
        return counts == list(range(first, first + len(counts))) and bool(
            _LAST.fullmatch(self.items[-1][1])
        )


def find_listings(rows: Sequence[Placed]) -> list[Listing]:
    """Return the messages that are listed byte by byte, in the order of print."""
    out: list[Listing] = []
    at = 0
    while at < len(rows):
        item = _item(rows[at])
        if item is None or item[0] > 1 or not _FIRST.fullmatch(item[1]):
            at += 1
            continue
        start, items = at, [item]
        while (at := at + 1) < len(rows) and len(items) < MAX_BYTES:
            item = _item(rows[at])
            if item is None or item[0] <= items[-1][0]:
                break
            items.append(item)
            if _LAST.fullmatch(item[1]):
                at += 1
                break
        if len(items) >= 3:
            out.append(Listing(start, at, tuple(items)))
    return out


def _item(placed: Placed) -> tuple[int, str, str] | None:
    """Return a row as (count, value, description) where its first cell counts the bytes."""
    filled = [c.strip() for c in placed.cells if c.strip()]
    if len(filled) < 2 or len(filled[0]) > 10:
        return None
    match = _COUNT.fullmatch(filled[0])
    return (int(match[1]), filled[1], "  ".join(filled[2:])) if match else None


def ask_listed(rows: Sequence[Placed], taken: Container[int]) -> list[Question]:
    """Ask about every listing of which at most half was taken, under the heading above it.

    A row of it may have been read as a list of its own (``0 = V1, 1 = V2``).
    """
    out: list[Question] = []
    for listing in find_listings(rows):
        n_taken = sum(k in taken for k in range(listing.start, listing.stop))
        if 2 * n_taken > listing.stop - listing.start:
            continue
        first = rows[listing.start]
        label = heading_of(rows, listing.start)
        missing = "" if listing.is_complete else ", and not every byte of it is printed"
        out.append(
            Question(
                f"row-{listing.start + 1}.unread",
                first.row.place,
                f"“{label}” is listed byte by byte, and it was not put together{missing}",
                {LEAVE_OUT: "leave it out of the sheet"},
                {},
                (),
                "line",
                label,
                first.section,
            )
        )
    return out


def heading_of(rows: Sequence[Placed], start: int) -> str:
    """Return the name of a listing: the nearest text above it that is no table's row."""
    for above in reversed(rows[max(0, start - 6) : start]):
        filled = [c for c in above.cells if c.strip()]
        if above.kind not in ("blank", "header") and len(filled) == 1:
            return strip_mark(_NUMBERING.sub("", filled[0].strip(), count=1))[:80]
    return strip_mark(_NUMBERING.sub("", rows[start].section, count=1))[:80] or "message"


def gather(rows: Sequence[Placed]) -> list[Placed]:
    """Return the rows with every plain, complete listing set in one row, as a table prints it.

    A listing is plain where each byte is fixed, the checksum, the channel, or the one value; what
    it says of its letters and its checksum follows in rows of their own. Others are left alone.
    """
    out = list(rows)
    for listing in find_listings(rows):
        line = _line_of(listing)
        if line is None:
            continue
        start = listing.start
        first = rows[start]
        for k in range(start, listing.stop):
            out[k] = _blank(rows[k])
        out[start] = _filled(first, (heading_of(rows, start), *line[:3]), _ROLES, _HEADS)
        for k, said in zip((start + 2, start + 4), (_letters(listing), line[3]), strict=True):
            if said:
                out[k] = _filled(rows[k], (said,), ("",), ("",))
        above = rows[max(0, start - 1)]
        is_head = above.kind in ("header", "data") and len([c for c in above.cells if c]) > 1
        if is_head and not any(c.isdigit() for c in above.row.text):
            out[start - 1] = _blank(above)
    return out


def _filled(
    placed: Placed, cells: tuple[str, ...], roles: tuple[str, ...], heads: tuple[str, ...]
) -> Placed:
    """Return a row with other cells, of which each has its role and header."""
    row = placed.row._replace(cells=cells, columns=(), kind="text", header=())
    return Placed(row, placed.row_index, "data", placed.section, roles, heads, placed.grid, True)


def _letters(listing: Listing) -> str:
    """Return what a listing says of the letters in its half bytes: ``u = unit number``."""
    said: dict[str, str] = {}
    for _, value, text in listing.items:
        toks = scan(value)
        if len(toks) == 1 and toks[0].kind == "half" and text:
            said[toks[0].word] = text if "=" in text else f"{toks[0].word} = {text}"
    return ", ".join(said.values())


def _blank(placed: Placed) -> Placed:
    """Return a row with nothing on it."""
    row = placed.row._replace(cells=(), columns=(), kind="text", header=())
    return Placed(row, placed.row_index, "blank", placed.section)


def _line_of(listing: Listing) -> tuple[str, str, str, str] | None:
    """Return (bytes, range, note, what is said of the checksum), None where it is not plain."""
    if not listing.is_complete or listing.items[0][0] != 1 or len(listing.items) < 5:
        return None
    words: list[str] = []
    values: list[tuple[str, str]] = []
    said = ""
    for count, value, text in listing.items:
        toks = scan(value)
        if len(toks) == 1 and toks[0].kind in ("byte", "half") and toks[0].text == value:
            words.append(value)
        elif has_word(fold(text), CHECK_WORDS) and count == len(listing.items) - 1:
            words.append("cs")
            covered = _covered(listing, text)
            if covered is None:
                return None
            said = covered
        elif _CHANNEL_ONE.search(text) and _ends(value) == (0, 15):
            words.append("ch")
        elif (_VALUE.match(text) or find_choices(text)) and _ends(value) is not None:
            if has_word(fold(text.partition(",")[2]), _PARTIAL):
                return None
            words.append("vv")
            values.append((value.replace("/", "-"), text))
        else:
            return None
    if len(values) > 1:
        return None
    raw, note = values[0] if values else ("", "")
    return " ".join(words), raw, _VALUE.sub("", note, count=1).strip(" ,;:"), said


def _ends(value: str) -> tuple[int, int] | None:
    """Return the two ends of a byte's range, None where it is not one marked range."""
    found = spans(value.replace("/", "-"))
    if len(found) != 1 or not found[0].is_range or found[0].base != "hex":
        return None
    ends = found[0].values("hex")
    return ends[0], ends[-1]


def _covered(listing: Listing, text: str) -> str | None:
    """Return what is said of a checksum, the bytes it covers named by the byte before them.

    Returns None where the bytes it names do not run up to the checksum.
    """
    match = _SPAN.search(text)
    if match is None:
        return text
    first, last = int(match[1]), int(match[2] or match[1])
    if last != len(listing.items) - 2 or not 3 <= first <= last:
        return None
    return f"{text[: match.start()]}{text[match.end() :]}, after {listing.items[first - 2][1]}"
