"""Check a surface: every fault at once, each with its line; the typed surface where there is none.

The format is described in ``docs/reference/surface.md``.
"""

from __future__ import annotations

from msgspec import Struct

from knobwright.core.sheet.faults import FAULT, NOTE, Fault, Findings, refusal
from knobwright.core.sheet.places import Places
from knobwright.core.sheet.walk import Tree
from knobwright.core.surface.build import build
from knobwright.core.surface.records import Surface
from knobwright.core.surface.shape import TABLES
from knobwright.core.surface.tree import parse, walk


class CheckedSurface(Struct, frozen=True):
    """The outcome: the surface (``None`` with faults), faults, notes, and the parsed tree."""

    name: str
    surface: Surface | None
    faults: tuple[Fault, ...] = ()
    notes: tuple[Fault, ...] = ()
    tree: Tree = {}

    def require(self) -> Surface:
        """Return the surface.

        Raises
        ------
        SheetError
            It has faults; all of them are in ``faults``.
        """
        if self.surface is not None:
            return self.surface
        raise refusal(self.name, self.faults)


def check_surface(text: str, *, name: str = "surface") -> CheckedSurface:
    """Return a surface's records, or every fault that it has.

    Parameters
    ----------
    text : str
        The TOML text.
    name : str
        What to call it in messages: its path.
    """
    tree, syntax = parse(text, "the surface")
    if syntax is not None:
        return CheckedSurface(name, None, (syntax,))
    findings = Findings(Places(text))
    surface = build(walk(tree, TABLES, findings), findings)
    broken = findings.n_faults > 0
    return CheckedSurface(
        name, None if broken else surface, findings.of(FAULT), findings.of(NOTE), tree
    )
