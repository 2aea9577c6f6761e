"""Tables printed side by side on one page row, set below each other again.

``No. Name Range   No. Name Range``: where a header row names the same columns two or three
times, each row below holds as many entries. They are read as if printed in one column, places
kept.
"""

from __future__ import annotations

from knobwright.core.reading.rows import Leaflet, Row
from knobwright.core.reading.words import fold, header_role

MIN_COLUMNS = 3
"""Fewer columns in an entry are a list of names, unless the first holds a field's letter."""


def unfold(leaflet: Leaflet) -> Leaflet:
    """Return the leaflet with tables that stand side by side set below each other."""
    out: list[Row] = []
    later: list[list[Row]] = []
    cuts: tuple[int, ...] = ()
    for row in leaflet.rows:
        found = _repeats(row)
        ends = not any(c.strip() for c in row.cells) or (out and row.page != out[-1].page)
        if cuts and (found or ends):
            out.extend(r for rows in later for r in rows)
            cuts, later = (), []
        if found:
            cuts, later = found, [[] for _ in found[1:]]
        if not cuts:
            out.append(row)
            continue
        first, *others = _parts(row, cuts)
        if first.cells:
            out.append(first)
        for rows, part in zip(later, others, strict=True):
            if part.cells:
                rows.append(part)
    out.extend(r for rows in later for r in rows)
    return leaflet._replace(rows=tuple(out))


def _repeats(row: Row) -> tuple[int, ...]:
    """Return the positions at which the entries of a repeated header begin, if it is one."""
    if not row.columns or len(row.cells) < 4:
        return ()
    names = [fold(c).strip(" .") for c in row.cells]
    for n in (2, 3):
        size = len(names) // n
        if size * n != len(names) or size < 2 or (size < MIN_COLUMNS and not _numbers(names[0])):
            continue
        same = all(names[k] == names[k % size] for k in range(len(names)))
        known = sum(map(bool, map(header_role, names))) > size or size < MIN_COLUMNS
        if same and len(set(names[:size])) == size and known:
            return tuple(row.columns[k * size] for k in range(n))
    return ()


def _numbers(name: str) -> bool:
    """Return whether a column's name says that it holds controllers' or parameters' numbers."""
    letter = len(name) in (1, 2) and name.isalpha() and name not in ("no", "nr", "pc")
    return letter or header_role(name) in ("cc", "nrpn", "address")


def _parts(row: Row, cuts: tuple[int, ...]) -> list[Row]:
    """Return a row cut at positions, each part a row of the same place."""
    out: list[Row] = []
    for k, start in enumerate(cuts):
        stop = cuts[k + 1] if k + 1 < len(cuts) else 1 << 30
        low = 0 if k == 0 else start - 3
        high = stop - 3 if stop < 1 << 30 else stop
        chosen = [
            (c, at) for c, at in zip(row.cells, row.columns, strict=False) if low <= at < high
        ]
        out.append(
            row._replace(cells=tuple(c for c, _ in chosen), columns=tuple(at for _, at in chosen))
        )
    return out
