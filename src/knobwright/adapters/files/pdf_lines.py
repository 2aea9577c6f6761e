"""Characters with places to printed lines with cells."""

from __future__ import annotations

import bisect
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from knobwright.adapters.files.pdf_glyphs import RAISED, Glyph
from knobwright.adapters.files.pdf_strips import Strip, split_at_columns
from knobwright.core.reading.sources_chars import fold, lines_of
from knobwright.core.reading.sources_lines import Cell, Line
from knobwright.core.reading.sources_wrap import is_bytes

CELL_GAP = 0.8  # a gap of this many times the type size parts two cells; word gaps are 0.2 to 0.6
_WORD_GAP = 0.16
_SAME_LINE = 0.25
_SMALL = 0.85
_HEADING_CHARS = 100
_LONG_CHARS = 60  # headings are rarely longer, lines of prose mostly are


class PrintedCell(NamedTuple):
    """One text of a line with its left and right edge in points."""

    x0: float
    x1: float
    text: str


class PrintedLine(NamedTuple):
    """One printed line: baseline and size in points, its cells from left to right."""

    y: float
    size: float
    cells: tuple[PrintedCell, ...]
    is_bold: bool = False

    @property
    def text(self) -> str:
        """Return the line's text, cells parted by two blanks."""
        return "  ".join(cell.text for cell in self.cells)


class _Band:
    """A line being put together: its baseline, size and glyphs."""

    def __init__(self, y: float, size: float) -> None:
        self.y = y
        self.size = size
        self.glyphs: list[Glyph] = []


def printed_lines(glyphs: Iterable[Glyph]) -> list[PrintedLine]:
    """Return the lines of a page from top to bottom; turned ones come last."""
    turns: dict[int, list[Glyph]] = {}
    for glyph in glyphs:
        turns.setdefault(glyph.turn, []).append(glyph)
    lines: list[PrintedLine] = []
    for _, group in sorted(turns.items(), key=lambda item: -len(item[1])):
        strips = [_strip(band) for band in _bands(group)]
        split_at_columns(strips)
        lines += [line for strip in strips if (line := _line(strip)).cells]
    return lines


def _bands(glyphs: Sequence[Glyph]) -> list[_Band]:
    """Return glyphs gathered by baseline, from top to bottom; raised small ones join their line."""
    bands: list[_Band] = []
    ys: list[float] = []  # kept in order beside `bands`
    shown = [glyph for glyph in glyphs if glyph.text.strip()]  # a blank shows by its gap
    for glyph in sorted(shown, key=lambda g: (-g.size, -g.y, g.x0)):
        band = _band_for(glyph, bands, ys)
        if band is None:
            band = _Band(glyph.y, glyph.size)
            at = bisect.bisect(ys, glyph.y)
            ys.insert(at, glyph.y)
            bands.insert(at, band)
        band.glyphs.append(glyph)
    return bands[::-1]


def _band_for(glyph: Glyph, bands: Sequence[_Band], ys: Sequence[float]) -> _Band | None:
    """Return the line that a glyph stands on: the same baseline, or beside it, small and raised."""
    reach = max(glyph.size, 4.0)
    low = bisect.bisect_left(ys, glyph.y - 1.2 * reach)
    high = bisect.bisect_right(ys, glyph.y + 0.6 * reach)
    best: _Band | None = None
    for band in bands[low:high][:64]:
        off = glyph.y - band.y
        if abs(off) <= _SAME_LINE * glyph.size:
            if best is None or abs(off) < abs(glyph.y - best.y):
                best = band
        elif (
            best is None
            and glyph.size < _SMALL * band.size
            and -0.35 * band.size < off < 0.65 * band.size
            and _touches(glyph, band)
        ):
            return band
    return best


def _touches(glyph: Glyph, band: _Band) -> bool:
    """Return whether a glyph follows or precedes a glyph of the line without a word gap."""
    near = 0.3 * band.size
    return any(
        abs(glyph.x0 - other.x1) < near or abs(other.x0 - glyph.x1) < near for other in band.glyphs
    )


