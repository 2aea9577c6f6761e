"""What the user wants set before a song: the parts file ``NAME.parts.toml``.

The format is described in ``docs/reference/mapping.md``. Every value is worked out into messages
when the file is checked, so that what can't be sent is a fault with its line.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from msgspec import Struct

from knobwright.core.codec.names import fold
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import KnobwrightError
from knobwright.core.fitting.programs import Choice, Names
from knobwright.core.sheet.faults import FAULT, Fault, Findings, refusal
from knobwright.core.sheet.places import Path, Places
from knobwright.core.sheet.records import Raw
from knobwright.core.sheet.walk import Tree, too_large
from knobwright.core.surface.tree import parse

_TOP = ("format", "module", "keys", "part")
PROGRAM = "program"
KEYS = "keys"


class Value(Struct, frozen=True):
    """A parameter's wanted value: where it goes (``None``: not per channel, key), and messages."""

    key: str
    raw: Raw
    channel: int | None
    note: int | None
    messages: tuple[bytes, ...]
    words: str

    @property
    def place(self) -> tuple[str, int | None, int | None]:
        """Return what is set: key, channel, key number."""
        return (self.key, self.channel, self.note)


class Wanted(Struct, frozen=True):
    """All that is wanted: values in the order in which they are sent, and programs by channel."""

    values: tuple[Value, ...] = ()
    programs: dict[int, Choice] = {}


class CheckedWanted(Struct, frozen=True):
    """The outcome: what is wanted (``None`` with faults) and every fault with its line."""

    name: str
    wanted: Wanted | None
    faults: tuple[Fault, ...] = ()

    def require(self) -> Wanted:
        """Return what is wanted.

        Raises
        ------
        SheetError
            The file has faults; all of them are in ``faults``.
        """
        if self.wanted is not None:
            return self.wanted
        raise refusal(self.name, self.faults, "docs/reference/mapping.md describes the format")


def check_wanted(text: str, codec: Codec, *, name: str = "") -> CheckedWanted:
    """Return what a parts file wants, or every fault that it has.

    Parameters
    ----------
    text : str
        TOML.
    codec : Codec
        Of the module's sheet.
    name : str
        What to call it in messages: its path.
    """
    tree, syntax = parse(text, "the parts file")
    if syntax is not None:
        return CheckedWanted(name, None, (syntax,))
    findings = Findings(Places(text))
    reader = _Reader(codec, findings)
    reader.read(tree)
    wanted = reader.wanted()
    found = findings.of(FAULT)
    return CheckedWanted(name, None if found else wanted, found)


class _Given(Struct, frozen=True):
    """A value as it stands in the file, worked out to a raw one."""

    path: Path
    key: str
    raw: Raw
    channel: int | None
    note: int | None


