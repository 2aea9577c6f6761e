"""Check a sheet: every fault at once, each with its line; the typed sheet where there is none."""

from __future__ import annotations

import re
import tomllib

from msgspec import Struct

from knobwright.core.codec.checksums import CHECKSUMS
from knobwright.core.codec.codings import CODINGS
from knobwright.core.codec.joining import joined
from knobwright.core.codec.packings import PACKINGS
from knobwright.core.errors import KnobwrightError
from knobwright.core.interfaces import Library
from knobwright.core.sheet.build import build
from knobwright.core.sheet.faults import FAULT, NOTE, QUESTION, Fault, Findings, refusal
from knobwright.core.sheet.places import Path, Places, longest_key
from knobwright.core.sheet.records import Sheet
from knobwright.core.sheet.templates import Vocabulary
from knobwright.core.sheet.walk import Tree, walk

#: Largest sheet in characters.
MAX_CHARACTERS = 4_000_000
_MAX_DEPTH = 8
_MAX_INCLUDES = 32
_MAX_KEY_PARTS = 16
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
        raise refusal(self.name, self.faults)


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
    return _check(text, name, _Shelf(library), ())


class _Shelf:
    """The sheets that are included, each read and checked once."""

    def __init__(self, library: Library | None) -> None:
        self.library = library
        self.checked: dict[str, Checked] = {}


def _check(text: str, name: str, shelf: _Shelf, stack: tuple[str, ...]) -> Checked:
    tree, syntax = _parse(text)
    if syntax is not None:
        return Checked(name, None, (syntax,))
    findings = Findings(Places(text))
    good = walk(tree, findings)
    included = _includes(good, findings, shelf, stack)
    good["module"] = _module_with_defaults(good.get("module", {}), included)
    sheet = build(good, findings, VOCABULARY)
    sheets = [(part, checked.sheet) for part, checked in included if checked.sheet is not None]
    sheet = joined(sheet, good, sheets, findings)
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
    if n_parts := longest_key(text, _MAX_KEY_PARTS):
        words = f"a key has {n_parts} parts; this TOML is nested too deeply to be read"
        return {}, Fault(FAULT, 1, "", words)
    try:
        return tomllib.loads(text), None
    except tomllib.TOMLDecodeError as error:
        words = str(error)
        match = _LINE.search(words)
        line = int(match[1]) if match else text.count("\n") + 1
        return {}, Fault(FAULT, line, "", f"this is not TOML: {words}")
    except (RecursionError, ValueError) as error:
        hint = "nested too deeply" if isinstance(error, RecursionError) else str(error)[:100]
        return {}, Fault(FAULT, 1, "", f"this TOML can't be read: {hint}")


def _includes(
    tree: Tree, findings: Findings, shelf: _Shelf, stack: tuple[str, ...]
) -> list[tuple[str, Checked]]:
    found: dict[str, Checked] = {}
    for i, name in enumerate(tree.get("include", [])):
        path: Path = ("include", i)
        if name in stack or len(stack) >= _MAX_DEPTH:
            chain = " > ".join((*stack, name))
            findings.fault(path, f"sheets include each other without end: {chain}")
            continue
        if shelf.library is None:
            findings.fault(path, f"there is nowhere to look for the sheet {name!r}")
            continue
        checked = shelf.checked.get(name)
        if checked is None:
            if len(shelf.checked) >= _MAX_INCLUDES:
                findings.fault(path, f"more than {_MAX_INCLUDES} sheets are included")
                break
            try:
                checked = _check(shelf.library(name), name, shelf, (*stack, name))
            except KnobwrightError as error:
                findings.fault(path, error.message, error.hint)
                continue
            shelf.checked[name] = checked
        if checked.sheet is None:
            first = checked.faults[0]
            n = len(checked.faults)
            many = "a fault" if n == 1 else f"{n} faults; first"
            findings.fault(path, f"the included sheet {name!r} has {many}: {first}")
        else:
            found[name] = checked
    return list(found.items())


def _module_with_defaults(module: Tree, included: list[tuple[str, Checked]]) -> Tree:
    """Return the module's table with channels and voices of the included sheets filled in."""
    merged: Tree = {}
    for _, checked in included:
        theirs = checked.tree.get("module", {})
        merged.update(
            {k: theirs[k] for k in ("channels", "drum_channels", "voices") if k in theirs}
        )
    return {**merged, **module}