def _strip(band: _Band) -> Strip:
    """Return a line's glyphs from left to right, split where the gap is wide."""
    size = median(g.size for g in band.glyphs)
    groups: list[list[Glyph]] = []
    for glyph in sorted(band.glyphs, key=lambda g: (g.x0, g.x1)):
        group = groups[-1] if groups else []
        if not group or glyph.x0 - max(g.x1 for g in group[-3:]) > CELL_GAP * size:
            groups.append([glyph])
        elif not _is_double(group[-1], glyph):
            group.append(glyph)
    return Strip(band.y, size, groups)


def _line(strip: Strip) -> PrintedLine:
    cells = (cell_of(group, strip.y, strip.size) for group in strip.groups)
    is_bold = all(glyph.bold for group in strip.groups for glyph in group)
    return PrintedLine(strip.y, strip.size, tuple(cell for cell in cells if cell.text), is_bold)


def _is_double(one: Glyph, other: Glyph) -> bool:
    """Return whether a character is printed twice at one place, for boldness."""
    return one.text == other.text and abs(one.x0 - other.x0) < 0.1 * one.size


def cell_of(glyphs: Sequence[Glyph], y: float, size: float) -> PrintedCell:
    """Return one cell from its glyphs in the order of print, blanks put where words are apart."""
    parts: list[str] = []
    for index, glyph in enumerate(glyphs):
        gap = glyph.x0 - glyphs[index - 1].x1 if index else 0.0
        if gap > _WORD_GAP * size:
            parts.append(" ")
        parts.append(_as_raised(glyph.text) if _is_mark(glyphs, index, y, size) else glyph.text)
    # The text's own blanks and controls are cleaned as in any other leaflet.
    text = " ".join(lines_of("".join(parts).replace("\0", "\ufffd"), ""))
    x0, x1 = (glyphs[0].x0, max(g.x1 for g in glyphs)) if glyphs else (0.0, 0.0)
    return PrintedCell(x0, x1, fold(" ".join(text.split())))


def _is_mark(glyphs: Sequence[Glyph], index: int, y: float, size: float) -> bool:
    """Return whether a glyph is a raised digit: small and above the line, or drawn so by its font.

    A font's narrow digit counts only at the end or the start of a word, as footnote marks stand.
    """
    glyph = glyphs[index]
    if not (len(glyph.text) == 1 and glyph.text in "0123456789"):
        return False
    if all(other.text in "0123456789" for other in glyphs):
        return False  # nothing that it could be a mark of
    if glyph.size < _SMALL * size and glyph.y - y > 0.12 * size:
        return True
    if not glyph.raised:
        return False
    after = glyphs[index + 1 :]
    before = glyphs[:index][::-1]
    return _ends_word(glyph, after, size) or _ends_word(glyph, before, size)


def _ends_word(glyph: Glyph, others: Sequence[Glyph], size: float) -> bool:
    last = glyph
    for other in others[:8]:
        gap = max(other.x0 - last.x1, last.x0 - other.x1)
        if gap > _WORD_GAP * size:
            return True
        if not (other.raised or other.text in ",)*"):
            return False
        last = other
    return True


def _as_raised(text: str) -> str:
    return RAISED[int(text)]


def page_scale(lines: Sequence[PrintedLine]) -> tuple[float, float]:
    """Return (left edge, width of a column) of a page in points; a column is about a character."""
    if not lines:
        return 0.0, 5.0
    left = min(line.cells[0].x0 for line in lines)
    return left, max(1.0, 0.5 * median(line.size for line in lines))


def grid_lines(
    lines: Sequence[PrintedLine], numbers: Sequence[int], scale: tuple[float, float]
) -> list[Line]:
    """Return printed lines as lines of a grid of characters, with blank lines where gaps are wide.

    Parameters
    ----------
    lines, numbers : sequences of one length
        The lines and their row numbers.
    scale : (left edge, width of a column), points
        The grid.
    """
    if not lines:
        return []
    left, unit = scale
    gaps = [above.y - line.y for above, line in pairwise(lines)]
    out: list[Line] = []
    usual = 0.0
    for index, (line, number) in enumerate(zip(lines, numbers, strict=True)):
        if index:
            after = gaps[index] if index < len(gaps) else 0.0
            if is_break(gaps[index - 1], usual or after, line.size):
                out.append(Line(number, (), "", False, 0, 0))
                usual = 0.0
            else:
                usual = gaps[index - 1]
        cells = tuple(_grid_cell(cell, left, unit) for cell in line.cells)
        out.append(Line(number, cells, line.text, False, 0, 0))
    return out


