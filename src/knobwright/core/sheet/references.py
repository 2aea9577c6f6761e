"""Join what refers to something else: conditions, other values in a line, dump places."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec.structs import replace

from knobwright.core.sheet.faults import Findings
from knobwright.core.sheet.places import Path
from knobwright.core.sheet.records import Block, Parameter, When
from knobwright.core.sheet.walk import Tree
from knobwright.core.sheet.words import OTHER


class References:
    """Checks and joins the references of a sheet's own parameters.

    ``parameters`` and ``blocks`` are all that can be referred to, included ones too; ``faulty``
    are the keys of parameters and blocks that are there and have faults of their own.
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
            hint = self.findings.close(key, self.parameters, "name a parameter's key")
            self.findings.fault(path, f"there is no parameter {key!r}", hint, parameter.key)
        elif not other.per <= parameter.per:
            message = f"{key} is set per {' and '.join(sorted(other.per))}, and this one is not"
            self.findings.fault(path, message, about=parameter.key)
        return other

    def _others(self, parameter: Parameter, path: Path) -> None:
        for i, route in enumerate(parameter.routes):
            here = (*path, "line") if i == 0 else (*path, "route", i - 1, "line")
            slices: dict[str, list[tuple[int, int]]] = {}
            for cell in route.template.line.cells():
                if cell.kind == OTHER:
                    slices.setdefault(cell.name, []).append((cell.low, cell.high))
            for key, bits in slices.items():
                self._other_in_line(parameter, key, bits, here)

    def _other_in_line(
        self, parameter: Parameter, key: str, slices: list[tuple[int, int]], path: Path
    ) -> None:
        if key == parameter.key:
            message = "the line calls for its own parameter's value"
            self.findings.fault(path, message, "write a value word such as vv", key)
            return
        other = self._other(parameter, key, path)
        if other is None:
            return
        if other.type or other.is_action:
            message = f"{key} is no plain number, so it can't stand in another line"
            self.findings.fault(path, message, about=parameter.key)
            return
        next_bit = 0
        for low, high in sorted(slices):
            if low < next_bit:
                message = f"bit {low} of {key} stands in the line twice"
                self.findings.fault(path, message, about=parameter.key)
                return
            if low > next_bit:
                break
            next_bit = high + 1
        if next_bit < other.n_value_bits:
            carried = f"bits 0 to {next_bit - 1}" if next_bit else "not its lowest bits"
            message = (
                f"the line can't be inverted: {{{key}}} carries {carried}, "
                f"and {key} has {other.n_value_bits} bits"
            )
            self.findings.fault(path, message, about=parameter.key)

    def _at(self, parameter: Parameter, path: Path) -> None:
        here = (*path, "at")
        for at in parameter.at:
            block = self.blocks.get(at.block)
            if block is None and at.block in self.faulty:
                return
            if block is None:
                hint = self.findings.close(at.block, self.blocks, "add a [[block]]")
                message = f"there is no block {at.block!r}"
                self.findings.fault(here, message, hint, parameter.key)
                return
            if block.size is not None and at.byte >= block.size:
                message = f"byte {at.byte} is behind the end of {at.block} ({block.size} bytes)"
                self.findings.fault(here, message, about=parameter.key)
            if block.packing == "none" and at.high > 6:
                message = f"{at.block} is not packed, so its bytes have bits 6 to 0 only"
                self.findings.fault(here, message, about=parameter.key)
            if parameter.per - block.template.per:
                message = (
                    f"it is set per {' and '.join(sorted(parameter.per))}, and the block is not"
                )
                self.findings.fault(here, message, about=parameter.key)

    def _when(self, parameter: Parameter, key: str, names: Any, path: Path) -> When | None:
        other = self._other(parameter, key, path)
        if other is None:
            return None
        if other.type or other.is_action:
            message = f"{key} is no plain number, so nothing can depend on its value"
            self.findings.fault(path, message, about=parameter.key)
            return None
        if names == []:
            self.findings.fault(path, f"{key} = [] names no value", about=parameter.key)
        values: list[int] = []
        for name in names if isinstance(names, list) else [names]:
            found = _value_of(other, name)
            if found is None:
                known = {choice: raw for raw, choice in other.choices.items()}
                hint = self.findings.close(
                    str(name), known, f"choices: {', '.join(known) or 'none'}"
                )
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
