"""The trace as JSON lines: what is written is read back, anything else is refused with words."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import InputError
from knobwright.exports.trace import HEADER, TraceEntry, read_entry, read_header, write_entry

entries = st.builds(
    TraceEntry,
    st.integers(0, 2**63),
    st.sampled_from(("in", "out")),
    st.text(max_size=30),
    st.binary(max_size=300),
)


@given(entry=entries)
def test_an_entry_is_one_line_and_comes_back(entry: TraceEntry) -> None:
    line = write_entry(entry)
    assert "\n" not in line
    assert read_entry(line) == entry


def test_the_bytes_stand_as_hex_that_a_person_reads() -> None:
    line = write_entry(TraceEntry(5, "in", "desk", b"\x90\x3c\x40"))
    assert json.loads(line) == {"at_ns": 5, "way": "in", "port": "desk", "hex": "90 3C 40"}


def test_further_keys_of_a_line_are_passed_over() -> None:
    line = '{"at_ns": 5, "way": "out", "port": "x", "hex": "F8", "words": "clock"}'
    assert read_entry(line) == TraceEntry(5, "out", "x", b"\xf8")


def test_the_header_is_taken() -> None:
    read_header(HEADER)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("", "one JSON object"),
        ("[1]", "one JSON object"),
        ('{"format": "other"}', "a trace begins with"),
        ('{"format": "knobwright-trace", "version": 2}', "version 2"),
        ("[" * 100_000, "one JSON object"),
    ],
)
def test_another_header_is_refused(line: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read_header(line)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("{", "one JSON object"),
        ('{"at_ns": -1, "way": "in", "port": "x", "hex": "F8"}', "at_ns"),
        ('{"at_ns": true, "way": "in", "port": "x", "hex": "F8"}', "at_ns"),
        ('{"at_ns": 1, "way": "up", "port": "x", "hex": "F8"}', "way"),
        ('{"at_ns": 1, "way": "in", "port": 3, "hex": "F8"}', "port and hex"),
        ('{"at_ns": 1, "way": "in", "port": "x"}', "port and hex"),
        ('{"at_ns": 1, "way": "in", "port": "x", "hex": "F"}', "pairs of hex digits"),
    ],
)
def test_what_is_no_entry_is_refused_with_words(line: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read_entry(line)
