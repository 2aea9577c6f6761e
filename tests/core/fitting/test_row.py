"""Rows of a survey: columns, paths that can be shown, and what is no row."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import InputError
from knobwright.core.fitting.row import COLUMNS, KEY, WORDS, make_row, row_values, told_path
from tests.core.fitting.survey_rows import row


def test_every_column_has_words_in_the_same_order() -> None:
    assert list(WORDS) == list(COLUMNS)
    assert list(COLUMNS)[: len(KEY)] == list(KEY)
    assert all(WORDS.values())


@pytest.mark.parametrize(
    ("path", "told"),
    [
        ("songs/plain one.mid", "songs/plain one.mid"),
        ("Fuge in D-Dur für zwei.mid", "Fuge in D-Dur für zwei.mid"),
        ("\x1b[31mred.mid", "\\x1b[31mred.mid"),
        ("two\nlines.mid", "two\\x0alines.mid"),
        ("back\\slash.mid", "back\\\\slash.mid"),
        ("turned \u202e around.mid", "turned \\u202e around.mid"),
        ("no utf-8 \udcff.mid", "no utf-8 \\udcff.mid"),
        ("far away \U000e0001.mid", "far away \\U000e0001.mid"),
    ],
)
def test_a_path_is_told_without_controls(path: str, told: str) -> None:
    assert told_path(path) == told


@given(st.text(), st.text())
def test_two_paths_are_never_told_alike(one: str, other: str) -> None:
    assert (told_path(one) == told_path(other)) == (one == other)
    assert told_path(one).isprintable()


def test_a_literal_escape_is_not_the_character() -> None:
    assert told_path("\\x1b") != told_path("\x1b")


def test_a_row_comes_back_from_its_values() -> None:
    one = row("a.mid", length_s=1.5, n_notes=3, title="=1+1")
    assert make_row(row_values(one)) == one


def test_a_row_of_another_version_is_left_alone() -> None:
    values = row_values(row("a.mid"))
    values["a column of later"] = 1
    assert make_row(values) is None


@pytest.mark.parametrize("name", KEY)
def test_what_has_no_key_is_no_row(name: str) -> None:
    values = row_values(row("a.mid"))
    del values[name]
    with pytest.raises(InputError, match=f"column {name}"):
        make_row(values)


def test_a_text_where_a_number_belongs_is_no_row() -> None:
    values = row_values(row("a.mid")) | {"n_notes": "many"}
    with pytest.raises(InputError, match="no row of a survey"):
        make_row(values)