class _Reader:
    """Reads the tree: values first, messages once all values are known."""

    def __init__(self, codec: Codec, findings: Findings) -> None:
        self._codec, self._findings = codec, findings
        self._names = Names(codec.sheet)
        self._given: dict[tuple[str, int | None, int | None], _Given] = {}
        self._programs: dict[int, Choice] = {}

    def read(self, tree: Tree) -> None:
        """Take the whole file."""
        for where, message in too_large(tree):
            self._findings.fault(where, message)
            return
        if tree.get("format") != 1:
            self._findings.fault(("format",), "format = 1 is required")
        for key in tree:
            if key not in _TOP:
                hint = self._findings.close(key, _TOP, f"known keys: {', '.join(_TOP)}")
                self._findings.fault((key,), f"there is no key {key!r} here", hint)
        self._values(self._table(tree, "module", ("module",)), ("module",), None, None)
        self._keys(self._table(tree, KEYS, (KEYS,)), (KEYS,), None)
        for number, part in self._numbered(tree, "part", ("part",), 1, 16):
            path: Path = ("part", str(number))
            if number not in self._codec.sheet.module.channels:
                self._findings.fault(path, f"the module has no channel {number}")
                continue
            if PROGRAM in part:
                self._program(part[PROGRAM], number, (*path, PROGRAM))
            self._keys(self._table(part, KEYS, (*path, KEYS)), (*path, KEYS), number)
            values = {k: v for k, v in part.items() if k not in (PROGRAM, KEYS)}
            self._values(values, path, number, None)

    def _table(self, tree: Tree, name: str, path: Path) -> Tree:
        found = tree.get(name, {})
        if isinstance(found, dict):
            return found
        self._findings.fault(path, f"{name} must be a table")
        return {}

    def _numbered(
        self, tree: Tree, name: str, path: Path, low: int, high: int
    ) -> Iterator[tuple[int, Tree]]:
        """Yield the tables of a table whose keys are numbers."""
        for key, inner in self._table(tree, name, path).items():
            number = int(key) if key.isascii() and key.isdecimal() and len(key) < 4 else -1
            if not low <= number <= high:
                words = f"[{name}.N] takes a number from {low} to {high}, not {key!r}"
                self._findings.fault((*path, key), words)
            elif not isinstance(inner, dict):
                self._findings.fault((*path, key), f"{name}.{key} must be a table")
            else:
                yield number, inner

    def _keys(self, tree: Tree, path: Path, channel: int | None) -> None:
        for number, inner in self._numbered({KEYS: tree}, KEYS, path, 0, 127):
            self._values(inner, (*path, str(number)), channel, number)

    def _values(self, tree: Tree, path: Path, channel: int | None, note: int | None) -> None:
        for name, where, value in _flat(tree, path):
            parameter = self._codec.parameters.get(name)
            if parameter is None:
                self._unknown(name, where)
                continue
            wrong = _misplaced(parameter.per, channel, note)
            if wrong:
                self._findings.fault(where, f"{name} {wrong}")
                continue
            try:
                raw = self._raw(name, value)
            except KnobwrightError as error:
                self._findings.fault(where, error.message, error.hint)
                continue
            given = _Given(where, name, raw, channel, note)
            if self._given.setdefault((name, channel, note), given) is not given:
                self._findings.fault(where, f"{name} is given twice")

    def _unknown(self, name: str, where: Path) -> None:
        try:
            hint = f"did you mean {self._codec.find(name).key!r}?"
        except KnobwrightError:
            known = list(self._codec.parameters)
            hint = self._findings.close(name, known, "knobwright params SHEET lists them")
        self._findings.fault(where, f"the sheet has no parameter {name!r}", hint)

    def _raw(self, key: str, value: Any) -> Raw:
        if isinstance(value, list) and all(isinstance(item, int) for item in value):
            return tuple(value)
        if isinstance(value, int) and not isinstance(value, bool):
            return value
        return self._codec.parse(key, value if isinstance(value, str) else str(value))

    def _program(self, value: Any, channel: int, path: Path) -> None:
        rows = (
            self._names.sheet.kits if self._names.is_drums(channel) else self._names.sheet.program
        )
        choice: Choice | None = None
        if isinstance(value, str):
            hits = [r for r in rows if fold(r.name) == fold(value) != ""]
            if len(hits) != 1:
                known = [row.name for row in rows if row.name]
                hint = self._findings.close(value, known, f"{len(known)} programs have names")
                n = f"{len(hits)} programs are" if hits else "no program is"
                self._findings.fault(path, f"{n} called {value!r}", hint)
                return
            choice = Choice(hits[0].number, hits[0].bank)
        elif isinstance(value, int) and not isinstance(value, bool):
            choice = Choice(value)
        elif isinstance(value, dict) and set(value) <= {"number", "bank"}:
            bank = value.get("bank", [0, 0])
            good = isinstance(bank, list) and len(bank) == 2
            if good and all(isinstance(n, int) for n in (*bank, value.get("number"))):
                choice = Choice(value["number"], (bank[0], bank[1]))
        if choice is None:
            words = "a program is a printed number, a name, or { number = 1, bank = [0, 0] }"
            self._findings.fault(path, words)
            return
        try:
            self._codec.program_bytes(choice.number, choice.bank, channel)
        except KnobwrightError as error:
            self._findings.fault(path, error.message, error.hint)
            return
        if rows and (choice.number, choice.bank) not in {(r.number, r.bank) for r in rows}:
            self._findings.fault(path, f"the module's list has no {choice.words()}")
            return
        self._programs[channel] = choice

    def wanted(self) -> Wanted:
        """Return what was read; what decides over others is sent before them."""
        deciding = {when.key for p in self._codec.sheet.parameters for when in p.when}
        rows = sorted(self._given.values(), key=lambda given: given.key not in deciding)
        values = (self._value(given) for given in rows)
        return Wanted(tuple(v for v in values if v is not None), self._programs)

    def _value(self, given: _Given) -> Value | None:
        def current(key: str, channel: int | None, note: int | None) -> object | None:
            found = self._given.get((key, channel, note))
            return None if found is None else found.raw

        key, raw, channel, note = given.key, given.raw, given.channel, given.note
        try:
            messages = self._codec.encode(key, raw, channel or 1, note, current)
        except KnobwrightError as error:
            self._findings.fault(given.path, error.message, error.hint)
            return None
        at = f"channel {channel}, " if channel is not None else ""
        at += f"key {note}, " if note is not None else ""
        words = f"{at}{key} = {self._codec.spell(key, raw)}"
        return Value(key, raw, channel, note, messages, words)


def _misplaced(per: frozenset[str], channel: int | None, note: int | None) -> str:
    """Say why a parameter can't stand where it does, or return an empty string."""
    wanted = ("channel" in per, "key" in per)
    if wanted == (channel is not None, note is not None):
        return ""
    place = {
        (False, False): "[module]",
        (True, False): "[part.N]",
        (False, True): "[keys.KEY]",
        (True, True): "[part.N.keys.KEY]",
    }[wanted]
    return f"is set in {place}, not here"


def _flat(tree: Tree, path: Path, name: str = "") -> Iterator[tuple[str, Path, Any]]:
    """Yield dotted names and values: ``hall.time = 3`` and ``"hall.time" = 3`` are the same."""
    for key, value in tree.items():
        whole = f"{name}.{key}" if name else key
        if isinstance(value, dict):
            yield from _flat(value, (*path, key), whole)
        else:
            yield whole, (*path, key), value
