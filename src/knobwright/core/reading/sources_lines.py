"""Printed lines: cells, frames, blocks between blank lines, and the headings that frames mark."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import NamedTuple

from knobwright.core.reading.sources_chars import BARS, fold

MAX_LINE_CHARS = 100_000
MAX_ROWS = 100_000
MAX_CELLS = 1_000

_FRAME = re.compile(r"[-=_+*#~|:. \t\u2500-\u257f\u2010-\u2015\u2212\uff5c\uff1d\uff0d\u30fc]+\Z")
_RULE = re.compile(
    r"([-=_*#~\u2500-\u257f\u2010-\u2015\u2212\uff1d\uff0d\u30fc])\1\1|\+-+\+|[\u2500-\u257f]{3}"
)
_DECORATED = re.compile(r"([=*#~-])\1\1* +(\S(?:.*\S)?) +\1+\Z")


_SECTION = re.compile(r"(?:[A-Z]\.?)?\d{1,2}(?:\.\d{1,2})*[.)]?\Z")
_LETTERS = re.compile(r"[^\W\d_]{3}")


class Cell(NamedTuple):
    """One text of a line with the columns at which it starts and ends."""

    start: int
    end: int
    text: str


class Line(NamedTuple):
    """One printed line: its number, cells, and what was seen of frames and separators."""

    number: int
    cells: tuple[Cell, ...]
    raw: str
    is_frame: bool
    n_bars: int
    n_tabs: int


def is_frame(text: str) -> bool:
    """Return whether a line is nothing but a ruled line or the border of a table."""
    return bool(_FRAME.match(text) and _RULE.search(text))


def blocks(lines: Iterable[Line]) -> Iterator[list[Line]]:
    """Yield runs of lines between blank ones; a blank line right under a ruled header is no end."""
    block: list[Line] = []
    for line in lines:
        if line.is_frame or line.cells:
            block.append(line)
        elif line.n_bars:
            continue  # an empty row inside a framed table
        elif block and not _is_header_only(block):
            yield block
            block = []
    if block:
        yield block


def parts(block: list[Line]) -> Iterator[list[Line]]:
    """Yield the parts of a block that are framed by bars, and those between them."""
    kinds = [_is_grid(line) for line in block]
    if sum(kinds) < 2 or all(
        kind or line.is_frame for kind, line in zip(kinds, block, strict=True)
    ):
        yield block
        return
    start = 0
    for i in range(1, len(block) + 1):
        ends = i == len(block) or (kinds[i] is not kinds[start] and not block[i].is_frame)
        if ends:
            yield block[start:i]
            start = i


def _is_header_only(block: Sequence[Line]) -> bool:
    texts = [line for line in block if line.cells]
    if not block[-1].is_frame or len(texts) != 1 or len(texts[0].cells) < 2:
        return False
    return not _is_numbered(texts[0])


def heading(block: Sequence[Line]) -> tuple[str, int] | None:
    """Return (title, number of lines used) where ``block`` begins with a marked heading.

    Marked are: a lone text underlined by a frame line, and ``== text ==``.
    """
    line = block[0]
    if line.is_frame:
        # A frame line above a lone title is part of it, if another frame closes it.
        if (
            len(block) > 2
            and len(block[1].cells) == 1
            and block[2].is_frame
            and not block[1].n_bars
        ):
            return None if len(block) > 3 and _is_grid(block[3]) else (block[1].cells[0].text, 3)
        return None
    if line.n_bars == 0 and (found := _DECORATED.match(line.raw.strip())):
        return fold(found.group(2)), 1
    underlined = len(block) > 1 and block[1].is_frame and "+" not in block[1].raw
    if underlined and line.n_bars == 0 and (len(line.cells) == 1 or _is_numbered(line)):
        return " ".join(cell.text for cell in line.cells), 2
    return None


def _is_numbered(line: Line) -> bool:
    """Return whether a line is a title behind its section number: ``2.1   Effects``."""
    texts = [cell.text for cell in line.cells]
    return len(texts) == 2 and bool(_SECTION.match(texts[0])) and bool(_LETTERS.search(texts[1]))


def _is_grid(line: Line) -> bool:
    text = line.raw.strip()
    return line.n_bars > 1 or (line.n_bars == 1 and (text[0] in BARS or text[-1] in BARS))


def n_header_lines(block: Sequence[Line]) -> int:
    """Return how many lines above the first inner frame line make a header (1 to 3), or 0."""
    start = 0
    while start < len(block) and block[start].is_frame:
        start += 1
    stop = start
    while stop < len(block) and not block[stop].is_frame:
        stop += 1
    has_body = any(line.cells for line in block[stop:])
    n_lines = stop - start
    is_wide = all(len(line.cells) > 1 or line.n_bars for line in block[start : start + 1])
    return n_lines if 1 <= n_lines <= 3 and has_body and is_wide else 0
