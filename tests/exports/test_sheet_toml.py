"""A sheet written as TOML: the standard library's reader finds the same tree in it."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from knobwright.exports.sheet_toml import INLINE, MAX_INLINE, NAMED, ORDER, write_sheet

# TOML 1.0 has no surrogates; everything else may stand in a string or a quoted key.
words = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
odd = st.sampled_from(
    ["\x1b[2J", "\x00", "\x7f", "\x9b31m", "\r\n", "\t", '"', "'", '"""', "'''", "\\", "\\u0041",
     "#", "=", "[a]", "{b}", "\u2028", "\u202e", "\ufeff", "\U000e0041", "日本", "é", "", " "]
)  # fmt: skip
texts = st.one_of(words, odd, st.tuples(odd, words, odd).map("".join))
plain = st.one_of(
    texts,
    st.booleans(),
    st.integers(-(2**63), 2**63 - 1),
    st.floats(allow_nan=False, allow_infinity=False),
)
keys = st.one_of(st.sampled_from(["key", "line", "label", "range", "a.b", *sorted(INLINE)]), texts)
values = st.recursive(
    plain,
    lambda inner: st.one_of(
        st.lists(plain, max_size=3),
        st.lists(st.lists(plain, max_size=3), max_size=3),
        st.lists(st.dictionaries(keys, inner, min_size=1, max_size=3), min_size=1, max_size=3),
        st.dictionaries(keys, inner, max_size=4),
        st.dictionaries(texts, plain, min_size=MAX_INLINE, max_size=MAX_INLINE + 2),
    ),
    max_leaves=8,
)
tables = st.dictionaries(keys, values, max_size=4)
named = st.dictionaries(texts, tables, min_size=1, max_size=3)
trees = st.fixed_dictionaries(
    {"format": st.just(1)},
    optional={
        "include": st.lists(texts, min_size=1, max_size=3),
        "module": tables,
        "setup": st.lists(tables, min_size=1, max_size=3),
        "parameter": st.lists(tables, min_size=1, max_size=3),
        "question": st.lists(tables, min_size=1, max_size=2),
        **dict.fromkeys(sorted(NAMED), named),
        "x.y": values.filter(lambda value: value != []),
    },
)
comments = st.lists(texts, max_size=3)


@settings(max_examples=40)
@given(tree=trees, head=comments)
@example(tree={"format": 1, "module": {"name": "\x1b[2J\x9b\u202e"}}, head=["\x1b[2J", "a\rb"])
@example(tree={"parameter": [{"route": [{"line": "B0 07 vv"}], "key": "a"}]}, head=[])
def test_what_is_written_is_read_back(tree: dict[str, Any], head: list[str]) -> None:
    assert tomllib.loads(write_sheet(tree, head=head)) == tree


@settings(max_examples=40)
@given(tree=trees, head=comments)
def test_a_terminal_finds_nothing_to_obey(tree: dict[str, Any], head: list[str]) -> None:
    for line in write_sheet(tree, head=head).split("\n"):
        assert line.isprintable(), line


@settings(max_examples=40)
@given(tree=trees)
def test_writing_twice_gives_the_same_text(tree: dict[str, Any]) -> None:
    text = write_sheet(tree)
    assert write_sheet(tomllib.loads(text)) == text


def test_comments_stand_at_the_head_one_a_line() -> None:
    text = write_sheet({"format": 1}, head=["Drafted from 'x'.", "", "two\nlines \x1b[2J"])
    lines = text.splitlines()
    assert lines[0] == "# Drafted from 'x'."
    assert lines[-1] == "format = 1"
    assert all(line.startswith("#") for line in lines[:-1])
    assert "\x1b" not in text


def test_tables_stand_in_the_order_of_the_format() -> None:
    tree = {name: {"a": {"b": 1}} for name in reversed(ORDER) if name != "format"} | {"format": 1}
    found = list(tomllib.loads(write_sheet(tree)))
    assert found == list(ORDER)


@pytest.mark.parametrize("n", [MAX_INLINE, MAX_INLINE + 1])
def test_a_plain_key_never_falls_into_a_table_above_it(n: int) -> None:
    choices = {str(i): f"name {i}" for i in range(n)}
    tree = {"parameter": [{"choices": choices, "key": "a"}, {"key": "b", "choices": choices}]}
    assert tomllib.loads(write_sheet(tree)) == tree


def test_numbers_as_keys_are_written_as_toml_spells_them() -> None:
    tree = {"parameter": [{"choices": {0: "room", 1: "stage"}}]}
    read = tomllib.loads(write_sheet(tree))
    assert read == {"parameter": [{"choices": {"0": "room", "1": "stage"}}]}


def test_what_is_empty_at_the_top_is_left_out() -> None:
    assert write_sheet({"format": 1, "include": [], "checksum": {}}).strip() == "format = 1"
