"""Find what no receiver could tell apart: two lines that the same bytes fit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence, Set
from itertools import combinations, islice

from msgspec import Struct

from knobwright.core.codec.match import (
    DATA_CONTROLLERS,
    NULL,
    SELECTORS,
    Entry,
    Pattern,
    Target,
    control_entries,
    patterns_of,
)
from knobwright.core.codec.packings import PACKINGS
from knobwright.core.sheet import words as w
from knobwright.core.sheet.records import Module, Parameter, Programs, When
from knobwright.core.sheet.words import Cell

#: How many pairs of lines are compared in one check; only lines that share bytes are.
MAX_COMPARISONS = 200_000


class Clash(Struct, frozen=True):
    """Two targets that the same bytes fit; ``bytes_words`` says which bytes.

    With ``second`` the same target as ``first`` it is a line that chooses a program or bank.
    """

    first: Target
    second: Target
    bytes_words: str


#: What a target's control changes are, by what selects them; empty for any other target.
Entries = list[tuple[tuple[str, int, int] | None, Entry]]


def not_invertible(target: Target, entries: Entries) -> str:
    """Say why a line has no way back by itself, or return an empty string."""
    line = target.template.line
    for message in line.messages:
        if message[0].fixed & 0xF0 == 0xB0 and message[1].kind != w.FIXED:
            return "the line can't be inverted: its controller number is a field"
    if entries and entries[0][0] is not None:
        if any(selection and selection[1:] == NULL and e.data for selection, e in entries):
            return "the line can't be inverted: 7F 7F selects nothing, so no data can follow it"
        return ""
    numbers = {m[1].fixed for m in line.messages if m[0].fixed & 0xF0 == 0xB0}
    taken = numbers & (SELECTORS.keys() | DATA_CONTROLLERS)
    if taken:
        return (
            f"the line can't be inverted: controller {min(taken)} selects or sets other parameters "
            "(RPN and NRPN need both halves of their number and then 6, 38, 96 or 97)"
        )
    return "" if entries else _same_messages(target)


def _same_messages(target: Target) -> str:
    """Say which messages of one line can be mistaken for each other, if they carry anything."""
    parts = list(islice(patterns_of(target), 64))
    for a, b in combinations(parts, 2):
        same = a.length == b.length and not (a.fixed ^ b.fixed) & a.mask & b.mask
        cells = target.template.line.messages[a.part]
        if same and any(cell.kind in _SAYS for cell in cells):
            return (
                f"the line can't be inverted: its messages {a.part + 1} and {b.part + 1} can't be "
                "told apart"
            )
    return ""


#: Kinds of cells that carry something to read.
_SAYS = frozenset({w.VALUE, w.OTHER, w.KEY, w.CHANNEL, w.MAP, w.RUN})


class Clashes:
    """Looks for clashes among all targets of a sheet.

    Each pair is found once, and of many lines with the same bytes each is named with the first
    only. ``not_invertible`` are the lines that have no way back by themselves, and why.
    ``asked`` are the names of targets with an open question, which clash without being named.
    ``is_complete`` is false where there were too many lines to compare all that share bytes.
    """

    def __init__(
        self,
        targets: Iterable[Target],
        module: Module,
        programs: Programs | None,
        asked: Set[str] = frozenset(),
    ) -> None:
        self.found: list[Clash] = []
        self.not_invertible: list[tuple[Target, str]] = []
        self.is_complete = True
        self._left = MAX_COMPARISONS
        self._seen: set[tuple[int, int]] = set()
        self._reported: set[int] = set()
        self._asked = asked
        self._devices = tuple(module.device_ids)
        self._plain: dict[int, list[Entry]] = {}
        self._selected: dict[tuple[str, int, int], list[Entry]] = {}
        self._patterns: dict[tuple[int, int], dict[int, list[Pattern]]] = {}
        self._dumps: list[Pattern] = []
        for target in targets:
            self._sort(target)
            self._chooses(target, programs)
        self._search()

    def _sort(self, target: Target) -> None:
        entries = list(control_entries(target))
        if why := not_invertible(target, entries):
            self.not_invertible.append((target, why))
        for selection, entry in entries:
            if selection is not None:
                self._selected.setdefault(selection, []).append(entry)
                continue
            for number, _ in entry.data:
                self._plain.setdefault(number, []).append(entry)
        if entries:
            return
        *_, last = patterns_of(target)
        if last.data_at >= 0:
            self._dumps.append(last)
        else:
            by_fixed = self._patterns.setdefault((last.length, last.mask), {})
            by_fixed.setdefault(last.fixed, []).append(last)

    def _chooses(self, target: Target, programs: Programs | None) -> None:
        """Report a line that no receiver could tell from the choice of a program."""
        if programs is None:
            return
        banks = {m[1].fixed for m in programs.template.line.messages if len(m) > 2}
        for message in target.template.line.messages:
            status = message[0].fixed & 0xF0
            if status == 0xC0:
                self.found.append(Clash(target, target, "a program change chooses a program"))
            elif status == 0xB0 and message[1].fixed in banks:
                words = f"controller {message[1].fixed} chooses the bank"
                self.found.append(Clash(target, target, words))

    def _search(self) -> None:
        for number, entries in self._plain.items():
            self._entries(entries, f"controller {number} ({number:02X})")
        for (kind, high, low), entries in self._selected.items():
            self._entries(entries, f"{kind} {high:02X} {low:02X}")
        groups = list(self._patterns.items())
        for i, ((length, mask), by_fixed) in enumerate(groups):
            for rows in by_fixed.values():
                self._rows(rows)
            for (other_length, other_mask), others in islice(groups, i):
                if not self._may((len(by_fixed) + len(others)) // 16 + 1):
                    return
                if length == other_length:
                    self._across(others, by_fixed, mask & other_mask)
        every = [p for _, by_fixed in groups for rows in by_fixed.values() for p in rows]
        self._lengths(every)
        self._controllers([p for p in every if p.length == 3])

    def _may(self, cost: int = 1) -> bool:
        self._left -= cost
        if self._left < 0:
            self.is_complete = False
        return self.is_complete

    def _add(self, first: Target, second: Target, words: str) -> bool:
        """Note a clash; return whether it is one between two lines that the sheet must mend."""
        pair = (id(first.template), id(second.template))
        if pair not in self._seen:
            self._seen.add(pair)
            self.found.append(Clash(first, second, words))
        if _is_included(first) or _is_included(second) or {first.name, second.name} & self._asked:
            return False
        self._reported.add(id(second.template))
        return True

    def _is_reported(self, target: Target) -> bool:
        return id(target.template) in self._reported

    def _entries(self, entries: list[Entry], words: str) -> None:
        for i, b in enumerate(entries):
            for a in islice(entries, 0 if self._is_reported(b.target) else i):
                if not self._may():
                    return
                if self._entries_clash(a, b) and self._add(a.target, b.target, words):
                    break

    def _rows(self, rows: list[Pattern]) -> None:
        for i, b in enumerate(rows):
            cost = _cost(b.target)
            for a in islice(rows, 0 if self._is_reported(b.target) else i):
                if not self._may(cost):
                    return
                if self._patterns_clash(a, b) and self._add(a.target, b.target, _line(b.target)):
                    break

    def _across(
        self, ours: dict[int, list[Pattern]], theirs: dict[int, list[Pattern]], common: int
    ) -> None:
        """Compare two groups of patterns with different masks: where their common bits agree."""
        index: dict[int, list[Pattern]] = {}
        for fixed, rows in ours.items():
            index.setdefault(fixed & common, []).extend(rows)
        for fixed, rows in theirs.items():
            for b in rows:
                if self._is_reported(b.target):
                    continue
                words, cost = _line(b.target), _cost(b.target)
                for a in index.get(fixed & common, ()):
                    if not self._may(cost):
                        return
                    if self._patterns_clash(a, b) and self._add(a.target, b.target, words):
                        break

    def _controllers(self, patterns: list[Pattern]) -> None:
        """Compare control changes in sequences with those that are lines of their own."""
        for pattern in patterns:
            last = pattern.target.template.line.messages[pattern.part]
            if last[0].fixed & 0xF0 != 0xB0:
                continue
            for entry in self._plain.get(last[1].fixed, ()):
                if not self._may():
                    return
                if last[0].kind == w.FIXED and entry.channels[last[0].fixed & 0x0F] < 0:
                    continue
                cell = next(cell for number, cell in entry.data if number == last[1].fixed)
                a, b = entry.target, pattern.target
                apart = _exclusive_conditions(a, b) or self._told_apart(a, b, [(cell, last[2])])
                if not apart:
                    self._add(a, b, f"controller {last[1].fixed}")

    def _lengths(self, patterns: list[Pattern]) -> None:
        """Compare dumps with each other and with messages that could be a short dump."""
        for i, dump in enumerate(self._dumps):
            for other in islice(self._dumps, i):
                if not self._may():
                    return
                if self._dumps_clash(other, dump):
                    self._add(other.target, dump.target, _line(dump.target))
            for pattern in patterns:
                if not self._may():
                    return
                if self._fits_dump(pattern, dump):
                    self._add(pattern.target, dump.target, _line(pattern.target))

    def _fits_dump(self, pattern: Pattern, dump: Pattern) -> bool:
        """Return whether a message of fixed length could be a dump with few data bytes."""
        n_data = pattern.length - dump.length
        n_packed = _packed_bytes(dump.target)
        fits = n_data >= 0 and n_packed in (None, n_data)
        return fits and self._same_ends(pattern, dump)

    def _dumps_clash(self, a: Pattern, b: Pattern) -> bool:
        sizes = (_packed_bytes(a.target), _packed_bytes(b.target))
        lengths = {s + p.length for s, p in zip(sizes, (a, b), strict=True) if s is not None}
        return (None in sizes or len(lengths) == 1) and self._same_ends(a, b)

    def _same_ends(self, a: Pattern, b: Pattern) -> bool:
        """Return whether the bytes before and behind a dump's data could be those of a message."""
        ours = _bytes(a.target.template.line.messages[a.part])
        theirs = _bytes(b.target.template.line.messages[b.part])
        before = min(p.data_at for p in (a, b) if p.data_at >= 0)
        behind = min(p.length - p.data_at for p in (a, b) if p.data_at >= 0)
        pairs = [*zip(ours[:before], theirs[:before], strict=True)]
        pairs += zip(ours[-behind:], theirs[-behind:], strict=True)
        return all(self._bytes_of(a.target, x) & self._bytes_of(b.target, y) for x, y in pairs)

    def _entries_clash(self, a: Entry, b: Entry) -> bool:
        if not any(x >= 0 and y >= 0 for x, y in zip(a.channels, b.channels, strict=True)):
            return False
        if _exclusive_conditions(a.target, b.target):
            return False
        ours, theirs = dict(a.data), dict(b.data)
        cells = [(ours[n], theirs[n]) for n in sorted(ours.keys() & theirs.keys())]
        if _same_owner(a.target, b.target):
            return _says_otherwise(a.target, b.target, cells)
        if not ours or not theirs:
            return True
        if not cells or all(_owner(a.target, x) == _owner(b.target, y) for x, y in cells):
            return False
        return not self._told_apart(a.target, b.target, cells)

    def _patterns_clash(self, a: Pattern, b: Pattern) -> bool:
        if _exclusive_conditions(a.target, b.target):
            return False
        ours, theirs = a.target.template.line.messages, b.target.template.line.messages
        same = len(ours) == len(theirs)
        pairs = list(zip(ours, theirs, strict=True)) if same else [(ours[-1], theirs[-1])]
        cells: list[tuple[Cell, Cell]] = []
        for x, y in pairs:
            left, right = _bytes(x), _bytes(y)
            if len(left) != len(right):
                return False
            cells += zip(left, right, strict=True)
        if any(x.mask & y.mask & (x.fixed ^ y.fixed) for x, y in cells):
            return False
        if _same_owner(a.target, b.target):
            return _says_otherwise(a.target, b.target, cells)
        has_other = any(w.OTHER in (x.kind, y.kind) for x, y in cells)
        if has_other and all(_owner(a.target, x) == _owner(b.target, y) for x, y in cells):
            return False  # the same message, told from the side of each of its parameters
        return not self._told_apart(a.target, b.target, cells)

    def _told_apart(self, a: Target, b: Target, cells: list[tuple[Cell, Cell]]) -> bool:
        """Return whether some byte has no value that both could have."""
        if any(not self._bytes_of(a, x) & self._bytes_of(b, y) for x, y in cells):
            return True
        same_layout = a.template.line.slices == b.template.line.slices
        if not (same_layout and a.parameter and b.parameter):
            return False
        if a.parameter.coding != b.parameter.coding or a.parameter.type or b.parameter.type:
            return False
        return not _overlap(a.parameter.ranges, b.parameter.ranges)

    def _bytes_of(self, target: Target, cell: Cell) -> int:
        """Return the values that a byte can have, as a number with one bit for each."""
        if cell.kind == w.FIXED:
            return 1 << cell.fixed
        every = ((1 << (~cell.mask & 0xFF) + 1) - 1) << cell.fixed
        if cell.kind == w.MAP:
            return _bits(cell.fixed | v for v in target.template.map_of(cell.name).values)
        if cell.kind == w.DEVICE:
            return _bits(cell.fixed | device & ~cell.mask & 0xFF for device in self._devices)
        parameter = target.parameter
        if cell.kind != w.VALUE or cell.low or parameter is None or parameter.coding != "plain":
            return every
        top = ~cell.mask & 0xFF
        if parameter.ranges[-1][1] > top:
            return every
        return sum(
            ((1 << high - low + 1) - 1) << low + cell.fixed for low, high in parameter.ranges
        )


