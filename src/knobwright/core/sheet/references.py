"""Join what refers to something else in a sheet: conditions, other values in a line, dump places."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec.structs import replace

from knobwright.core.sheet.faults import Findings
from knobwright.core.sheet.places import Path
from knobwright.core.sheet.records import Block, Parameter, When
from knobwright.core.sheet.templates import suggestion
from knobwright.core.sheet.walk import Tree
from knobwright.core.sheet.words import OTHER


class References:
    """Checks and joins the references of a sheet's own parameters.

    ``parameters`` and ``blocks`` are all that can be referred to, included ones too; ``faulty`` are the
    keys of parameters and blocks that are there and have faults of their own.
    """

    def __init__(
        self,
        findings: Findings,
        parameters: Mapping[str, Parameter],
        blocks: Mapping[str, Block],
        faulty: frozenset[str] = frozenset(),
    ) -> None:
        self.findings = findings
        self.parameters = parameters
        self.blocks = blocks
        self.faulty = faulty

    def join(self, parameter: Parameter, tree: Tree, path: Path) -> Parameter:
        """Return the parameter with its conditions joined; report what refers to nothing."""
        self._others(parameter, path)
        self._at(parameter, path)
        when = [
            found
            for key, names in tree.get("when", {}).items()
            if (found := self._when(parameter, key, names, (*path, "when")))
        ]
        return replace(parameter, when=tuple(when)) if when else parameter

    def _other(self, parameter: Parameter, key: str, path: Path) -> Parameter | None:
        other = self.parameters.get(key)
        if other is None and key in self.faulty:
            return None
        if other is None:
            hint = suggestion(key, self.parameters, "name a parameter's key")
            self.findings.fault(path, f"there is no parameter {key!r}", hint, parameter.key)
        elif not other.per <= parameter.per:
            message = f"{key} is set per {' and '.join(sorted(other.per))}, and this one is not"
            self.findings.fault(path, message, about=parameter.key)
        return other

    def _others(self, parameter: Parameter, path: Path) -> None:
        for i, route in enumerate(parameter.routes):
            here = (*path, "line") if i == 0 else (*path, "route", i - 1, "line")
            line = route.template.line
            for key in line.others:
                other = self._other(parameter, key, here)
                if key == parameter.key:
                    message = "the line calls for its own parameter's value"
                    self.findings.fault(here, message, "write a value word such as vv", key)
                if other is None or key == parameter.key:
                    continue
                if other.type or other.is_action:
                    message = f"{key} is no plain number, so it can't stand in another line"
                    self.findings.fault(here, message, about=parameter.key)
                    continue
                self._other_bits(parameter, other, here, [
                    (c.low, c.high) for c in line.cells() if c.kind == OTHER and c.name == key
                ])

    def _other_bits(
        self, parameter: Parameter, other: Parameter, path: Path, slices: list[tuple[int, int]]
    ) -> None:
        next_bit = 0
        for low, high in sorted(slices):
            if low != next_bit:
                break
            next_bit = high + 1
        if next_bit < other.n_value_bits:
            message = (
                f"the line can't be inverted: {{{other.key}}} carries bits 0 to {next_bit - 1}, "
                f"and {other.key} has {other.n_value_bits} bits"
            )
            self.findings.fault(path, message, about=parameter.key)

    def _at(self, parameter: Parameter, path: Path) -> None:
        here = (*path, "at")
        n_bits = 0
        for at in parameter.at:
            block = self.blocks.get(at.block)
            n_bits += at.high - at.low + 1
            if block is None and at.block in self.faulty:
                return
            if block is None:
                hint = suggestion(at.block, self.blocks, "add a [[block]]")
                message = f"there is no block {at.block!r}"
                self.findings.fault(here, message, hint, parameter.key)
                return
            if block.size is not None and at.byte >= block.size:
                message = f"byte {at.byte} is behind the end of {at.block} ({block.size} bytes)"
                self.findings.fault(here, message, about=parameter.key)
            if parameter.per - block.template.per:
                message = f"it is set per {' and '.join(sorted(parameter.per))}, and the block is not"
                self.findings.fault(here, message, about=parameter.key)
        if parameter.at and n_bits < parameter.n_value_bits:
            highest = parameter.ranges[-1][1]
            if highest >= 1 << n_bits:
                message = f"{n_bits} bits in the dump can't hold values up to {highest}"
                self.findings.fault(here, message, about=parameter.key)

    def _when(self, parameter: Parameter, key: str, names: Any, path: Path) -> When | None:
        other = self._other(parameter, key, path)
        if other is None:
            return None
        values: list[int] = []
        for name in names if isinstance(names, list) else [names]:
            found = _value_of(other, name)
            if found is None:
                known = {choice: raw for raw, choice in other.choices.items()}
                hint = suggestion(str(name), known, f"choices: {', '.join(known) or 'none'}")
                self.findings.fault(path, f"{key} has no value {name!r}", hint, parameter.key)
            else:
                values.append(found)
        return When(key, tuple(values)) if values else None


def _value_of(parameter: Parameter, name: Any) -> int | None:
    if type(name) is int:
        return name if parameter.allows(name) else None
    folded = str(name).casefold()
    found = [raw for raw, choice in parameter.choices.items() if choice.casefold() == folded]
    return found[0] if len(found) == 1 else None
