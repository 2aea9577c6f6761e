"""Build the parameters of a sheet from their tables: ranges, choices, codings, routes, places."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections import Counter
from typing import Any

from knobwright.core.errors import InputError
from knobwright.core.sheet.faults import Findings
from knobwright.core.sheet.formula import compile_formula
from knobwright.core.sheet.line import Line
from knobwright.core.sheet.places import Path
from knobwright.core.sheet.records import At, Parameter, Raw, Route, Shown, Template
from knobwright.core.sheet.templates import Templates, Vocabulary
from knobwright.core.sheet.walk import Tree
from knobwright.core.sheet.words import RUN

_BITS = re.compile(r"([0-9]{1,2})(?:-([0-9]{1,2}))?\Z")
_PER = ("channel", "key")

Ranges = tuple[tuple[int, int], ...]


class ParameterBuilder:
    """Builds one parameter; every fault is reported under the parameter's key."""

    def __init__(
        self, tree: Tree, path: Path, findings: Findings, templates: Templates, words: Vocabulary
    ) -> None:
        self.tree = tree
        self.path = path
        self.findings = findings
        self.templates = templates
        self.words = words
        self.about = str(tree.get("key", ""))

    def fault(self, key: str, message: str, hint: str = "") -> None:
        """Report a fault of one key of this parameter."""
        path = (*self.path, key) if key else self.path
        self.findings.fault(path, message, hint, self.about)

    def build(self) -> Parameter | None:
        """Return the parameter, or ``None`` after reporting why it can't be built."""
        before = self.findings.n_faults
        if "key" not in self.tree or "line" not in self.tree:
            return None
        own = self.templates.build(self.tree, self.path, "parameter", about=self.about)
        if own is None:
            return None
        per = self._per(own)
        routes = (Route(own, origin=str(self.tree.get("from", ""))), *self._routes(per))
        self._slices(own.line, (*self.path, "line"), coarse=False)
        n_bits = own.line.n_value_bits
        ranges = self._ranges(own.line, n_bits)
        self._routes_carry(own.line, routes, ranges)
        choices = self._choices(ranges)
        parameter = Parameter(
            key=self.about,
            label=self.tree.get("label") or self.about,
            routes=routes,
            ranges=ranges,
            section=self.tree.get("section", ""),
            per=per,
            default=self._default(ranges, choices, own.line),
            choices=choices,
            coding=self.tree.get("coding", "plain"),
            zero=self.tree.get("zero"),
            shown=self._shown(ranges),
            unit=self.tree.get("unit", ""),
            type=self._type(own.line),
            at=self._at(own.line, ranges, n_bits),
            danger=self.tree.get("danger", ""),
            place=self.tree.get("from", ""),
            note=self.tree.get("note", ""),
        )
        return None if self.findings.n_faults > before else parameter

    def _per(self, own: Template) -> frozenset[str]:
        declared = self.tree.get("per", [])
        for name in declared:
            if name not in _PER:
                self.fault("per", f"per names channel or key, not {name!r}")
        per = frozenset(_PER) & frozenset(declared)
        self._per_fits(per, own.per, "line")
        return per

    def _per_fits(self, per: frozenset[str], said: frozenset[str], key: str) -> None:
        for name in sorted(said - per):
            self.fault(
                key,
                f"the line has a field for the {name}, but per does not name it",
                f'add "{name}" to per',
            )
        for name in sorted(per - said):
            self.fault(
                key,
                f"per names the {name}, but the line can't be inverted: it has no field for it",
                f'take "{name}" out of per, or put its field into the line',
            )

    def _routes(self, per: frozenset[str]) -> list[Route]:
        routes: list[Route] = []
        preferred = 0
        for i, tree in enumerate(self.tree.get("route", [])):
            path = (*self.path, "route", i)
            if "line" not in tree:
                continue
            template = self.templates.build(tree, path, "parameter", about=self.about)
            if template is None:
                continue
            prefer = bool(tree.get("prefer", False))
            preferred += prefer
            for name in sorted(per ^ template.per):
                message = f"this route and the parameter's line differ in the {name}"
                self.findings.fault((*path, "line"), message, about=self.about)
            self._slices(template.line, (*path, "line"), coarse=not prefer)
            routes.append(
                Route(template, prefer, str(tree.get("from", "")), str(tree.get("note", "")))
            )
        if preferred > 1:
            self.fault("route", f"{preferred} routes are preferred; one can be")
        return routes

    def _slices(self, line: Line, path: Path, *, coarse: bool) -> None:
        """Check that the value's bits are covered from 0 up, each once, so that bytes invert."""

        def fault(message: str, hint: str = "") -> None:
            self.findings.fault(path, message, hint, self.about)

        slices = sorted((low, high) for high, low in line.slices)
        if line.run is not None and slices:
            fault("a run is the whole value: no other value field may stand beside it")
        if sum(cell.kind == RUN for cell in line.cells()) > 1:
            fault("a line holds one run; two can't be told apart as one value")
        next_bit = 0
        for low, high in slices:
            if low < next_bit:
                message = f"the line can't be inverted: value bit {low} stands in it twice"
                fault(message, "each bit of the value is sent once")
                return
            if low > next_bit and not (coarse and next_bit == 0):
                last = f" to {low - 1}" if low - 1 > next_bit else ""
                message = f"the line can't be inverted: value bits {next_bit}{last} are missing"
                fault(message, "cover the value from bit 0 up")
                return
            next_bit = high + 1

    def _routes_carry(self, own: Line, routes: tuple[Route, ...], ranges: Ranges) -> None:
        """Check that every route can say the value: the same kind, and bits for the whole range.

        A number is coded over the bits of the widest route, so a narrower one would cut it.
        """
        n_most = max(route.template.line.n_value_bits for route in routes)
        n_run = own.run.n_bytes if own.run else 0
        for i, route in enumerate(routes):
            line = route.template.line
            path = (*self.path, "line") if i == 0 else (*self.path, "route", i - 1, "line")
            if line.is_action != own.is_action:
                kinds = ("no value", "a value") if line.is_action else ("a value", "none")
                message = f"this route carries {kinds[0]}, and the parameter's line {kinds[1]}"
                self.findings.fault(path, message, about=self.about)
            elif (line.run.n_bytes if line.run else 0) != n_run:
                message = "this route and the parameter's line have different runs"
                self.findings.fault(path, message, about=self.about)
            elif self._is_cut(line.n_value_bits, n_most, ranges):
                self.findings.fault(
                    path,
                    f"it carries {line.n_value_bits} value bits, too few for a value that another "
                    f"route carries in {n_most}",
                    "give every route the same top bit, such as vh for a coarse route",
                    self.about,
                )

    def _is_cut(self, n_bits: int, n_most: int, ranges: Ranges) -> bool:
        """Return whether some value, coded over ``n_most`` bits, does not fit into ``n_bits``."""
        return n_bits < n_most and bool(ranges) and self._highest_bits(ranges, n_most) >> n_bits > 0

    def _highest_bits(self, ranges: Ranges, n_bits: int) -> int:
        """Return the highest coded number of the range, as far as it can be told."""
        coding, zero = self.tree.get("coding", "plain"), self.tree.get("zero")
        if coding == "plain":
            return ranges[-1][1]
        if coding == "offset" and zero is not None:
            return ranges[-1][1] + int(zero)
        return (1 << n_bits) - 1

    def _ranges(self, line: Line, n_bits: int) -> Ranges:
        coding = self.tree.get("coding", "plain")
        limits = self.words.codings.get(coding)
        if limits is None:
            hint = self.findings.close(
                coding, self.words.codings, f"known: {', '.join(self.words.codings)}"
            )
            self.fault("coding", f"there is no coding {coding!r}", hint)
            return ()
        if "zero" in self.tree and coding != "offset":
            self.fault("zero", 'zero goes with coding = "offset" only')
        if line.is_action:
            self._action()
            return ((0, 0),)
        carried = limits(7 if line.run is not None else n_bits, self.tree.get("zero"))
        printed = self.tree.get("range")
        ranges = self._printed(printed) if printed is not None else self._implied(carried)
        if ranges and not carried[0] <= ranges[0][0] <= ranges[-1][1] <= carried[1]:
            self.fault(
                "range" if printed is not None else "choices",
                f"{ranges[0][0]} to {ranges[-1][1]} does not fit the line: its "
                f"{n_bits or 7} value bits carry {carried[0]} to {carried[1]}",
                "add a value byte, name a coding for signed numbers, or mend the range",
            )
        return ranges

    def _action(self) -> None:
        for key in ("range", "choices", "default", "shown", "coding", "unit"):
            if key in self.tree:
                message = f"the line carries no value, so {key} means nothing"
                self.fault(key, message, "put a value field such as vv into the line")

    def _implied(self, carried: tuple[int, int]) -> Ranges:
        numbers = sorted(n for n in map(_number, self.tree.get("choices", {})) if n is not None)
        if not numbers:
            return (carried,)
        ranges: list[tuple[int, int]] = []
        for number in numbers:
            if ranges and number == ranges[-1][1] + 1:
                ranges[-1] = (ranges[-1][0], number)
            else:
                ranges.append((number, number))
        return tuple(ranges)

    def _printed(self, value: Any) -> Ranges:
        pairs = value if _is_list_of_lists(value) else [value]
        ranges: list[tuple[int, int]] = []
        for pair in pairs:
            if not _is_pair(pair):
                self.fault("range", "a range is [low, high] or [[low, high], [low, high]]")
                return ()
            low, high = pair
            if low > high:
                self.fault("range", f"the range runs from {low} down to {high}", "lowest first")
                return ()
            if ranges and low <= ranges[-1][1]:
                self.fault("range", f"the part from {low} overlaps the one before it")
                return ()
            ranges.append((low, high))
        return tuple(ranges)

    def _choices(self, ranges: Ranges) -> dict[int, str]:
        choices: dict[int, str] = {}
        for text, name in self.tree.get("choices", {}).items():
            number = _number(text)
            if number is None or not isinstance(name, str) or not name.strip():
                self.fault("choices", f'a choice is NUMBER = "name", not {text} = {name!r}')
            elif number in choices:
                message = f"two names are given to {number}: {choices[number]!r} and {name!r}"
                self.fault("choices", message)
            elif ranges and not within(ranges, number):
                message = f"the choice {number} ({name}) is outside the range {spell(ranges)}"
                self.fault("choices", message)
            else:
                choices[number] = name
        folded = Counter(name.casefold() for name in choices.values())
        for name in sorted(name for name, n in folded.items() if n > 1):
            message = f"two choices are called {name!r}: choose them by their number"
            self.findings.note((*self.path, "choices"), message, about=self.about)
        return choices

    def _default(self, ranges: Ranges, choices: dict[int, str], line: Line) -> Raw | None:
        value = self.tree.get("default")
        if value is None or line.is_action:
            return None
        if line.run is not None:
            return self._run_default(value, ranges, line.run.n_bytes)
        if isinstance(value, str):
            found = [n for n, name in choices.items() if name.casefold() == value.casefold()]
            if len(found) != 1:
                self.fault("default", f"the default {value!r} is none of the choices")
                return None
            return found[0]
        if isinstance(value, bool) or not isinstance(value, int):
            self.fault("default", f"the default is a raw number or a choice, not {value!r}")
            return None
        if ranges and not within(ranges, value):
            self.fault("default", f"the default {value} is outside the range {spell(ranges)}")
        return value

    def _run_default(self, value: Any, ranges: Ranges, n_bytes: int) -> Raw | None:
        kind = self.tree.get("type")
        if kind == "text" and isinstance(value, str):
            if len(value) <= n_bytes and all(" " <= c <= "~" for c in value):
                return value
        elif _are_wholes(value) and self._run_takes(kind, value, ranges, n_bytes):
            return tuple(value)
        self.fault("default", f"the default does not fit a {kind} run of {n_bytes} bytes")
        return None

    @staticmethod
    def _run_takes(kind: Any, numbers: list[int], ranges: Ranges, n_bytes: int) -> bool:
        """Return whether numbers are a mask or list of so many bytes."""
        if kind == "mask":
            inside = all(1 <= v <= 7 * n_bytes for v in numbers)
            return inside and len(set(numbers)) == len(numbers)
        inside = not ranges or all(within(ranges, v) for v in numbers)
        return kind == "list" and inside and len(numbers) == n_bytes

    def _shown(self, ranges: Ranges) -> Shown | None:
        tree = self.tree.get("shown")
        if tree is None:
            return None
        formula = tree.get("formula", "v")
        try:
            compile_formula(formula)
        except InputError as error:
            self.fault("shown", error.message, error.hint)
            return None
        return Shown(formula, tree.get("unit", self.tree.get("unit", "")), tree.get("digits"))

    def _type(self, line: Line) -> str:
        kind: str = self.tree.get("type", "")
        if line.run is not None and not kind:
            message = f"{line.run.word!r} is a run, and its type is not given"
            self.fault("type", message, 'add type = "text", "list" or "mask"')
        if line.run is None and kind:
            self.fault("type", "type goes with a run such as t*12 only")
        for key in ("range", "choices", "coding") if kind in ("text", "mask") else ():
            if key in self.tree:
                self.fault(key, f"a {kind} has no {key}", "take it out, or name another type")
        return kind

    def _at(self, line: Line, ranges: Ranges, n_value_bits: int) -> tuple[At, ...]:
        value = self.tree.get("at")
        if value is None:
            return ()
        found: list[At] = []
        for item in value if isinstance(value, list) else [value]:
            at = _read_at(item)
            if at is None:
                self.fault("at", 'at is { block = "KEY", byte = NUMBER, bits = "6-0" }')
                return ()
            found.append(at)
        if len({at.block for at in found}) > 1:
            self.fault("at", "all parts of one value stand in the same block")
        if not self._at_holds(found, line, ranges, n_value_bits):
            return ()
        return tuple(found)

    def _at_holds(self, found: list[At], line: Line, ranges: Ranges, n_value_bits: int) -> bool:
        """Check that the places in a dump can hold every value."""
        limits = self.words.codings.get(self.tree.get("coding", "plain"))
        if line.run is not None:
            if len(found) == line.run.n_bytes and all(at.high - at.low == 6 for at in found):
                return True
            self.fault(
                "at", f"a run of {line.run.n_bytes} bytes needs as many places of seven bits"
            )
            return False
        n_bits = sum(at.high - at.low + 1 for at in found)
        if limits is None or not ranges or not n_bits:
            return not line.is_action
        low, high = limits(n_bits, dump_zero(self.tree.get("zero"), n_value_bits))
        if low <= ranges[0][0] and ranges[-1][1] <= high:
            return True
        message = f"{n_bits} bits in the dump hold {low} to {high}, not {spell(ranges)}"
        self.fault("at", message)
        return False


