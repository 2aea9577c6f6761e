"""No field of a named tuple hides a method of tuples: ``index`` and ``count``."""

from __future__ import annotations

import importlib
import pkgutil

import pytest

import knobwright.core.codec
import knobwright.core.sheet

MODULES = [
    name
    for package in (knobwright.core.codec, knobwright.core.sheet)
    for _, name, _ in pkgutil.iter_modules(package.__path__, f"{package.__name__}.")
]


@pytest.mark.parametrize("name", MODULES)
def test_no_field_hides_a_method(name: str) -> None:
    for row in vars(importlib.import_module(name)).values():
        fields = getattr(row, "_fields", ())
        assert not {"index", "count"} & set(fields), row


def test_both_packages_are_looked_at() -> None:
    assert len(MODULES) > 25
