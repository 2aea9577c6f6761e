"""Pasted leaflets to rows: plain text, Markdown, delimited tables."""

from __future__ import annotations

import contextlib
import time
from collections import Counter
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import KnobwrightError, LeafletError
from knobwright.core.reading.rows import Leaflet, Row
from knobwright.core.reading.sources import read_any, read_csv, read_markdown, read_text
from knobwright.core.reading.sources_chars import fold, lines_of

READERS: list[Callable[[str, str], Leaflet]] = [read_text, read_csv, read_markdown, read_any]


def cells(leaflet: Leaflet) -> list[tuple[str, ...]]:
    """Return the cells of every row."""
    return [row.cells for row in leaflet.rows]


# ---------------------------------------------------------------- plain text

ALIGNED = """\
Parameter      Bytes                 Range
Time           B0H 63H 05H 06H vvH   00-7FH
Level                                00-7FH
Kind           B0H 63H 07H 06H vvH   00-02H
"""

TEXT_ROWS: dict[str, tuple[str, list[tuple[str, ...]]]] = {
    "two blanks part cells, one does not": (
        "Hall time  F0 7D 05 vv F7",
        [("Hall time", "F0 7D 05 vv F7")],
    ),
    "tabs and bars part cells": ("a\tb | c", [("a", "b", "c")]),
    "aligned columns keep an empty cell": (
        ALIGNED,
        [
            ("Parameter", "Bytes", "Range"),
            ("Time", "B0H 63H 05H 06H vvH", "00-7FH"),
            ("Level", "", "00-7FH"),
            ("Kind", "B0H 63H 07H 06H vvH", "00-02H"),
        ],
    ),
    "columns that overlap stay as printed": (
        "a    b        c\nlonger   b2   c2\nx    y        z",
        [("a", "b", "c"), ("longer", "b2", "c2"), ("x", "y", "z")],
    ),
    "a framed table keeps empty cells and loses its frame": (
        "+----+----+\n| A  | B  |\n+====+====+\n| 1  |    |\n|    | 22 |\n+----+----+",
        [("A", "B"), ("1", ""), ("", "22")],
    ),
    "box drawing is a frame": (
        "┌──┬──┐\n│a │b │\n├──┼──┤\n│c │  │\n└──┴──┘",
        [("a", "b"), ("c", "")],
    ),
    "one tab each is a table": ("A\tB\tC\nd\t\te", [("A", "B", "C"), ("d", "", "e")]),
    "dashes for 'none' in a row are kept": ("Glide   -   -   5", [("Glide", "-", "-", "5")]),
    "full-width bytes": ("Ｂ０Ｈ\u3000６３Ｈ    音量", [("B0H 63H", "音量")]),
    "a raised footnote mark does not become a digit": ("Time  00–7F²", [("Time", "00–7F")]),
    "wrapped exclusive is joined": (
        "Hall   F0 7D 10 42 ..   0-127\n       30 05 vv cs F7",
        [("Hall", "F0 7D 10 42 30 05 vv cs F7", "0-127")],
    ),
    "wrapped selection is joined": (
        "Time   BnH 63H 05H 62H 12H   0-127\n       06H vvH",
        [("Time", "BnH 63H 05H 62H 12H 06H vvH", "0-127")],
    ),
    "a value word alone can be the rest, and takes the other cells along": (
        "Time   BnH 63H 05H 06H   00H stone, 01H   5\n       vvH               wood",
        [("Time", "BnH 63H 05H 06H vvH", "00H stone, 01H wood", "5")],
    ),
    "words in two cells are no certain wrap": (
        "Time   B0 07 vv   soft   5\n                  loud   6",
        [("Time", "B0 07 vv", "soft", "5"), ("loud", "6")],
    ),
    "a shortened row is no wrap": (
        "Time   Bn 65 00 64 00 06 vv   0-127\n       ... 64 01 06 vv",
        [("Time", "Bn 65 00 64 00 06 vv", "0-127"), ("... 64 01 06 vv",)],
    ),
    "a second message is no wrap": (
        "Send   Bn 5B vv   0-127\n       Bn 5D vv",
        [("Send", "Bn 5B vv", "0-127"), ("Bn 5D vv",)],
    ),
    "data after a whole selection is no wrap": (
        "Time   Bn 63 05 62 12 06 vv   0-127\n       62 13 06 vv",
        [("Time", "Bn 63 05 62 12 06 vv", "0-127"), ("62 13 06 vv",)],
    ),
    "a row under a merged first cell is no wrap": (
        "Hall   Time    Bn 63 05\n       Level   Bn 63 06\n       Kind    Bn 63 07",
        [("Hall", "Time", "Bn 63 05"), ("", "Level", "Bn 63 06"), ("", "Kind", "Bn 63 07")],
    ),
    "a title underlined": ("Reverb\n------\nTime  5", [("Reverb",), ("Time", "5")]),
    "a numbered title underlined": ("2.1   Reverb\n============", [("2.1 Reverb",)]),
    "old Mac and Windows line ends": ("a\rb\r\nc", [("a",), ("b",), ("c",)]),
    "a control character stays visible": ("B0\x1b[31m 63", [("B0\ufffd[31m 63",)]),
    "no-break and thin blanks are blanks": ("B0\u00a063\u2009vv", [("B0 63 vv",)]),
    "soft hyphens and marks without width go": ("Bright\u00adness\ufeff", [("Brightness",)]),
}