def is_break(gap: float, usual: float, size: float) -> bool:
    """Return whether the gap above a line, in points, ends a block of lines.

    ``usual`` is the gap before it in the same block, or else the one after it.
    """
    if gap < 0 or gap > 6 * size:
        return True
    return usual > 0 and gap > max(1.9 * size, 1.5 * usual)


def heading_lines(lines: Sequence[PrintedLine]) -> set[int]:
    """Return the indices of lone texts that are set as headings.

    That is: bold where the page mostly is not, or larger than everything set in columns or in
    long lines; short, no end of a sentence, and no line of bytes.
    """
    running = [line.size for line in lines if len(line.cells) > 1 or len(line.text) > _LONG_CHARS]
    usual = max(running, default=0.0)
    n_all = sum(len(line.text) for line in lines)
    n_bold = sum(len(line.text) for line in lines if line.is_bold)
    found = set()
    for index, line in enumerate(lines):
        is_larger = usual > 0 and line.size >= 1.15 * usual
        is_bolder = line.is_bold and n_bold * 2 < n_all
        if len(line.cells) == 1 and (is_larger or is_bolder) and _is_title(line.text):
            found.add(index)
    return found


def _is_title(text: str) -> bool:
    return len(text) <= _HEADING_CHARS and text[-1] not in ".,;:" and not is_bytes(text)


def _grid_cell(cell: PrintedCell, left: float, unit: float) -> Cell:
    start = max(0, round((cell.x0 - left) / unit))
    return Cell(start, max(start + 1, round((cell.x1 - left) / unit)), cell.text)


def running_lines(pages: Sequence[Sequence[PrintedLine]]) -> list[set[int]]:
    """Return for each page the indices of its running head and foot lines.

    A line is one when it stands among the first or last two of its page, on most of at least
    three pages, with the same text but for the page's number, and holds no more than three cells.
    """
    if len(pages) < 3:
        return [set() for _ in pages]
    seen: Counter[tuple[str, str]] = Counter()
    for page in pages:
        seen.update({key for _, key in _edge_lines(page)})
    common = {key for key, n in seen.items() if n >= 3 and n * 3 >= len(pages) * 2}
    return [{index for index, key in _edge_lines(page) if key in common} for page in pages]


def _edge_lines(page: Sequence[PrintedLine]) -> list[tuple[int, tuple[str, str]]]:
    """Return (index, (edge, text without page number)) of the lines that may be running ones."""
    found = []
    for index, line in enumerate(page):
        edge = "top" if index < 2 else "bottom" if index >= len(page) - 2 else ""
        if not edge or len(line.cells) > 3:
            continue
        near = page[index + 1] if edge == "top" and index + 1 < len(page) else page[index - 1]
        is_apart = abs(near.y - line.y) > 1.5 * line.size or edge == "bottom"
        if is_apart and not _heads_columns(line, page[index + 1 : index + 4]):
            found.append((index, (edge, _without_number(line))))
    return found


def _heads_columns(line: PrintedLine, below: Sequence[PrintedLine]) -> bool:
    """Return whether a line's cells stand over those of a line below: the header of a table."""
    starts = [cell.x0 for cell in line.cells]
    return len(starts) > 1 and any(
        all(any(abs(x - cell.x0) < 0.5 * line.size for cell in other.cells) for x in starts)
        for other in below
    )


def _without_number(line: PrintedLine) -> str:
    """Return the text of a line with a page number at its start or end taken out."""
    words = line.text.split()
    for at in (0, -1):
        if words and words[at].strip("-.()[]/").isdecimal() and len(words[at]) <= 6:
            words[at] = "#"
    return " ".join(words)


def layout_lines(text: str) -> list[PrintedLine]:
    """Return pypdf's layout text as printed lines: the way out where characters can't be had."""
    lines: list[PrintedLine] = []
    for number, raw in enumerate(lines_of(text.replace("\0", "\ufffd"), "")):
        found = re.finditer(r"\S+(?: \S+)*", raw)
        cells = tuple(PrintedCell(5.0 * m.start(), 5.0 * m.end(), fold(m.group())) for m in found)
        kept = tuple(cell for cell in cells if cell.text)
        if kept:
            lines.append(PrintedLine(-12.0 * number, 10.0, kept))
    return lines
