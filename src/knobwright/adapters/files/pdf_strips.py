"""Cells that stand close together: parted where the lines above and below have a column."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise
from statistics import median
from typing import NamedTuple

from knobwright.adapters.files.pdf_glyphs import Glyph

_LEAST_GAP = 0.4  # of the type size: word gaps are 0.2 to 0.3 in most faces, 0.6 in typewriter ones
_WIDER = 1.5  # than the line's other gaps, so that typewriter and justified text stay whole
_WORD_GAP = 0.16
_NEAR = 0.15  # how exactly a cell must stand under another one
_N_LINES = 4  # lines above or below that are looked at
_N_CELLS = 2  # of which so many must have a cell starting there,
_N_GAPS = 3  # or so many, above and below, a gap as wide


class Strip(NamedTuple):
    """A line before its text is put together: baseline, size, and glyphs gathered by cell."""

    y: float
    size: float
    groups: list[list[Glyph]]


def split_at_columns(strips: Sequence[Strip]) -> None:
    """Part cells that a narrow gap divides, where neighbouring lines show a column.

    That is where two of the lines beside have a cell starting at the same place, or three of them
    have a gap there that is as wide. Goes down the page and up again, so that one row with wide
    gaps serves all rows of its table.
    """
    usual = median([gap for strip in strips for gap in _word_gaps(strip)] or [0.25])
    wide = {id(strip): _wide_gaps(strip, usual) for strip in strips}
    for order in (strips, strips[::-1]):
        for index, strip in enumerate(order):
            if not wide[id(strip)]:
                continue
            before = order[max(0, index - _N_LINES) : index]
            near = [*before, *order[index + 1 : index + 1 + _N_LINES]]
            starts = [[group[0].x0 for group in other.groups[1:]] for other in before]
            gaps = [wide[id(other)] for other in near]
            columns = [
                x
                for x in wide[id(strip)]
                if _n_agreeing(x, starts, _NEAR * strip.size) >= _N_CELLS
                or _n_agreeing(x, gaps, _NEAR * strip.size) >= _N_GAPS
            ]
            if columns:
                _split(strip, frozenset(columns))


def _split(strip: Strip, columns: frozenset[float]) -> None:
    """Part the groups of one line before the glyphs that start at ``columns``."""
    groups: list[list[Glyph]] = []
    for group in strip.groups:
        part = [group[0]]
        for glyph in group[1:]:
            if glyph.x0 in columns:
                groups.append(part)
                part = []
            part.append(glyph)
        groups.append(part)
    strip.groups[:] = groups


def _wide_gaps(strip: Strip, usual: float) -> list[float]:
    """Return where the words start that stand further apart than the other words of the line."""
    own = list(_word_gaps(strip))
    least = max(_LEAST_GAP, _WIDER * (median(own) if len(own) > 2 else usual)) * strip.size
    found = []
    for group in strip.groups:
        widths = [glyph.x1 - glyph.x0 for glyph in group]
        is_even = max(widths) - min(widths) < 0.02 * strip.size
        # In typewriter faces a blank is as wide as any character.
        needed = max(least, _WIDER * max(widths)) if is_even else least
        found += [right.x0 for left, right in pairwise(group) if right.x0 - left.x1 >= needed]
    return found


def _n_agreeing(x: float, starts: Sequence[Sequence[float]], near: float) -> int:
    return sum(any(abs(x - start) <= near for start in line) for line in starts)


def _word_gaps(strip: Strip) -> Iterable[float]:
    """Yield the gaps between the words of a line, as parts of its type size."""
    for group in strip.groups:
        for left, right in pairwise(group):
            gap = (right.x0 - left.x1) / strip.size
            if gap > _WORD_GAP:
                yield gap
