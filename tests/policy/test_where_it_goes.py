"""CONTRIBUTING's table "where does it go" tells the truth."""

from __future__ import annotations

import importlib
import re

import pytest

from tests.policy.tree import PACKAGE
from tools.reference import Place, places

PLACES = places()
NOW = [place for place in PLACES if place.state == "now"]


def test_every_row_is_now_or_planned() -> None:
    assert {place.state for place in PLACES} <= {"now", "planned"}
    assert {"CHECKSUMS", "CODINGS", "DIALECTS", "COMMANDS"} <= {place.table for place in NOW}


@pytest.mark.parametrize("place", NOW, ids=lambda place: place.table)
def test_a_row_that_is_there_now_names_what_exists(place: Place) -> None:
    fixed = re.split(r"[^/]*<", place.file)[0]  # up to the part that the new member names
    assert (PACKAGE / fixed).exists(), f"{place.file} is not there"
    module = importlib.import_module("knobwright." + place.module)
    assert getattr(module, place.table), f"{place.module}.{place.table} has no rows"


@pytest.mark.parametrize("place", NOW, ids=lambda place: place.table)
def test_the_table_says_how_to_add_a_member(place: Place) -> None:
    words = importlib.import_module("knobwright." + place.module).__doc__ or ""
    assert re.search(r"\bto add (a|an|one)\b", words, re.IGNORECASE), (
        f"the docstring of knobwright.{place.module} must tell how: 'To add a ...'"
    )


def test_a_planned_row_is_still_planned() -> None:
    there = [
        place.file
        for place in PLACES
        if place.state == "planned"
        and any(
            (PACKAGE / (place.module.replace(".", "/") + end)).exists()
            for end in (".py", "/__init__.py")
        )
    ]
    assert not there, f"these exist: change 'planned' to 'now' in CONTRIBUTING.md: {there}"