def _read_at(item: Any) -> At | None:
    if not isinstance(item, dict) or set(item) - {"block", "byte", "bits"}:
        return None
    block, byte, bits = item.get("block"), item.get("byte"), item.get("bits", "6-0")
    match = _BITS.match(bits) if isinstance(bits, str) else None
    if not isinstance(block, str) or type(byte) is not int or byte < 0 or match is None:
        return None
    high = int(match[1])
    low = int(match[2]) if match[2] else high
    return At(block, byte, high, low) if 7 >= high >= low else None


def dump_zero(zero: int | None, n_value_bits: int) -> int:
    """Return what coding "offset" adds to a raw number, in a dump as in the line."""
    return 1 << n_value_bits >> 1 if zero is None else zero


def within(ranges: Ranges, number: int) -> bool:
    """Return whether a number lies in one of some ascending ranges."""
    i = bisect_right(ranges, number, key=_first)
    return i > 0 and number <= ranges[i - 1][1]


def _first(pair: tuple[int, int]) -> int:
    return pair[0]


def spell(ranges: Ranges) -> str:
    """Return ranges as a person reads them: ``0 to 15 and 32 to 47``."""
    return " and ".join(f"{low} to {high}" if low != high else str(low) for low, high in ranges)


def _number(text: str) -> int | None:
    try:
        return int(text, 0) if len(text) <= 12 and text.isascii() else None
    except ValueError:
        return None


def _is_pair(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(type(n) is int for n in value)


def _are_wholes(value: Any) -> bool:
    return isinstance(value, list) and all(type(n) is int for n in value)


def _is_list_of_lists(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(v, list) for v in value)
