"""Bytes to text, and text to the plain characters that readers compare."""

from __future__ import annotations

import codecs
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import KnobwrightError, LeafletError
from knobwright.core.reading.sources import decode, read_any
from knobwright.core.reading.sources_chars import fold, lines_of, widths

ENCODED = {
    "UTF-8": ("Größe – 7F".encode(), "Größe – 7F"),
    "UTF-8 with mark": (codecs.BOM_UTF8 + "Größe".encode(), "Größe"),
    "UTF-16 little": (codecs.BOM_UTF16_LE + "Größe".encode("utf-16-le"), "Größe"),
    "UTF-16 big": (codecs.BOM_UTF16_BE + "Größe".encode("utf-16-be"), "Größe"),
    "UTF-32": (codecs.BOM_UTF32_LE + "Größe".encode("utf-32-le"), "Größe"),
    "Latin-1": ("Größe, Prüfsumme".encode("latin-1"), "Größe, Prüfsumme"),
    "Windows 1252": ("“00–7F”".encode("cp1252"), "“00–7F”"),
    "undefined in Windows 1252": (b"a\x81b", "a\x81b"),
    "German is not taken for Japanese": ("wäh trägt Länge".encode("latin-1"), "wäh trägt Länge"),
    "Japanese, code page 932": (
        "リバーブ　タイム Ｂ０Ｈ".encode("cp932"),
        "リバーブ　タイム Ｂ０Ｈ",
    ),
    "Japanese, EUC": ("リバーブのタイム".encode("euc_jp"), "リバーブのタイム"),
    "line ends": (b"a\r\nb\rc\n", "a\nb\nc\n"),
}


@pytest.mark.parametrize("data, text", ENCODED.values(), ids=ENCODED.keys())
def test_encodings(data: bytes, text: str) -> None:
    assert decode(data, "x.txt") == text


BROKEN = {
    "NUL": (b"B0 07\0", "byte 00 at offset 5"),
    "UTF-16 without mark": ("B0".encode("utf-16-le"), "byte 00"),
    "UTF-16 cut": (codecs.BOM_UTF16_LE + b"a", "UTF-16"),
    "UTF-8 mark, Latin-1 text": (codecs.BOM_UTF8 + b"\xfc", "UTF-8"),
}


@pytest.mark.parametrize("data, wanted", BROKEN.values(), ids=BROKEN.keys())
def test_what_is_no_text_is_said(data: bytes, wanted: str) -> None:
    with pytest.raises(LeafletError, match=wanted) as caught:
        decode(data, "x.txt")
    assert caught.value.where == "x.txt"
    assert caught.value.hint


FOLDED = {
    "full-width": ("Ｂ０Ｈ：００～７ＦＨ", "B0H:00~7FH"),
    "half-width kana": ("ﾘﾊﾞｰﾌﾞ", "リバーブ"),
    "ligature": ("ﬁlter", "filter"),
    "squared unit": ("10㎳", "10ms"),
    "ellipsis": ("… 06 vv", "... 06 vv"),
    "footnote on a hex byte": ("00–7F²", "00–7F"),
    "footnote of two digits": ("0-12¹⁷", "0-12"),
    "footnote on a number that ends in 2": ("0-12¹", "0-12"),
    "a power stays one": ("0 - 2¹⁴", "0 - 2^14"),
    "a power of 7": ("2⁷ steps", "2^7 steps"),
    "a footnote on a lone 2": ("0-2¹", "0-2"),
    "base 16": ("B0₁₆", "B0H"),
    "another base stays": ("1011₂", "1011₂"),
    "circled mark stays": ("7F①", "7F①"),
    "fraction stays": ("7½", "7½"),
    "ordinal stays": ("1º", "1º"),
    "dashes stay": ("00–7F — −64", "00–7F — −64"),
}


@pytest.mark.parametrize("text, wanted", FOLDED.values(), ids=FOLDED.keys())
def test_characters_are_made_plain(text: str, wanted: str) -> None:
    assert fold(text) == wanted


@given(st.text(max_size=40))
def test_no_digit_comes_from_anything_but_a_digit(text: str) -> None:
    """What reads as a digit afterwards was one (in any width or script) before, or a power."""

    def n_digits(value: str) -> int:
        # Unicode Standard Annex 15: NFKC; compatibility digits with a meaning of their own are out.
        return sum(c.isdecimal() for c in unicodedata.normalize("NFKC", value))

    if "2" not in text:
        assert sum(c.isdecimal() for c in fold(text)) <= n_digits(text)
    raised = "\u2070\u00b9\u00b2\u00b3\u2074\u2075\u2076\u2077\u2078\u2079"
    assert fold("7F" + raised) == "7F"


def test_columns_of_a_line() -> None:
    assert widths("a\tb") == [0, 1, 8, 9]
    assert widths("音a") == [0, 2, 3]
    assert widths("e\u0301x") == [0, 1, 1, 2]  # a combining accent takes none


def test_lines_of_counts_as_an_editor_does() -> None:
    assert lines_of("a\r\nb\rc\nd", "x") == ["a", "b", "c", "d"]
    assert lines_of("a\x0cb\u2028c", "x") == ["a  b  c"]  # a form feed parts cells, it ends no line


@given(st.binary(max_size=300))
def test_arbitrary_bytes_raise_nothing_but_our_errors(data: bytes) -> None:
    error = None
    try:
        read_any(decode(data, "x"), "x")
    except KnobwrightError as caught:
        error = caught
    assert error is None or (error.hint and error.where.startswith("x"))
