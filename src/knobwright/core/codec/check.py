"""Check a sheet: every fault at once, each with its line; the typed sheet where there is none."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence

from msgspec import Struct
from msgspec.structs import replace

from knobwright.core.codec.checksums import CHECKSUMS
from knobwright.core.codec.clash import clashes, depends_on, not_invertible
from knobwright.core.codec.codings import CODINGS
from knobwright.core.codec.match import Target, targets
from knobwright.core.codec.packings import PACKINGS
from knobwright.core.codec.shown import Scale
from knobwright.core.errors import InputError, KnobwrightError, SheetError
from knobwright.core.interfaces import Library
from knobwright.core.sheet.build import build
from knobwright.core.sheet.faults import FAULT, NOTE, QUESTION, Fault, Findings
from knobwright.core.sheet.places import Path, Places
from knobwright.core.sheet.records import Parameter, Sheet
from knobwright.core.sheet.references import References
from knobwright.core.sheet.templates import Vocabulary
from knobwright.core.sheet.walk import Tree, walk

#: Largest sheet in characters.
MAX_CHARACTERS = 4_000_000
_MAX_DEPTH = 8
_LINE = re.compile(r"\(at line ([0-9]+)")

#: What a sheet may call for, from the codec's own tables.
VOCABULARY = Vocabulary(
    checksums=tuple(CHECKSUMS),
    codings={name: row.limits for name, row in CODINGS.items()},
    packings=tuple(PACKINGS),
)


class Checked(Struct, frozen=True):
    """The outcome: the sheet (``None`` with faults), faults, open questions, notes, parsed tree."""

    name: str
    sheet: Sheet | None
    faults: tuple[Fault, ...] = ()
    questions: tuple[Fault, ...] = ()
    notes: tuple[Fault, ...] = ()
    tree: Tree = {}

    def require(self) -> Sheet:
        """Return the sheet.

        Raises
        ------
        SheetError
            It has faults; all of them are in ``faults``.
        """
        if self.sheet is not None:
            return self.sheet
        n = len(self.faults)
        more = f" (and {n - 1} more)" if n > 1 else ""
        raise SheetError(
            f"{self.faults[0]}{more}",
            where=self.name,
            hint=f"knobwright check {self.name}",
            faults=tuple(str(fault) for fault in self.faults),
        )


def check_sheet(text: str, *, name: str = "sheet", library: Library | None = None) -> Checked:
    """Return a sheet's records, or every fault that it has.

    Parameters
    ----------
    text : str
        The TOML text.
    name : str
        What to call it in messages: its path.
    library : callable, optional
        Resolves the name of an included sheet to its text.
    """
    return _check(text, name, library, ())


def _check(text: str, name: str, library: Library | None, stack: tuple[str, ...]) -> Checked:
    tree, syntax = _parse(text)
    if syntax is not None:
        return Checked(name, None, (syntax,))
    findings = Findings(Places(text))
    good = walk(tree, findings)
    included = _includes(good, findings, library, stack)
    good["module"] = _module_with_defaults(good.get("module", {}), included)
    sheet = build(good, findings, VOCABULARY)
    sheet = _joined(sheet, good, included, findings)
    broken = findings.n_faults > 0
    return Checked(
        name,
        None if broken else sheet,
        findings.of(FAULT),
        findings.of(QUESTION),
        findings.of(NOTE),
        tree,
    )


def _parse(text: str) -> tuple[Tree, Fault | None]:
    if len(text) > MAX_CHARACTERS:
        words = f"the sheet is larger than {MAX_CHARACTERS:,} characters"
        return {}, Fault(FAULT, 1, "", words)
    try:
        return tomllib.loads(text), None
    except tomllib.TOMLDecodeError as error:
        words = str(error)
        match = _LINE.search(words)
        if match:
            line = int(match[1])
        else:
            line = text.count("\n") + 1
        return {}, Fault(FAULT, line, "", f"this is not TOML: {words}")
    except (RecursionError, ValueError) as error:
        hint = "nested too deeply" if isinstance(error, RecursionError) else str(error)[:100]
        return {}, Fault(FAULT, 1, "", f"this TOML can't be read: {hint}")


def _includes(
    tree: Tree, findings: Findings, library: Library | None, stack: tuple[str, ...]
) -> list[tuple[str, Checked]]:
    found: list[tuple[str, Checked]] = []
    for i, name in enumerate(tree.get("include", [])):
        path: Path = ("include", i)
        if name in stack or len(stack) >= _MAX_DEPTH:
            chain = " > ".join((*stack, name))
            findings.fault(path, f"sheets include each other without end: {chain}")
            continue
        if library is None:
            findings.fault(path, f"there is nowhere to look for the sheet {name!r}")
            continue
        try:
            checked = _check(library(name), name, library, (*stack, name))
        except KnobwrightError as error:
            findings.fault(path, error.message, error.hint)
            continue
        if checked.sheet is None:
            first = checked.faults[0]
            words = f"the included sheet {name!r} has {len(checked.faults)} faults; first: {first}"
            findings.fault(path, words)
        else:
            found.append((name, checked))
    return found


def _module_with_defaults(module: Tree, included: list[tuple[str, Checked]]) -> Tree:
    """Return the module's table with channels and voices of the included sheets filled in."""
    merged: Tree = {}
    for _, checked in included:
        theirs = checked.tree.get("module", {})
        merged.update({k: theirs[k] for k in ("channels", "drum_channels", "voices") if k in theirs})
    return {**merged, **module}