def _bits(numbers: Iterable[int]) -> int:
    bits = 0
    for number in numbers:
        bits |= 1 << number
    return bits


def _is_included(target: Target) -> bool:
    return target.parameter is not None and bool(target.parameter.included)


def _same_owner(a: Target, b: Target) -> bool:
    same = a.parameter is b.parameter and a.block is b.block
    return same and a.is_request == b.is_request


def _says_otherwise(a: Target, b: Target, cells: list[tuple[Cell, Cell]]) -> bool:
    """Return whether two routes of one parameter read different things from the same byte."""
    return any(
        x.kind in _SAYS and y.kind in _SAYS and _owner(a, x) != _owner(b, y) for x, y in cells
    )


def _owner(target: Target, cell: Cell) -> tuple[object, ...]:
    """Return what a byte sets: the parameter and bits, or the fixed byte."""
    if cell.kind == w.FIXED:
        return ("", cell.fixed)
    if cell.kind in (w.VALUE, w.OTHER):
        name = target.name if cell.kind == w.VALUE else cell.name
        return (name, cell.high, cell.low)
    if cell.kind == w.MAP:
        return (cell.kind, target.template.map_of(cell.name).values)
    return (cell.kind, cell.name)


def _overlap(ours: Sequence[tuple[int, int]], theirs: Sequence[tuple[int, int]]) -> bool:
    """Return whether two lists of ascending ranges have a number in common."""
    i = j = 0
    while i < len(ours) and j < len(theirs):
        if ours[i][1] < theirs[j][0]:
            i += 1
        elif theirs[j][1] < ours[i][0]:
            j += 1
        else:
            return True
    return False


def _cost(target: Target) -> int:
    """Return how many comparisons one of this target counts for: long lines take longer."""
    return 1 + target.template.line.n_bytes // 32


def _line(target: Target) -> str:
    return str(target.template.line)


def _bytes(message: tuple[Cell, ...]) -> list[Cell]:
    return [cell for cell in message for _ in range(cell.n_bytes)]


def _packed_bytes(target: Target) -> int | None:
    """Return how many data bytes a block's dump has, where its size is given."""
    if target.block is None or target.block.size is None or target.block.packing not in PACKINGS:
        return None
    return PACKINGS[target.block.packing].packed_size(target.block.size)


def _exclusive_conditions(a: Target, b: Target) -> bool:
    """Return whether the two can never both be in effect: a common condition, no common value."""
    if a.parameter is None or b.parameter is None or not a.parameter.when:
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
