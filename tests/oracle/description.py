"""A sheet's TOML read a second time: what a receiver must know, and nothing else.

Written from docs/reference/sheet.md. Nothing here imports the program.
"""

from __future__ import annotations

import functools
import tomllib
from collections.abc import Mapping
from typing import Any, NamedTuple

from tests.oracle.notation import OWN, Message, Word, read_line

Table = dict[str, Any]
Value = int | str | tuple[int, ...]


class Check(NamedTuple):
    """How one checksum of a line is worked out."""

    rule: str
    over: str  # sent | unpacked


class Map(NamedTuple):
    """A digit for each channel, key or device."""

    of: str
    values: tuple[int, ...]


class Line(NamedTuple):
    """One way to a parameter, or a dump."""

    key: str
    number: int  # 0: the parameter's own line; 1 and more: its routes
    messages: tuple[Message, ...]
    checks: tuple[tuple[Check, ...], ...]  # for each message, one for each of its checksums


class Parameter(NamedTuple):
    """What a receiver must know of a parameter besides its lines."""

    key: str
    per: frozenset[str]
    n_bits: int  # value bits of its own line
    coding: str
    zero: int | None
    ranges: tuple[tuple[int, int], ...] | None  # None: all that the bits can carry
    run: str  # text | list | mask, or empty
    when: dict[str, tuple[int, ...]]
    at: tuple[Table, ...]

    def allows(self, value: Value) -> bool:
        """Tell whether a raw value is within the range."""
        if self.run == "text":
            return isinstance(value, str) and all(" " <= letter <= "~" for letter in value)
        if self.run == "mask":
            return True
        numbers = value if isinstance(value, tuple) else (value,)
        return self.ranges is None or all(
            any(low <= int(number) <= high for low, high in self.ranges) for number in numbers
        )


class Block(NamedTuple):
    """A dump: its line, its packing and how many unpacked bytes it has."""

    key: str
    line: Line
    packing: str
    size: int | None


class Description(NamedTuple):
    """Everything that a receiver of a sheet must know."""

    parameters: dict[str, Parameter]
    lines: list[Line]
    blocks: list[Block]
    programs: tuple[Message, ...]
    first: int
    maps: dict[str, Map]
    channels: frozenset[int]
    devices: frozenset[int]


def read_description(text: str, library: Mapping[str, str]) -> Description:
    """Return what a sheet says; ``library`` gives the text of every included sheet."""
    return _read(text, tuple(library.items()))


@functools.cache  # tests make many receivers of one sheet
def _read(text: str, items: tuple[tuple[str, str], ...]) -> Description:
    library = dict(items)
    tree = tomllib.loads(text)
    maps = _maps(tree, library)
    parameters: dict[str, Parameter] = {}
    lines: list[Line] = []
    blocks: dict[str, Block] = {}
    programs: Table = {}
    for layer in reversed(_layers(tree, library)):  # what is included first, the sheet itself last
        new_lines = [line for table in layer.get("parameter", []) for line in _lines(table, layer)]
        own = _parameters(layer, new_lines)
        replaced = {
            old.key
            for old in lines
            if old.key in own or any(_collide(old, new, parameters, own) for new in new_lines)
        }
        lines = [line for line in lines if line.key not in replaced] + new_lines
        parameters = {key: p for key, p in parameters.items() if key not in replaced} | own
        blocks |= {table["key"]: _block(table, layer) for table in layer.get("block", [])}
        programs = layer.get("programs", programs)
    module = tree.get("module", {})
    return Description(
        parameters,
        lines,
        list(blocks.values()),
        read_line(programs["line"], {}, of_programs=True) if programs else (),
        programs.get("first", 1),
        maps,
        _channels(module.get("channels", "1-16")),
        # without a list: all-call, the only id that every device takes (4.2.1, p. 35)
        frozenset(int(text, 16) for text in module.get("device_ids", ["7F"])),
    )


def _layers(tree: Table, library: Mapping[str, str]) -> list[Table]:
    """Return the sheet and all that it includes, the nearest first."""
    layers = [tree]
    for name in tree.get("include", []):
        layers += _layers(tomllib.loads(library[name]), library)
    return layers


def _maps(tree: Table, library: Mapping[str, str]) -> dict[str, Map]:
    maps: dict[str, Map] = {}
    for layer in reversed(_layers(tree, library)):
        for name, table in layer.get("map", {}).items():
            maps[name] = Map(table["of"], tuple(table["values"]))
    return maps


def _channels(text: str) -> frozenset[int]:
    channels: set[int] = set()
    for part in text.split(","):
        first, _, last = part.strip().partition("-")
        channels |= set(range(int(first), int(last or first) + 1))
    return frozenset(channels)


def _checks(
    names: str | list[str] | None, messages: tuple[Message, ...], layer: Table
) -> tuple[tuple[Check, ...], ...]:
    """Return the rules of a line's checksums; a sheet's only one need not be named."""
    known = {
        name: Check(row["rule"], row.get("over", "sent"))
        for name, row in layer.get("checksum", {}).items()
    }
    counts = [len([word for word in message if word.kind == "sum"]) for message in messages]
    if names is None and any(counts):
        (names,) = known
    if isinstance(names, str):
        names = [names] * sum(counts)
    left = [known[name] for name in names or []]
    return tuple(tuple(left.pop(0) for _ in range(count)) for count in counts)