def _joined(
    own: Sheet, tree: Tree, included: list[tuple[str, Checked]], findings: Findings
) -> Sheet:
    """Return the sheet joined with what it includes, references and clashes checked."""
    sheets = [(name, checked.sheet) for name, checked in included if checked.sheet is not None]
    mine = {p.key for p in own.parameters}
    theirs: dict[str, Parameter] = {}
    for name, sheet in sheets:
        for parameter in sheet.parameters:
            if parameter.key not in mine:
                theirs[parameter.key] = replace(parameter, included=parameter.included or name)
    blocks = {b.key: b for _, sheet in sheets for b in sheet.blocks}
    blocks.update({b.key: b for b in own.blocks})
    paths = {t.get("key", ""): ("parameter", i) for i, t in enumerate(tree.get("parameter", []))}
    everything = {**theirs, **{p.key: p for p in own.parameters}}
    declared = (*tree.get("parameter", []), *tree.get("block", []))
    faulty = frozenset(t["key"] for t in declared if "key" in t) - everything.keys() - blocks.keys()
    references = References(findings, everything, blocks, faulty)
    joined = tuple(
        references.join(p, tree["parameter"][paths[p.key][1]], paths[p.key]) for p in own.parameters
    )
    last = [sheet for _, sheet in sheets][::-1]
    sheet = replace(
        own,
        parameters=(*theirs.values(), *joined),
        blocks=tuple(blocks.values()),
        setup=own.setup or next((s.setup for s in last if s.setup), ()),
        programs=own.programs or next((s.programs for s in last if s.programs), None),
        program=own.program or next((s.program for s in last if s.program), ()),
        kits=own.kits or next((s.kits for s in last if s.kits), ()),
        questions=(*own.questions, *(q for s in last for q in s.questions)),
    )
    return _without_clashes(sheet, mine, paths, findings)


def _without_clashes(
    sheet: Sheet, mine: set[str], paths: dict[str, tuple[str, int]], findings: Findings
) -> Sheet:
    """Report clashes among the sheet's own lines; included lines give way, and that is noted."""
    asked = {q.thing for q in sheet.questions} | {a for q in sheet.questions for a in q.also}
    everything = list(targets(sheet))
    _report_not_invertible(everything, asked, paths, findings)
    banks: frozenset[int] = frozenset()
    if sheet.programs is not None:
        messages = sheet.programs.template.line.messages
        banks = frozenset(m[1].fixed for m in messages if m[0].fixed & 0xF0 == 0xB0)
    gone: dict[str, str] = {}
    for clash in clashes(everything, banks):
        first, second = clash.first.name, clash.second.name
        loser = next((n for n in (first, second) if n not in mine and _is_parameter(sheet, n)), None)
        if loser is not None:
            gone.setdefault(loser, second if loser == first else first)
        elif not {first, second} & asked:
            _report_clash(first, second, clash.bytes_words, paths, findings)
    return _without(sheet, gone, mine, findings)


def _report_not_invertible(
    everything: Sequence[Target],
    asked: set[str],
    paths: dict[str, tuple[str, int]],
    findings: Findings,
) -> None:
    for target in everything:
        if target.name in asked or target.parameter is None:
            continue
        if why := not_invertible(target):
            path = paths.get(target.name, ())
            findings.fault((*path, "line"), why, about=target.name)


def _is_parameter(sheet: Sheet, name: str) -> bool:
    return any(p.key == name for p in sheet.parameters)


def _report_clash(
    first: str, second: str, bytes_words: str, paths: dict[str, tuple[str, int]], findings: Findings
) -> None:
    if first == second:
        findings.fault(
            (*paths.get(first, ()), "line"),
            f"no receiver could tell it from a bank change: {bytes_words}",
            "take it out, or take that controller out of the line of [programs]",
            about=first,
        )
        return
    findings.fault(
        (*paths.get(second, paths.get(first, ())), "line"),
        f"no receiver could tell {second} from {first}: both are {bytes_words}",
        "mend one of the lines, or say with when that they hold at different times",
        about=second,
    )


def _without(sheet: Sheet, gone: dict[str, str], mine: set[str], findings: Findings) -> Sheet:
    """Take out included parameters that gave way, and included ones that depend on them."""
    left = {p.key: p for p in sheet.parameters if p.key not in gone}
    while True:
        lost = [p for p in left.values() if p.key not in mine and depends_on(p) - left.keys()]
        if not lost:
            break
        for parameter in lost:
            gone[parameter.key] = next(iter(depends_on(parameter) - left.keys()))
            del left[parameter.key]
    for key, winner in gone.items():
        findings.note((), f"the included {key} gives way to {winner}, which has the same bytes")
    _note_shapes(tuple(left.values()), mine, findings)
    return replace(sheet, parameters=tuple(left.values()))


def _note_shapes(parameters: Sequence[Parameter], mine: set[str], findings: Findings) -> None:
    for parameter in parameters:
        if parameter.shown is None or parameter.key not in mine or parameter.is_action:
            continue
        try:
            scale = Scale(parameter)
        except InputError:
            continue
        if scale.has_gaps():
            words = "the formula has no value in part of the range"
            findings.note(("parameter",), words, about=parameter.key)
        elif not scale.is_monotonic():
            words = "the formula does not rise or fall all along the range: some values are ambiguous"
            findings.note(("parameter",), words, about=parameter.key)
