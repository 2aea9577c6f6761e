"""Which program and drum key of the module stands for which of the song: the user's table.

``NAME.mapping.toml`` is described in ``docs/reference/mapping.md``. Nothing but what stands in the
table is ever put in another's place.
"""

from __future__ import annotations

from collections.abc import Mapping as Dict
from typing import Any, NamedTuple, TypeVar

from msgspec import Struct

from knobwright.core.codec.names import fold
from knobwright.core.fitting.programs import Bank, Choice, Names
from knobwright.core.sheet.faults import FAULT, Fault, Findings, refusal
from knobwright.core.sheet.places import Path, Places
from knobwright.core.sheet.shape import Key, anything, table, tables, text, whole, wholes
from knobwright.core.sheet.walk import Tree
from knobwright.core.surface.tree import parse, walk

K = TypeVar("K")

#: Table name to its keys. To add one, add it here, read it below, and describe it in the reference.
TABLES: dict[str, dict[str, Key]] = {
    "": {
        "format": Key(whole(1, 1), required=True),
        "names": Key(table, inner="names"),
        "program": Key(tables, inner="program"),
        "drum": Key(tables, inner="drum"),
    },
    "names": {"from": Key(text), "to": Key(text)},
    "program": {
        "from": Key(anything, required=True),
        "to": Key(anything, required=True),
        "channels": Key(wholes(1, 16)),
        "note": Key(text),
    },
    "drum": {
        "from": Key(anything, required=True),
        "to": Key(anything, required=True),
        "note": Key(text),
    },
}


class ProgramRow(NamedTuple):
    """One program stands for another.

    ``bank`` is that of the song's program, ``None`` for any bank. ``channels`` (1 to 16) may be
    empty: all but drum channels.
    """

    number: int
    bank: Bank | None
    to: Choice
    channels: tuple[int, ...] = ()


class Mapping(Struct, frozen=True):
    """The table: rows for programs in the order of the file, and drum keys."""

    programs: tuple[ProgramRow, ...] = ()
    drums: dict[int, int] = {}

    def program(self, choice: Choice, channel: int, *, is_drums: bool = False) -> Choice | None:
        """Return what stands for a program on a channel (1 to 16), or ``None``.

        A row with the very bank goes before one for any bank, one with the channel before one for
        all; a drum channel must be named.
        """
        best, rank = None, (-1, -1)
        for row in self.programs:
            if row.number != choice.number or row.bank not in (None, choice.bank):
                continue
            if channel not in row.channels if row.channels else is_drums:
                continue
            mine = (row.bank is not None, bool(row.channels))
            if mine > rank:
                best, rank = row.to, mine
        return best

    def back(self) -> tuple[Mapping, tuple[str, ...]]:
        """Return the table the other way round, and in words what can't be told apart that way.

        Where several stand for one, the first row counts on the way back.
        """
        rows: dict[tuple[Choice, tuple[int, ...]], ProgramRow] = {}
        lost = []
        for row in self.programs:
            name = (row.to, row.channels)
            source = Choice(row.number, row.bank or (0, 0))
            if name in rows:
                kept = rows[name].to.words()
                lost.append(f"{row.to.words()} goes back to {kept}, not to {source.words()}")
            else:
                rows[name] = ProgramRow(row.to.number, row.to.bank, source, row.channels)
        drums: dict[int, int] = {}
        for key, to in self.drums.items():
            if to in drums:
                lost.append(f"drum key {to} goes back to {drums[to]}, not to {key}")
            drums.setdefault(to, key)
        return Mapping(tuple(rows.values()), drums), tuple(lost)


class CheckedMapping(Struct, frozen=True):
    """The outcome: the table (``None`` with faults) and every fault with its line."""

    name: str
    mapping: Mapping | None
    faults: tuple[Fault, ...] = ()

    def require(self) -> Mapping:
        """Return the table.

        Raises
        ------
        SheetError
            It has faults; all of them are in ``faults``.
        """
        if self.mapping is not None:
            return self.mapping
        raise refusal(self.name, self.faults, "docs/reference/mapping.md describes the format")


def check_mapping(text: str, source: Names, target: Names, *, name: str = "") -> CheckedMapping:
    """Return a table's records, or every fault that it has.

    Parameters
    ----------
    text : str
        TOML.
    source : Names
        What programs and drum keys are called behind ``from``: those of General MIDI as a rule.
    target : Names
        The module's.
    name : str
        What to call it in messages: its path.
    """
    tree, syntax = parse(text, "the mapping")
    if syntax is not None:
        return CheckedMapping(name, None, (syntax,))
    findings = Findings(Places(text))
    good = walk(tree, TABLES, findings)
    reader = _Reader(source, target, findings)
    programs = reader.programs(good)
    drums = reader.drums(good)
    found = findings.of(FAULT)
    return CheckedMapping(name, None if found else Mapping(programs, drums), found)


