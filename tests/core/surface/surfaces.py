"""Surfaces for the tests: the example with every form, and small ones made on the spot."""

from __future__ import annotations

from pathlib import Path

from knobwright.core.surface.check import check_surface
from knobwright.core.surface.moves import Move
from knobwright.core.surface.recognise import Recogniser
from knobwright.core.surface.records import Surface

EXAMPLE = Path(__file__).resolve().parents[3] / "examples" / "surfaces" / "every-form.surface.toml"
HEAD = 'format = 1\n\n[surface]\nname = "Test"\n'


def every_form() -> Surface:
    """Return the example that has a control of every form."""
    return check_surface(EXAMPLE.read_text(encoding="utf-8")).require()


def control(rows: str, name: str = "a", kind: str = "knob") -> str:
    """Return a control's table."""
    return f'\n[[control]]\nname = "{name}"\nkind = "{kind}"\n{rows}\n'


def surface(*controls: str) -> Surface:
    """Return the surface of some controls' tables."""
    return check_surface(HEAD + "".join(controls)).require()


def faults(*controls: str) -> list[str]:
    """Return the faults of a surface of some controls' tables."""
    return [str(fault) for fault in check_surface(HEAD + "".join(controls)).faults]


def heard(recogniser: Recogniser, *messages: str, at_ns: int = 0) -> list[Move | None]:
    """Return what messages in hex make of a recogniser's controls."""
    return [recogniser.feed(bytes.fromhex(message), at_ns) for message in messages]
