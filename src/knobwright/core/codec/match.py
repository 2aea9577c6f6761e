"""Compile the lines of a sheet into tables that find a message's meaning: the way in.

Two kinds of tables. *Patterns* are whole messages, found by length and fixed bits (exclusive
messages, pitch bend, pressure ...). *Entries* are control changes, found by controller number
and, behind a selection of RPN or NRPN, by the number selected: their order on the wire is free.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from knobwright.core.sheet import words as w
from knobwright.core.sheet.records import Block, Parameter, Sheet, Template
from knobwright.core.sheet.words import Cell

RPN = "RPN"
NRPN = "NRPN"

# MIDI 1.0 Detailed Specification 4.2.1, table 3.
DATA_HIGH, DATA_LOW, INCREMENT, DECREMENT = 6, 38, 96, 97
NRPN_LOW, NRPN_HIGH, RPN_LOW, RPN_HIGH = 98, 99, 100, 101
SELECTORS = {NRPN_HIGH: (NRPN, 0), NRPN_LOW: (NRPN, 1), RPN_HIGH: (RPN, 0), RPN_LOW: (RPN, 1)}
DATA_CONTROLLERS = frozenset({DATA_HIGH, DATA_LOW, INCREMENT, DECREMENT})
NULL = (0x7F, 0x7F)


class Target(NamedTuple):
    """What a message belongs to: a route of a parameter, a dump, or the request for one."""

    template: Template
    parameter: Parameter | None = None
    route: int = 0
    block: Block | None = None
    is_request: bool = False

    @property
    def name(self) -> str:
        """Return the key of the parameter or block."""
        if self.parameter is not None:
            return self.parameter.key
        return self.block.key if self.block is not None else ""


class Pattern(NamedTuple):
    """One message of a target: ``(message & mask) == fixed`` as big-endian numbers of its length.

    ``data_at`` is the position of a dump's data (-1 for none): then length, mask and fixed are of
    the bytes before and behind it taken together.
    """

    target: Target
    part: int
    length: int
    mask: int
    fixed: int
    data_at: int = -1


class Entry(NamedTuple):
    """A target made of control changes: what selects it, and its data in line order.

    ``channels`` gives for each status nibble the channel (1 to 16), 0 for the whole module, or -1
    where the line is not for that nibble.
    """

    target: Target
    channels: tuple[int, ...]
    data: tuple[tuple[int, Cell], ...]
    note: int | None = None

    def goes_on(self, controller: int) -> bool:
        """Return whether the line goes on with the low half of a controller later on.

        Where the later byte is the higher part of the value it is no low half, and nothing
        clears it.
        """
        numbers = [number for number, _ in self.data]
        if controller not in numbers or controller > 31 or controller + 32 not in numbers:
            return False
        first, second = numbers.index(controller), numbers.index(controller + 32)
        high, low = self.data[first][1], self.data[second][1]
        is_low = (high.kind, high.name) != (low.kind, low.name) or low.low <= high.low
        return first < second and is_low


class Matchers(NamedTuple):
    """The tables: patterns by length, mask and fixed bits; dumps; entries; banks of programs."""

    patterns: dict[int, dict[int, dict[int, list[Pattern]]]]
    dumps: tuple[Pattern, ...]
    plain: dict[int, list[Entry]]
    selected: dict[tuple[str, int, int], list[Entry]]
    bank_controllers: frozenset[int]


def compile_matchers(sheet: Sheet) -> Matchers:
    """Return the tables of a checked sheet."""
    found = Matchers({}, (), {}, {}, _bank_controllers(sheet))
    dumps: list[Pattern] = []
    for target in targets(sheet):
        entries = list(control_entries(target))
        for selection, entry in entries:
            if selection is None:
                for number, _ in entry.data:
                    found.plain.setdefault(number, []).append(entry)
            else:
                found.selected.setdefault(selection, []).append(entry)
        if not entries:
            for pattern in patterns_of(target):
                if pattern.data_at >= 0:
                    dumps.append(pattern)
                    continue
                by_mask = found.patterns.setdefault(pattern.length, {})
                by_mask.setdefault(pattern.mask, {}).setdefault(pattern.fixed, []).append(pattern)
    return found._replace(dumps=tuple(dumps))


def targets(sheet: Sheet) -> Iterator[Target]:
    """Yield everything in a sheet that a message can belong to, programs apart."""
    for parameter in sheet.parameters:
        for i, route in enumerate(parameter.routes):
            yield Target(route.template, parameter, i)
    for block in sheet.blocks:
        yield Target(block.template, block=block)
        if block.request is not None:
            yield Target(block.request, block=block, is_request=True)


def patterns_of(target: Target) -> Iterator[Pattern]:
    """Yield the pattern of every message of a target's template."""
    for index, message in enumerate(target.template.line.messages):
        mask = fixed = length = 0
        data_at = -1
        for cell in message:
            if cell.kind == w.DATA:
                data_at = length
                continue
            for _ in range(cell.n_bytes):
                mask = mask << 8 | cell.mask
                fixed = fixed << 8 | cell.fixed
                length += 1
        yield Pattern(target, index, length, mask, fixed, data_at)