def _named(messages: tuple[Message, ...], key: str) -> tuple[Message, ...]:
    """Put the parameter's own key where the line means its own value."""
    return tuple(
        tuple(w._replace(who=key) if w.kind == "field" and w.who == OWN else w for w in message)
        for message in messages
    )


def _lines(table: Table, layer: Table) -> list[Line]:
    key = table["key"]
    lines: list[Line] = []
    for number, way in enumerate([table, *table.get("route", [])]):
        messages = read_line(way["line"], {**table.get("map", {}), **way.get("map", {})})
        checks = _checks(way.get("checksum", table.get("checksum")), messages, layer)
        lines.append(Line(key, number, _named(messages, key), checks))
    return lines


def _fields(line: Line, key: str) -> list[Word]:
    return [w for m in line.messages for w in m if w.kind == "field" and w.who == key]


def _parameters(layer: Table, lines: list[Line]) -> dict[str, Parameter]:
    own_lines = {line.key: line for line in lines if line.number == 0}
    tables = {table["key"]: table for table in layer.get("parameter", [])}
    return {key: _parameter(table, own_lines[key], tables) for key, table in tables.items()}


def _parameter(table: Table, line: Line, tables: dict[str, Table]) -> Parameter:
    n_bits = max((word.high + 1 for word in _fields(line, table["key"])), default=0)
    at = table.get("at", [])
    return Parameter(
        table["key"],
        frozenset(table.get("per", [])),
        n_bits,
        table.get("coding", "plain"),
        table.get("zero"),
        _ranges(table),
        table.get("type", ""),
        {
            other: tuple(_raw(value, tables.get(other, {})) for value in values)
            for other, values in table.get("when", {}).items()
        },
        tuple(at if isinstance(at, list) else [at]),
    )


def _ranges(table: Table) -> tuple[tuple[int, int], ...] | None:
    if "range" in table:
        spans = table["range"]
        spans = spans if isinstance(spans[0], list) else [spans]
        return tuple((low, high) for low, high in spans)
    if "choices" in table:
        return tuple((int(number), int(number)) for number in table["choices"])
    return ((0, 127),) if table.get("type") == "list" else None


def _raw(value: int | str, table: Table) -> int:
    """Return the number of a value that may be written as a choice."""
    if isinstance(value, int):
        return value
    return next(int(raw) for raw, name in table["choices"].items() if name == value)


def _block(table: Table, layer: Table) -> Block:
    messages = read_line(table["line"], table.get("map", {}))
    line = Line(table["key"], 0, messages, _checks(table.get("checksum"), messages, layer))
    return Block(table["key"], line, table.get("packing", "none"), table.get("size"))


# ---- which included parameters a sheet's own lines replace


def _collide(old: Line, new: Line, olds: dict[str, Parameter], news: dict[str, Parameter]) -> bool:
    """Tell whether some bytes would mean both lines, so that the nearer sheet's one holds."""
    if _apart(olds[old.key], news[new.key]):
        return False
    mine, theirs = _heads(new), _heads(old)
    return any(_same(a, b) for a in mine for b in theirs)


def _apart(a: Parameter, b: Parameter) -> bool:
    return any(not set(values) & set(b.when.get(key, values)) for key, values in a.when.items())


def _is_own(word: Word, line: Line) -> bool:
    return word.kind == "field" and word.who == line.key


def _heads(line: Line) -> list[list[Word]]:
    """Return each message that sets the line's own parameter, behind the selection it needs.

    The message that sets an action is the last one.
    """
    heads: list[list[Word]] = []
    selection: dict[int, Message] = {}
    sets = [any(w.kind == "run" or _is_own(w, line) for w in m) for m in line.messages]
    for i, message in enumerate(line.messages):
        number = message[1].base if message[0].base == 0xB0 and len(message) == 3 else -1
        if 0x62 <= number <= 0x65:
            selection[number] = message
        elif sets[i] or (not any(sets) and message is line.messages[-1]):
            words = [w for n in sorted(selection) for w in selection[n]] + list(message)
            heads.append([w for w in words if w.size != 0])
    return heads


def _same(a: list[Word], b: list[Word]) -> bool:
    """Tell whether two heads can be the same bytes."""
    if sum(w.size for w in a) != sum(w.size for w in b):
        return False
    wide_a = [w for w in a for _ in range(w.size)]
    wide_b = [w for w in b for _ in range(w.size)]
    return all(_reach(x) & _reach(y) for x, y in zip(wide_a, wide_b, strict=True))


def _reach(word: Word) -> set[int]:
    """Return the bytes that a word can be on the wire."""
    if word.kind == "fixed":
        return {word.base}
    if word.kind == "field":
        return {word.base + bits for bits in range(1 << (word.high - word.low + 1))}
    if word.base:
        return {word.base + digit for digit in range(16)}
    return set(range(128))