@pytest.mark.parametrize("text, wanted", TEXT_ROWS.values(), ids=TEXT_ROWS.keys())
def test_plain_text_rows(text: str, wanted: list[tuple[str, ...]]) -> None:
    assert cells(read_text(text, "x.txt")) == wanted


def test_rows_are_numbered_by_the_lines_of_the_file_and_keep_their_columns() -> None:
    rows = read_text("\n\nA   b\n\n   C\td", "x").rows
    assert [row.number for row in rows] == [3, 5]
    assert [row.page for row in rows] == [0, 0]
    assert [row.columns for row in rows] == [(0, 4), (3, 8)]  # a tab goes on to the next 8
    assert rows[0].place == "row 3"


def test_a_full_width_character_takes_two_columns() -> None:
    rows = read_text("音量  B0\nab    B1", "x").rows
    assert [row.columns for row in rows] == [(0, 6), (0, 6)]


def test_a_blank_row_ends_a_table_and_a_ruled_header_does_not() -> None:
    text = "Name  CC\n--------\n\nVol   7\nPan   10\n\nother  1\nthing  2"
    rows = read_text(text, "x").rows
    assert [row.table for row in rows] == [1, 1, 1, 2, 2]
    assert [row.header for row in rows] == [("Name", "CC")] * 3 + [()] * 2
    assert rows[0].cells == rows[0].header


def test_a_header_of_two_lines_is_joined_by_column() -> None:
    head = "Name   NRPN   NRPN\n       MSB    LSB\n------------------\n"
    text = f"{head}Vol    1      7\nPan    1      8"
    rows = read_text(text, "x").rows
    assert rows[0].cells == ("Name", "NRPN MSB", "NRPN LSB")
    assert all(row.header == rows[0].cells for row in rows)


def test_a_section_title_inside_a_table_keeps_the_columns_together() -> None:
    text = "Name   CC   Range\nREVERB\nTime   91   0-127\nCHORUS\nTime   93   0-64"
    rows = read_text(text, "x").rows
    assert [row.kind for row in rows] == ["table", "text", "table", "text", "table"]
    assert {row.table for row in rows} == {1}
    assert {row.header for row in rows} == {("Name", "CC", "Range")}


HEADINGS = ["Reverb\n======", "====\nReverb\n====", "== Reverb ==", "*** Reverb ***"]


@pytest.mark.parametrize("text", HEADINGS)
def test_marked_headings(text: str) -> None:
    rows = read_text(text, "x").rows
    assert [(row.kind, row.cells) for row in rows] == [("heading", ("Reverb",))]


# ---------------------------------------------------------------- CSV

CSV_ROWS: dict[str, tuple[str, list[tuple[str, ...]]]] = {
    # RFC 4180, section 2: quotes around commas, line ends and doubled quotes.
    "comma, quoted": (
        'Name,Bytes\n"Hall, time","F0 7D\n30 05"\n"say ""go""",B0 07\n',
        [("Name", "Bytes"), ("Hall, time", "F0 7D 30 05"), ('say "go"', "B0 07")],
    ),
    "semicolon with decimal commas": (
        "Name;Bereich\nZeit;0,1-12,8\nPegel;0-127\n",
        [("Name", "Bereich"), ("Zeit", "0,1-12,8"), ("Pegel", "0-127")],
    ),
    "semicolon inside quotes": (
        'Name,Choices\nKind,"0 = room; 1 = stage"\nTime,\n',
        [("Name", "Choices"), ("Kind", "0 = room; 1 = stage"), ("Time", "")],
    ),
    "tab": ("Name\tCC\nVol\t7\n", [("Name", "CC"), ("Vol", "7")]),
    "bar": ("Name|CC\nVol|7\n", [("Name", "CC"), ("Vol", "7")]),
    "byte-order mark": ("\ufeffName,CC\nVol,7\n", [("Name", "CC"), ("Vol", "7")]),
    "a stray quote is a character": (
        'Name,Size\nRack,19"\nTime,7\nVol,9\n',
        [("Name", "Size"), ("Rack", '19"'), ("Time", "7"), ("Vol", "9")],
    ),
    "a quote that never closes swallows no rows": (
        'Name,Size\n"Rack,19\nTime,7\nVol,9\n',
        [("Name", "Size"), ('"Rack', "19"), ("Time", "7"), ("Vol", "9")],
    ),
}