def control_entries(target: Target) -> Iterator[tuple[tuple[str, int, int] | None, Entry]]:
    """Yield the entries of a target that is made of control changes in a known form.

    Nothing is yielded for any other target: its messages are matched as patterns in sequence.
    """
    steps = _steps(target.template)
    if steps is None:
        return
    selectors = {number: cell for number, cell in steps if number in SELECTORS}
    data = tuple((number, cell) for number, cell in steps if number not in SELECTORS)
    status = target.template.line.messages[0][0]
    if any(cell.kind not in (w.VALUE, w.OTHER, w.FIXED) for _, cell in data):
        return
    if not selectors:
        if _is_single_or_pair(data):
            yield None, Entry(target, _channels(status, target.template), data)
        return
    kind = _kind_of(selectors, target.template)
    if kind is None or any(number not in DATA_CONTROLLERS for number, _ in data):
        return
    high, low = (
        (selectors[NRPN_HIGH], selectors[NRPN_LOW])
        if kind == NRPN
        else (selectors[RPN_HIGH], selectors[RPN_LOW])
    )
    yield from _selections(target, kind, high, low, status, data)


def _selections(
    target: Target,
    kind: str,
    high: Cell,
    low: Cell,
    status: Cell,
    data: tuple[tuple[int, Cell], ...],
) -> Iterator[tuple[tuple[str, int, int], Entry]]:
    """Yield one entry for every number that the selector bytes can say (keys, channel maps)."""
    template = target.template
    base = _channels(status, template)
    keyed = any(
        cell.kind == w.KEY or (cell.kind == w.MAP and template.map_of(cell.name).of == "key")
        for cell in (high, low)
    )
    mapped = any(
        cell.kind == w.CHANNEL
        or (cell.kind == w.MAP and template.map_of(cell.name).of == "channel")
        for cell in (high, low)
    )
    for note in range(128) if keyed else (None,):
        for nibble in range(16) if mapped else (None,):
            selection = (
                kind,
                _said(high, template, note or 0, nibble or 0),
                _said(low, template, note or 0, nibble or 0),
            )
            channels = base
            if nibble is not None:
                channels = tuple(nibble + 1 if at in (0, nibble + 1) else -1 for at in base)
            yield selection, Entry(target, channels, data, note)


def _said(cell: Cell, template: Template, note: int, nibble: int) -> int:
    if cell.kind == w.KEY:
        return note
    if cell.kind == w.CHANNEL:
        return cell.fixed | nibble
    if cell.kind == w.MAP:
        row = template.map_of(cell.name)
        return cell.fixed | row.values[note if row.of == "key" else nibble]
    return cell.fixed


def _steps(template: Template) -> list[tuple[int, Cell]] | None:
    """Return (controller, data cell) of every message, or ``None`` if one is something else."""
    status = template.line.messages[0][0]
    steps: list[tuple[int, Cell]] = []
    for message in template.line.messages:
        is_control = message[0] == status and status.fixed & 0xF0 == 0xB0 and len(message) == 3
        if not is_control or message[1].kind != w.FIXED:
            return None
        steps.append((message[1].fixed, message[2]))
    numbers = [number for number, _ in steps]
    return steps if len(set(numbers)) == len(numbers) else None


def _kind_of(selectors: dict[int, Cell], template: Template) -> str | None:
    for cell in selectors.values():
        if cell.kind == w.MAP and template.map_of(cell.name).of == "device":
            return None
        if cell.kind not in (w.FIXED, w.KEY, w.MAP, w.CHANNEL):
            return None
    if set(selectors) == {NRPN_HIGH, NRPN_LOW}:
        return NRPN
    return RPN if set(selectors) == {RPN_HIGH, RPN_LOW} else None


def _is_single_or_pair(data: tuple[tuple[int, Cell], ...]) -> bool:
    numbers = sorted(number for number, _ in data)
    return len(numbers) == 1 or (len(numbers) == 2 and numbers[1] == numbers[0] + 32 < 64)


def _channels(status: Cell, template: Template) -> tuple[int, ...]:
    """Return what each low nibble of the status byte means: see :class:`Entry`."""
    if status.kind == w.CHANNEL:
        return tuple(range(1, 17))
    if status.kind == w.MAP:
        values = template.map_of(status.name).values
        return tuple(values.index(n) + 1 if n in values else -1 for n in range(16))
    return tuple(0 if n == status.fixed & 0x0F else -1 for n in range(16))


def _bank_controllers(sheet: Sheet) -> frozenset[int]:
    if sheet.programs is None:
        return frozenset()
    messages = sheet.programs.template.line.messages
    return frozenset(m[1].fixed for m in messages if m[0].fixed & 0xF0 == 0xB0)


def candidates(matchers: Matchers, message: bytes) -> Iterator[Pattern]:
    """Yield the patterns whose fixed bits a message fits."""
    by_mask = matchers.patterns.get(len(message))
    if by_mask:
        number = int.from_bytes(message, "big")
        for mask, by_fixed in by_mask.items():
            yield from by_fixed.get(number & mask, ())
