"""Find what no receiver could tell apart: two lines that the same bytes fit."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from knobwright.core.codec.match import (
    DATA_CONTROLLERS,
    SELECTORS,
    Entry,
    Pattern,
    Target,
    control_entries,
    patterns_of,
)
from knobwright.core.sheet import words as w
from knobwright.core.sheet.records import Parameter, When
from knobwright.core.sheet.words import Cell


class Clash(NamedTuple):
    """Two targets that the same bytes fit; ``bytes_words`` says which bytes."""

    first: Target
    second: Target
    bytes_words: str


def not_invertible(target: Target) -> str:
    """Say why a line of control changes has no way back, or return an empty string."""
    line = target.template.line
    for message in line.messages:
        if message[0].fixed & 0xF0 == 0xB0 and message[1].kind != w.FIXED:
            return "the line can't be inverted: its controller number is a field"
    entries = list(control_entries(target))
    numbers = {m[1].fixed for m in line.messages if m[0].fixed & 0xF0 == 0xB0}
    taken = numbers & (SELECTORS.keys() | DATA_CONTROLLERS)
    if entries and entries[0][0] is not None:
        return ""
    if taken:
        return (
            f"the line can't be inverted: controller {min(taken)} selects or sets other parameters "
            "(RPN and NRPN need both halves of their number and then 6, 38, 96 or 97)"
        )
    return ""


def clashes(targets: Iterable[Target], bank_controllers: frozenset[int]) -> Iterator[Clash]:
    """Yield every pair of targets that the same bytes fit, each pair once."""
    plain: dict[int, list[Entry]] = {}
    selected: dict[tuple[str, int, int], list[Entry]] = {}
    patterns: dict[tuple[int, int], dict[int, list[Pattern]]] = {}
    for target in targets:
        entries = list(control_entries(target))
        for selection, entry in entries:
            if selection is not None:
                selected.setdefault(selection, []).append(entry)
                continue
            for number, _ in entry.data:
                plain.setdefault(number, []).append(entry)
                if number in bank_controllers:
                    yield Clash(target, target, f"controller {number} chooses the bank")
        if not entries:
            *_, last = patterns_of(target)
            by_fixed = patterns.setdefault((last.length, last.mask), {})
            by_fixed.setdefault(last.fixed, []).append(last)
    seen: set[tuple[int, int]] = set()
    for clash in (*_entry_clashes(plain, selected), *_pattern_clashes(patterns)):
        pair = (id(clash.first.template), id(clash.second.template))
        if pair not in seen:
            seen.add(pair)
            yield clash


def _entry_clashes(
    plain: dict[int, list[Entry]], selected: dict[tuple[str, int, int], list[Entry]]
) -> Iterator[Clash]:
    for number, entries in plain.items():
        for a, b in _pairs(entries):
            if _entries_clash(a, b):
                yield Clash(a.target, b.target, f"controller {number} ({number:02X})")
    for (kind, high, low), entries in selected.items():
        for a, b in _pairs(entries):
            if _entries_clash(a, b):
                yield Clash(a.target, b.target, f"{kind} {high:02X} {low:02X}")


def _pairs(entries: list[Entry]) -> Iterator[tuple[Entry, Entry]]:
    for i, a in enumerate(entries):
        for b in entries[i + 1 :]:
            yield a, b


def _entries_clash(a: Entry, b: Entry) -> bool:
    if _same_owner(a.target, b.target) or _exclusive_conditions(a.target, b.target):
        return False
    if not any(x >= 0 and y >= 0 for x, y in zip(a.channels, b.channels, strict=True)):
        return False
    if not a.data or not b.data:
        return True
    ours, theirs = dict(a.data), dict(b.data)
    shared = ours.keys() & theirs.keys()
    if not shared:
        return False
    cells = [(ours[n], theirs[n]) for n in sorted(shared)]
    if all(_owner(a.target, x) == _owner(b.target, y) for x, y in cells):
        return False
    return not _told_apart(a.target, b.target, cells)


def _same_owner(a: Target, b: Target) -> bool:
    return a.name == b.name and a.is_request == b.is_request


def _owner(target: Target, cell: Cell) -> tuple[object, ...]:
    """Return what a byte sets: the parameter and bits, or the fixed byte."""
    if cell.kind == w.FIXED:
        return ("", cell.fixed)
    name = target.name if cell.kind == w.VALUE else cell.name
    return (name, cell.high, cell.low) if cell.kind in (w.VALUE, w.OTHER) else (cell.kind, cell.name)


def _told_apart(a: Target, b: Target, cells: list[tuple[Cell, Cell]]) -> bool:
    """Return whether some byte has no value that both could have."""
    if any(not _bytes_of(a, x) & _bytes_of(b, y) for x, y in cells):
        return True
    same_layout = a.template.line.slices == b.template.line.slices
    if not (same_layout and a.parameter and b.parameter):
        return False
    if a.parameter.coding != b.parameter.coding or a.parameter.type or b.parameter.type:
        return False
    return not any(
        low <= other_high and other_low <= high
        for low, high in a.parameter.ranges
        for other_low, other_high in b.parameter.ranges
    )


def _bytes_of(target: Target, cell: Cell) -> frozenset[int]:
    """Return the values that a byte can have."""
    if cell.kind == w.FIXED:
        return frozenset((cell.fixed,))
    if cell.kind == w.MAP:
        return frozenset(cell.fixed | value for value in target.template.map_of(cell.name).values)
    every = frozenset(cell.fixed | value for value in range((~cell.mask & 0xFF) + 1))
    parameter = target.parameter
    whole = cell.kind == w.VALUE and cell.low == 0 and parameter is not None
    if not whole or parameter is None or parameter.coding != "plain":
        return every
    if parameter.ranges[-1][1] > (~cell.mask & 0xFF):
        return every
    return frozenset(v for v in every if parameter.allows(v & ~cell.mask))


def _pattern_clashes(
    patterns: dict[tuple[int, int], dict[int, list[Pattern]]],
) -> Iterator[Clash]:
    groups = list(patterns.items())
    for i, ((length, mask), by_fixed) in enumerate(groups):
        for rows in by_fixed.values():
            for j, a in enumerate(rows):
                for b in rows[j + 1 :]:
                    yield from _clash_of(a, b)
        for (other_length, other_mask), others in groups[i + 1 :]:
            if length != other_length:
                continue
            common = mask & other_mask
            index: dict[int, list[Pattern]] = {}
            for fixed, rows in by_fixed.items():
                index.setdefault(fixed & common, []).extend(rows)
            for fixed, rows in others.items():
                for a in index.get(fixed & common, ()):
                    for b in rows:
                        yield from _clash_of(a, b)


def _clash_of(a: Pattern, b: Pattern) -> Iterator[Clash]:
    if _same_owner(a.target, b.target) or _exclusive_conditions(a.target, b.target):
        return
    if a.data_at >= 0 and b.data_at >= 0 and _sizes_differ(a.target, b.target):
        return
    if (a.data_at >= 0) != (b.data_at >= 0):
        return
    ours, theirs = a.target.template.line.messages, b.target.template.line.messages
    pairs = (
        list(zip(ours, theirs, strict=True)) if len(ours) == len(theirs) else [(ours[-1], theirs[-1])]
    )
    cells = [cell_pair for x, y in pairs for cell_pair in zip(_bytes(x), _bytes(y), strict=False)]
    if any(len(_bytes(x)) != len(_bytes(y)) for x, y in pairs):
        return
    if any(x.mask & y.mask & (x.fixed ^ y.fixed) for x, y in cells):
        return
    if all(_owner(a.target, x) == _owner(b.target, y) for x, y in cells):
        if a.target.parameter and b.target.parameter and _has_other(cells):
            return
    if _told_apart(a.target, b.target, cells):
        return
    line = str(b.target.template.line)
    yield Clash(a.target, b.target, line)


def _has_other(cells: list[tuple[Cell, Cell]]) -> bool:
    return any(w.OTHER in (x.kind, y.kind) for x, y in cells)


def _bytes(message: tuple[Cell, ...]) -> list[Cell]:
    return [cell for cell in message for _ in range(max(cell.n_bytes, 1))]


def _sizes_differ(a: Target, b: Target) -> bool:
    sizes = [t.block.size if t.block else None for t in (a, b)]
    return None not in sizes and sizes[0] != sizes[1]


def _exclusive_conditions(a: Target, b: Target) -> bool:
    """Return whether the two can never both be in effect: a common condition, no common value."""
    if a.parameter is None or b.parameter is None:
        return False
    theirs = {when.key: when for when in b.parameter.when}
    return any(_disjoint(when, theirs.get(when.key)) for when in a.parameter.when)


def _disjoint(ours: When, theirs: When | None) -> bool:
    return theirs is not None and not set(ours.values) & set(theirs.values)


def depends_on(parameter: Parameter) -> frozenset[str]:
    """Return the keys of the parameters that a parameter refers to."""
    keys = {when.key for when in parameter.when}
    for route in parameter.routes:
        keys.update(route.template.line.others)
    return frozenset(keys)