@pytest.mark.parametrize("text, wanted", CSV_ROWS.values(), ids=CSV_ROWS.keys())
def test_csv_rows(text: str, wanted: list[tuple[str, ...]]) -> None:
    leaflet = read_csv(text, "x.csv")
    assert cells(leaflet) == wanted
    assert leaflet.rows[0].header == wanted[0]


def test_csv_titles_tables_and_line_numbers() -> None:
    text = 'Larkfield T4,,\n,,\nName,CC,Range\n"two\nlines",7,0-127\n\nKey,Name,Pan\n36,Drum,64\n'
    rows = read_csv(text, "x.csv").rows
    assert [(row.number, row.kind, row.table) for row in rows] == [
        (1, "text", 0),
        (3, "table", 1),
        (4, "table", 1),
        (7, "table", 2),
        (8, "table", 2),
    ]
    assert rows[-1].header == ("Key", "Name", "Pan")


def test_a_row_of_numbers_is_no_header() -> None:
    rows = read_csv("7,B0 07,0-127\n10,B0 0A,0-127\n", "x.csv").rows
    assert [row.header for row in rows] == [(), ()]


# ---------------------------------------------------------------- Markdown

# Cells as in the GitHub Flavored Markdown specification, section 4.10 (tables), examples 198, 199,
# 200 and 204 (numbers from memory).
MARKDOWN_ROWS: dict[str, tuple[str, list[tuple[str, ...]]]] = {
    "example 198": (
        "| foo | bar |\n| --- | --- |\n| baz | bim |",
        [("foo", "bar"), ("baz", "bim")],
    ),
    "example 199": (
        "| abc | defghi |\n:-: | -----------:\nbar | baz",
        [("abc", "defghi"), ("bar", "baz")],
    ),
    "example 200": (
        "| f\\|oo  |\n| ------ |\n| b `\\|` az |\n| b **\\|** im |",
        [("f|oo",), ("b | az",), ("b | im",)],
    ),
    "example 204": (
        "| abc | def |\n| --- | --- |\n| bar |\n| bar | baz | boo |",
        [("abc", "def"), ("bar",), ("bar", "baz", "boo")],
    ),
    "emphasis goes, a star of a word stays": (
        "| **A** | _B_ |\n|---|---|\n| `F0 [ data* ] F7` | t*12 data* |\n| *x* | dev_id |",
        [("A", "B"), ("F0 [ data* ] F7", "t*12 data*"), ("x", "dev_id")],
    ),
    "a line break in a cell": ("|A|B|\n|-|-|\n|B0<br>07|c|", [("A", "B"), ("B0 07", "c")]),
    "entities": ("|A|B|\n|-|-|\n|a &amp; b|0&nbsp;1|", [("A", "B"), ("a & b", "0 1")]),
    "headings": ("# One\n\nTwo\n---\n\n### Three ###", [("One",), ("Two",), ("Three",)]),
    "lists": ("* Volume  B0 07 vv\n- Pan  B0 0A vv", [("Volume", "B0 07 vv"), ("Pan", "B0 0A vv")]),
    "code": ("```\n* a  **b**\n```", [("* a", "**b**")]),
    "a hash without blank is text": ("#7 knob", [("#7 knob",)]),
}


@pytest.mark.parametrize("text, wanted", MARKDOWN_ROWS.values(), ids=MARKDOWN_ROWS.keys())
def test_markdown_rows(text: str, wanted: list[tuple[str, ...]]) -> None:
    assert cells(read_markdown(text, "x.md")) == wanted


def test_markdown_kinds_and_numbers() -> None:
    rows = read_markdown("# T4\n\n|A|B|\n|-|-|\n|c||\n\nprose\n", "x.md").rows
    assert rows == (
        Row(0, 1, ("T4",), (), "heading"),
        Row(0, 3, ("A", "B"), (), "table", 1, ("A", "B")),
        Row(0, 5, ("c", ""), (), "table", 1, ("A", "B")),
        Row(0, 7, ("prose",), (0,), "text", 0),
    )


# ---------------------------------------------------------------- telling them apart