class _Reader:
    """Reads the rows; reports what is no program or key."""

    def __init__(self, source: Names, target: Names, findings: Findings) -> None:
        self._source, self._target, self._findings = source, target, findings

    def programs(self, tree: Tree) -> tuple[ProgramRow, ...]:
        out: list[ProgramRow] = []
        seen: dict[tuple[object, ...], int] = {}
        for i, row in enumerate(tree.get("program", [])):
            path: Path = ("program", i)
            channels = tuple(sorted(set(row.get("channels", ()))))
            drums = any(self._target.is_drums(channel) for channel in channels)
            source = self._choice(row.get("from"), self._source, (*path, "from"), drums, True)
            to = self._choice(row.get("to"), self._target, (*path, "to"), drums, False)
            if source is None or to is None:
                continue
            number, bank = source
            first = seen.setdefault((number, bank, channels), i)
            if first != i:
                self._findings.fault(path, f"row {first + 1} maps the same program already")
            out.append(ProgramRow(number, bank, Choice(to[0], to[1] or (0, 0)), channels))
        return tuple(out)

    def drums(self, tree: Tree) -> dict[int, int]:
        out: dict[int, int] = {}
        for i, row in enumerate(tree.get("drum", [])):
            key = self._key(row.get("from"), self._source, ("drum", i, "from"), False)
            to = self._key(row.get("to"), self._target, ("drum", i, "to"), True)
            if key is None or to is None:
                continue
            if key in out:
                self._findings.fault(("drum", i), f"key {key} is mapped already, to {out[key]}")
            out.setdefault(key, to)
        return out

    def _choice(
        self, value: Any, names: Names, path: Path, drums: bool, any_bank: bool
    ) -> tuple[int, Bank | None] | None:
        """Return number and bank (``None`` where none is said) of what a row names."""
        if value is None:
            return None  # it is missing, or of the wrong kind: that is said already
        rows = names.sheet.kits if drums else names.sheet.program
        if isinstance(value, str):
            called = {(r.number, r.bank): r.name for r in rows}
            found = self._by_name(value, called, path, "program")
            return None if found is None else (found[0], None if any_bank else found[1])
        number, bank = self._numbers(value, path)
        if number is None:
            return None
        there = {(r.number, r.bank) for r in rows}
        if not any_bank and there and (number, bank or (0, 0)) not in there:
            words = Choice(number, bank or (0, 0)).words()
            hint = "name one of the list, or a bank: { number = 1, bank = [1, 0] }"
            self._findings.fault(path, f"the module's list has no {words}", hint)
            return None
        return number, bank

    def _numbers(self, value: Any, path: Path) -> tuple[int | None, Bank | None]:
        number, bank = value, None
        if isinstance(value, dict) and set(value) <= {"number", "bank"}:
            number, pair = value.get("number"), value.get("bank")
            if pair is not None:
                good = isinstance(pair, list) and len(pair) == 2 and all(
                    isinstance(b, int) and not isinstance(b, bool) and 0 <= b < 128 for b in pair
                )  # fmt: skip
                if not good:
                    self._findings.fault(path, "a bank is two numbers from 0 to 127: [high, low]")
                    return None, None
                bank = (pair[0], pair[1])
        if isinstance(number, bool) or not isinstance(number, int) or not 0 <= number <= 128:
            words = "a program is a printed number, a name, or { number = 1, bank = [0, 0] }"
            self._findings.fault(path, words)
            return None, None
        return number, bank

    def _key(self, value: Any, names: Names, path: Path, must_exist: bool) -> int | None:
        if value is None:
            return None
        called = {key: name for kit in names.sheet.kits for key, name in kit.names.items()}
        if isinstance(value, str):
            return self._by_name(value, called, path, "drum")
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= 127:
            self._findings.fault(path, "a drum is a key number from 0 to 127, or a name")
            return None
        if must_exist and called and value not in called:
            self._findings.fault(path, f"the module's kits have no drum on key {value}")
            return None
        return value

    def _by_name(self, value: str, called: Dict[K, str], path: Path, what: str) -> K | None:
        """Return what a name means: all of it, in any case and spelling of its signs."""
        wanted = fold(value)
        hits = [place for place, name in called.items() if fold(name) == wanted != ""]
        if len(hits) == 1:
            return hits[0]
        if hits:
            hint = f"say the number instead: {', '.join(map(str, hits[:4]))}"
            self._findings.fault(path, f"{value!r} is the name of {len(hits)} {what}s", hint)
        else:
            known = list(called.values())
            hint = self._findings.close(value, known, f"{len(known)} {what}s have names")
            self._findings.fault(path, f"no {what} is called {value!r}", hint)
        return None
