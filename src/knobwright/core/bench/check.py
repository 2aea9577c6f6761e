"""Check a bench: every fault at once, each with its line; the typed bench where there is none.

The sheet and the surfaces that it names are checked on the way: an assignment can be judged only
against the control and the parameter that it joins.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from knobwright.core.bench.build import N_CHANNELS, build, channels, input_name, points
from knobwright.core.bench.records import Bench, Input
from knobwright.core.bench.shape import TABLES
from knobwright.core.codec.check import Checked
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import InputError, KnobwrightError, NamingError
from knobwright.core.sheet.faults import FAULT, NOTE, Fault, Findings, refusal
from knobwright.core.sheet.places import Path, Places
from knobwright.core.sheet.walk import Tree
from knobwright.core.surface.assignment import Assignment, faults
from knobwright.core.surface.check import CheckedSurface
from knobwright.core.surface.records import Control, Surface
from knobwright.core.surface.tree import parse, walk

#: Gives the checked sheet of a name that stands in the bench; raises ``KnobwrightError``.
LoadSheet = Callable[[str], Checked]
#: Gives the checked surface of a name that stands in the bench; raises ``KnobwrightError``.
LoadSurface = Callable[[str], CheckedSurface]


class CheckedBench(Struct, frozen=True):
    """The outcome: bench and codec (``None`` with faults), surfaces by input, faults and notes."""

    name: str
    bench: Bench | None
    codec: Codec | None = None
    surfaces: dict[str, Surface] = {}
    faults: tuple[Fault, ...] = ()
    notes: tuple[Fault, ...] = ()
    tree: Tree = {}

    def require(self) -> tuple[Bench, Codec]:
        """Return the bench and its codec.

        Raises
        ------
        SheetError
            It has faults; all of them are in ``faults``.
        """
        if self.bench is not None and self.codec is not None:
            return self.bench, self.codec
        raise refusal(self.name, self.faults)


def check_bench(
    text: str, *, name: str = "bench.toml", sheet: LoadSheet, surface: LoadSurface
) -> CheckedBench:
    """Return a bench's records, or every fault that it has.

    Parameters
    ----------
    text : str
        The TOML text.
    name : str
        What to call it in messages: its path.
    sheet, surface : callable
        Give the checked sheet and the checked surfaces that the bench names.
    """
    tree, syntax = parse(text, "the bench")
    if syntax is not None:
        return CheckedBench(name, None, faults=(syntax,))
    findings = Findings(Places(text))
    good = walk(tree, TABLES, findings)
    bench = build(good, findings)
    codec = _codec(bench, good, sheet, findings)
    surfaces = _surfaces(bench, good, surface, findings)
    joiner = _Joiner(bench, codec, surfaces, findings)
    joined = [joiner.read(i, row) for i, row in enumerate(good.get("assignment", []))]
    bench = replace(bench, assignments=tuple(a for a in joined if a is not None))
    broken = findings.n_faults > 0
    return CheckedBench(
        name,
        None if broken else bench,
        None if broken else codec,
        {} if broken else surfaces,
        findings.of(FAULT),
        findings.of(NOTE),
        tree,
    )


def _codec(bench: Bench, tree: Tree, load: LoadSheet, findings: Findings) -> Codec | None:
    if "sheet" not in tree:
        return None
    try:
        return Codec(load(bench.sheet).require(), device=bench.device)
    except KnobwrightError as error:
        findings.fault(("sheet",), f"the sheet {bench.sheet!r}: {error.message}", error.hint)
        return None


def _surfaces(
    bench: Bench, tree: Tree, load: LoadSurface, findings: Findings
) -> dict[str, Surface]:
    found: dict[str, Surface] = {}
    paths = {row["name"]: i for i, row in enumerate(tree.get("input", [])) if "name" in row}
    for row in bench.inputs:
        if not row.surface:
            continue
        try:
            found[row.name] = load(row.surface).require()
        except KnobwrightError as error:
            path = ("input", paths[row.name], "surface")
            findings.fault(path, f"the surface {row.surface!r}: {error.message}", error.hint)
    return found


class _Joiner:
    """Reads the assignments: each joins a control of an input to a parameter of the sheet."""

    def __init__(
        self,
        bench: Bench,
        codec: Codec | None,
        surfaces: dict[str, Surface],
        findings: Findings,
    ) -> None:
        self._inputs: dict[str, Input] = {row.name: row for row in bench.inputs}
        self._n_channels = N_CHANNELS * max(1, len(bench.links))
        self._codec = codec
        self._surfaces = surfaces
        self._findings = findings

    def read(self, number: int, tree: Tree) -> Assignment | None:
        """Return one assignment, or ``None`` where it can't be made."""
        path: Path = ("assignment", number)
        n_before = self._findings.n_faults
        input_name(tree.get("input", ""), list(self._inputs), (*path, "input"), self._findings)
        key = self._parameter(tree, path)
        fields: dict[str, Any] = {
            k: tree[k]
            for k in ("input", "note", "meet", "curve", "amount", "invert", "mode", "step", "wrap")
            if k in tree
        }
        fields["layer"] = tree.get("layer", "")
        if "channels" in tree:
            where = (*path, "channels")
            fields["channels"] = channels(tree["channels"], self._n_channels, where, self._findings)
        if "points" in tree:
            fields["points"] = points(tree["points"], (*path, "points"), self._findings)
        for name in ("low", "high", "value"):
            if name in tree and key:
                fields[name] = self._raw(key, tree[name], (*path, name))
        if "steps" in tree and key:
            rows = tree["steps"] if isinstance(tree["steps"], list) else [tree["steps"]]
            found = [self._raw(key, row, (*path, "steps")) for row in rows]
            fields["steps"] = tuple(raw for raw in found if raw is not None)
        if self._findings.n_faults > n_before or not key or "control" not in tree:
            return None
        assignment = Assignment(control=tree["control"], parameter=key, **fields)
        self._judge(assignment, path)
        return assignment

    def _parameter(self, tree: Tree, path: Path) -> str:
        """Return the key of the parameter, or an empty string where there is none to judge by."""
        name: str = tree.get("parameter", "")
        if self._codec is None or not name:
            return ""
        where = (*path, "parameter")
        parameter = self._codec.parameters.get(name)
        if parameter is None:
            known = list(self._codec.parameters)
            try:
                hint = f"did you mean {self._codec.find(name).key!r}?"
            except InputError:
                hint = self._findings.close(name, known, "knobwright params SHEET lists them")
            self._findings.fault(where, f"the sheet has no parameter {name!r}", hint)
            return ""
        question = self._codec.blocked(name)
        if question is not None:
            words = f"{name} is not sent until its question is answered: {question.understood}"
            self._findings.note(where, words, "knobwright answer SHEET")
        return name

    def _raw(self, key: str, value: Any, path: Path) -> int | None:
        """Return a raw number; a text is what a person would type for the parameter."""
        if isinstance(value, int) and not isinstance(value, bool):
            return value
        if isinstance(value, str) and self._codec is not None:
            try:
                raw = self._codec.parse(key, value)
            except InputError as error:
                self._findings.fault(path, error.message, error.hint)
                return None
            if isinstance(raw, int):
                return raw
        self._findings.fault(path, f"must be a raw number or a value as text, not {value!r}")
        return None

    def _judge(self, assignment: Assignment, path: Path) -> None:
        """Report what does not fit the control (of every input that it is for) or the parameter."""
        assert self._codec is not None
        parameter = self._codec.parameters[assignment.parameter]
        named = [assignment.input] if assignment.input else list(self._inputs)
        without = [name for name in named if not self._inputs[name].surface]
        if assignment.input and without:
            message = f"the input {assignment.input!r} has no surface, so no controls"
            self._findings.fault((*path, "input"), message, 'give it surface = "NAME.surface.toml"')
            return
        judged = [self._surfaces[name] for name in named if name in self._surfaces]
        having = [s for s in judged if any(c.name == assignment.control for c in s.controls)]
        if not having:
            if judged or not assignment.input:
                names = [c.name for s in judged for c in s.controls]
                hint = self._findings.close(
                    assignment.control, names, f"controls: {', '.join(names[:12])}"
                )
                message = f"there is no control {assignment.control!r}"
                self._findings.fault((*path, "control"), message, hint)
            return
        for surface in having:
            layer = self._layer(assignment, surface, path)
            control = surface.control(assignment.control)
            for key, message, hint in faults(assignment, control, parameter, layer):
                self._findings.fault((*path, key), message, hint)

    def _layer(self, assignment: Assignment, surface: Surface, path: Path) -> Control | None:
        """Return the control that is held for the assignment, if it names one that there is."""
        if not assignment.layer:
            return None
        try:
            return surface.control(assignment.layer)
        except NamingError as error:
            hint = self._findings.close(assignment.layer, error.candidates, error.hint)
            self._findings.fault((*path, "layer"), error.message, hint)
            return None
