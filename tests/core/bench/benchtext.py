"""A small bench with its sheet and surface as text, for an invented module and desk."""

from __future__ import annotations

from knobwright.core.bench.check import CheckedBench, check_bench
from knobwright.core.codec.check import Checked, check_sheet
from knobwright.core.errors import InputError
from knobwright.core.surface.check import CheckedSurface, check_surface

SHEET = """
format = 1
[module]
name = "Wren 4"
[[parameter]]
key = "tone.level"
per = ["channel"]
line = "Bn 07 vv"
shown = { formula = "v - 64" }
[[parameter]]
key = "hall.kind"
line = "F0 7D 01 vv F7"
choices = { 0 = "room", 1 = "plate" }
[[parameter]]
key = "colour"
line = "F0 7D 02 vv F7"
[[parameter]]
key = "store"
line = "F0 7D 03 vv F7"
danger = "it writes over the user's sounds"
[[question]]
about = "colour"
place = "page 1"
understood = "F0 7D 02 vv F7"
choices = { yes = "it is", no = "it is not" }
"""
SURFACE = """
format = 1
[surface]
name = "Marram 2"
[[control]]
name = "knob-1"
kind = "knob"
sends = "B0 10 vv"
[[control]]
name = "button-1"
kind = "button"
sends = "90 24 vv"
"""
LINK = '[[link]]\nout = "memory:module"\n'
INPUTS = """
[[input]]
name = "desk"
port = "memory:desk"
surface = "desk.surface.toml"
[[input]]
name = "keys"
port = "memory:keys"
"""
HEAD = 'format = 1\nsheet = "wren.sheet.toml"\n'


def load_sheet(name: str) -> Checked:
    """Return the sheet; any other name is none."""
    if name != "wren.sheet.toml":
        raise InputError("there is no such sheet", where=name)
    return check_sheet(SHEET, name=name)


def load_surface(name: str) -> CheckedSurface:
    """Return the surface, or one with a fault by the name of ``bad.surface.toml``."""
    is_bad = name == "bad.surface.toml"
    return check_surface(SURFACE.replace('"knob"', '"nob"') if is_bad else SURFACE, name=name)


def check(text: str) -> CheckedBench:
    """Return the checked bench of a whole text."""
    return check_bench(text, sheet=load_sheet, surface=load_surface)


def faults(tables: str, head: str = HEAD + LINK + INPUTS) -> list[str]:
    """Return the faults of a bench with these tables."""
    return [str(fault) for fault in check(head + tables).faults]
