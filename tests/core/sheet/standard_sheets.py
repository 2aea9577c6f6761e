"""What the tests of the standard sheets share: the sheets, their codecs and their formulas."""

from __future__ import annotations

import tomllib
from functools import cache
from typing import Any

from knobwright.adapters.files import standard
from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.sheet.formula import compile_formula
from knobwright.core.sheet.records import Parameter, Sheet


@cache
def tree(name: str) -> dict[str, Any]:
    """Return the TOML of a standard sheet as it stands in its file."""
    return tomllib.loads(standard.text(name))


@cache
def sheet(name: str) -> Sheet:
    """Return a standard sheet with what it includes."""
    checked = check_sheet(standard.text(name), name=name, library=standard.text)
    assert checked.sheet is not None, [str(fault) for fault in checked.faults]
    return checked.sheet


@cache
def codec(name: str) -> Codec:
    """Return the codec of a standard sheet."""
    return Codec(sheet(name))


def parameter(name: str, key: str) -> Parameter:
    """Return one parameter of a standard sheet."""
    return next(p for p in sheet(name).parameters if p.key == key)


def shown(name: str, key: str, raw: int) -> float:
    """Return what the parameter's formula gives for a raw value."""
    formula = parameter(name, key).shown
    assert formula is not None
    return compile_formula(formula.formula)(raw)


def sent(name: str, key: str, value: Any, channel: int = 1, note: int = 60) -> bytes:
    """Return the bytes that set a parameter, its messages joined."""
    return b"".join(codec(name).encode(key, value, channel=channel, note=note))
