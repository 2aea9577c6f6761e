"""The generated reference pages are what ``make docs`` would write now."""

from __future__ import annotations

import pytest

from tools import reference


@pytest.mark.parametrize("name", sorted(reference.PAGES))
def test_the_page_is_up_to_date(name: str) -> None:
    path = reference.FOLDER / name
    assert path.exists(), "run 'make docs'"
    assert path.read_text(encoding="utf-8") == reference.PAGES[name](), "run 'make docs'"


def test_every_member_has_words() -> None:
    silent = [
        f"{place.table}: {name}"
        for place in reference.places()
        if place.state == "now"
        for name, words in reference.members(place)
        if not words
    ]
    assert not silent, f"give these a sentence of their own: {silent}"