ANY = {
    "markdown": ["# T4\ntext", "|A|B|\n|-|-|\n|c|d|", "```\nB0 07\n```"],
    "csv": ["Name,CC,Range\nVol,7,0-127\nPan,10,0-127", "Name;CC\nVol;7\nPan;10"],
    "text": [
        "Volume  B0 07 vv",
        "B0, 07, vv\nB0, 0A, vv\nB0, 0B, vv",
        "First, we play.\nThen, we listen.",
        "a | b\nc | d",
    ],
}


@pytest.mark.parametrize("source, text", [(k, text) for k, texts in ANY.items() for text in texts])
def test_pasted_text_is_told_apart(source: str, text: str) -> None:
    assert read_any(text, "pasted").source == source


# ---------------------------------------------------------------- limits and arbitrary text

BAD = {
    "nothing": ("", "holds no text"),
    "blanks only": (" \n\t\n", "holds no text"),
    "a NUL": ("B0\n07\0", "NUL"),
    "a row of 100 001 characters": ("x" * 100_001, "100000 characters"),
    "1 001 cells": ("a  " * 1_001, "1000 cells"),
    "100 001 rows": ("a\n" * 100_001, "100000 rows"),
}


@pytest.mark.parametrize("text, wanted", BAD.values(), ids=BAD.keys())
def test_what_is_no_leaflet_is_said_in_one_sentence(text: str, wanted: str) -> None:
    with pytest.raises(LeafletError, match=wanted) as caught:
        read_text(text, "x.txt")
    assert caught.value.where.startswith("x.txt")
    assert caught.value.hint


@pytest.mark.parametrize("read", READERS)
def test_ten_million_columns_are_refused_in_time(read: Callable[[str, str], Leaflet]) -> None:
    start = time.monotonic()
    for text in ("a\t" * 10_000_000, "a," * 10_000_000, "|" * 10_000_000):
        with pytest.raises(LeafletError):
            read(text, "x")
    assert time.monotonic() - start < 30  # a bound against hanging, not a measurement


SLOW = [
    "== " + "= " * 40_000,
    "_a" * 45_000,
    *(f"a{char * 90_000}" for char in "*`[&<\\#> ~"),
    *(f"a {char}b" * 20_000 for char in "*`[&<_"),
    "*a" + " " * 90_000 + "*",
]


@pytest.mark.parametrize("read", READERS)
@pytest.mark.parametrize("line", SLOW, ids=[line[:4] for line in SLOW])
def test_text_made_to_slow_patterns_down(read: Callable[[str, str], Leaflet], line: str) -> None:
    start = time.monotonic()
    with contextlib.suppress(LeafletError):  # too many cells, or a frame and no text
        read(line, "x")
    assert time.monotonic() - start < 10  # a bound against hanging, not a measurement


LEAFLET_TEXT = st.text(
    st.one_of(
        st.sampled_from("  \n\n\t|,;-=+*#`_[]()$0123456789ABCDEFhnvx.\"'\\<>&²Ｂ０"),
        st.characters(exclude_categories=["Cs"]),
    ),
    max_size=200,
)


@pytest.mark.parametrize("read", READERS)
@given(text=LEAFLET_TEXT)
def test_arbitrary_text_raises_nothing_but_our_errors(
    read: Callable[[str, str], Leaflet], text: str
) -> None:
    try:
        leaflet = read(text, "x")
    except KnobwrightError:
        return
    assert all(any(row.cells) for row in leaflet.rows)
    assert all(cell == cell.strip() for row in leaflet.rows for cell in row.cells)
    assert all(not row.columns or len(row.columns) == len(row.cells) for row in leaflet.rows)
    numbers = [row.number for row in leaflet.rows]
    assert numbers == sorted(numbers)


# Frames and the dots of a broken line may go; everything else must be in some cell.
FRAME = set("-=_+*#~|:.\u2010\u2011\u2012\u2013\u2014\u2015\u2212\uff1d\uff0d\u30fc") | {
    chr(c) for c in range(0x2500, 0x2580)
}


def content(text: str) -> Counter[str]:
    """Return how often each character occurs that is neither blank nor part of a frame."""
    return Counter(c for c in fold(text) if not c.isspace() and c not in FRAME)


@given(text=LEAFLET_TEXT)
def test_nothing_of_a_plain_text_is_lost(text: str) -> None:
    try:
        rows = read_text(text, "x").rows
    except LeafletError:
        return
    wanted = Counter[str]()
    for line in lines_of(text, "x"):
        wanted += content(line.replace("\uff5c", " "))
    assert content("\n".join("\n".join(row.cells) for row in rows)) == wanted
