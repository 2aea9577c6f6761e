"""Byte tokens in every printed style, and where runs of bytes begin and end in a text."""

from __future__ import annotations

import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.reading.numbers import DEC, HEX, spans
from knobwright.core.reading.runs import find_runs
from knobwright.core.reading.tokens import scan

ROWS = [
    ("B0H", "byte", 0xB0),
    ("b0h", "byte", 0xB0),
    ("$B0", "byte", 0xB0),
    ("0xB0", "byte", 0xB0),
    ("B0", "byte", 0xB0),
    ("01100011", "byte", 0x63),
    ("BnH", "half", 0xB),
    ("Bn", "half", 0xB),
    ("$Bn", "half", 0xB),
    ("1011nnnn", "half", 0xB),
    ("4p", "half", 4),
    ("vvH", "field", -1),
    ("vv", "field", -1),
    ("0vvvvvvv", "field", -1),
    ("cs", "field", -1),
    ("$ww", "field", -1),
    ("dd", "twin", 0xDD),
    ("O5", "slip", -1),
    ("1l", "slip", -1),
    ("0512h", "wide", 0x512),
    ("...", "dots", -1),
    ("127", "number", 127),
    ("Volume", "word", -1),
]


@pytest.mark.parametrize(("text", "kind", "value"), ROWS)
def test_a_chunk_is_what_the_table_says(text: str, kind: str, value: int) -> None:
    (tok,) = scan(text)
    assert (tok.kind, tok.value) == (kind, value)
    assert (tok.start, tok.end) == (0, len(text))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("65h00h", ["65h", "00h"]),
        ("62hrrh", ["62h", "rrh"]),
        ("$63$05", ["$63", "$05"]),
        ("F07E7F0901F7", ["F0", "7E", "7F", "09", "01", "F7"]),
        ("B0-63-05", ["B0", "63", "05"]),
    ],
)
def test_bytes_printed_without_blanks_are_parted(text: str, words: list[str]) -> None:
    assert [tok.text for tok in scan(text)] == words


@pytest.mark.parametrize(
    ("text", "runs"),
    [
        ("Volume BnH 07H vvH vv=00-7F", ["BnH 07H vvH"]),
        ("Send F0 7E 7F 09 01 F7 to reset.", ["F0 7E 7F 09 01 F7"]),
        ("Bn 07 vv on all channels", ["Bn 07 vv"]),
        ("wait 80 90 ms", []),
        ("see an 05 value, de 16 pies", []),
        ("CC 99 = 5, CC 98 = 18", []),
        ("176 99 5 176 98 18 176 6 vv", ["176 99 5 176 98 18 176 6 vv"]),
        ("... 64h 01h 06h vv", ["... 64h 01h 06h vv"]),
        ("Bn 63 05 / 62 12 / 06 vv", ["Bn 63 05 62 12 06 vv"]),
        ("F0 7D 0n 36 00 (172 data bytes) ss F7", ["F0 7D 0n 36 00 (172 data bytes) ss F7"]),
        ("1011nnnn   00000111   0vvvvvvv   0 - 127   100", ["1011nnnn 00000111 0vvvvvvv"]),
    ],
)
def test_a_run_begins_with_a_status_and_ends_with_its_messages(text: str, runs: list[str]) -> None:
    assert [" ".join(t.text for t in run.toks) for run in find_runs(text)] == runs


def test_a_byte_repeated_in_brackets_that_differs_is_a_slip() -> None:
    (run,) = find_runs("11110000 01111101 01000111 (4BH) 0vvvvvvv 11110111")
    assert [t.kind for t in run.toks] == ["byte", "byte", "slip", "field", "byte"]


@pytest.mark.parametrize(
    ("text", "values", "base"),
    [
        ("00–7FH", (0, 127), HEX),
        ("0 - 127", (0, 127), DEC),
        ("-64..+63", (-64, 63), DEC),
        ("28h-40h-58h", (40, 64, 88), HEX),
        ("00 00-07 68", (0, 1000), HEX),
        ("0001-0B5C", (1, 2908), HEX),
        ("0 to 127", (0, 127), DEC),
        ("0–16383", (0, 16383), DEC),
    ],
)
def test_a_range_has_its_numbers_and_its_base(
    text: str, values: tuple[int, ...], base: str
) -> None:
    span = spans(text, pairs=True)[0]
    assert (span.values(""), span.base) == (values, base)


def test_a_range_of_plain_pairs_is_open() -> None:
    assert spans("00-40")[0].is_open
    assert not spans("00-05")[0].is_open  # the same in both bases


@given(st.text(max_size=300))
def test_any_text_is_scanned_and_every_token_stands_where_it_says(text: str) -> None:
    for tok in scan(text):
        assert 0 <= tok.start < tok.end <= len(text)
        assert text[tok.start : tok.end].startswith(tok.text[:1])
    for run in find_runs(text):
        assert run.toks
    spans(text, pairs=True)


@pytest.mark.parametrize(
    "text", ["F0 " * 30000, "63H" * 30000, "0-" * 30000, "(vv = " * 20000, "1011 " * 20000]
)
def test_a_hostile_text_takes_no_longer(text: str) -> None:
    begun = time.monotonic()
    scan(text)
    find_runs(text)
    assert time.monotonic() - begun < 5
