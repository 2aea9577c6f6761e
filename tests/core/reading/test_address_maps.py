"""Address maps and byte columns: part digits, half bytes, wrapped cells, pages in two columns.

Rows are invented; what they must give follows from the print alone (common practice, no source).
"""

from __future__ import annotations

from typing import Any

import pytest

from knobwright.core.reading import Leaflet, draft
from knobwright.core.reading.layout import place_rows
from knobwright.core.reading.maps import read_maps
from knobwright.core.reading.pages import split_pages
from knobwright.core.reading.rows import Row
from knobwright.core.reading.sources import read_csv, read_text
from knobwright.core.reading.wrapped import add_wrapped

HEAD = """THE MODULE

1. Exclusive

 Set:   F0 7D dd 51 12 aa bb cc <data> ss F7
  dd   device number 00
  aa bb cc  address
  data  one or more bytes
  ss   checksum: address, data and checksum added give 0 in the low seven bits

 All numbers are hexadecimal. {said}

2. Map

 Parameter        Addr.      Len   Data      Init    Remarks
 Volume           10 00 00   01    00 - 7F   64
"""


def parameter(text: str, label: str) -> dict[str, Any]:
    """Return the drafted parameter with a label."""
    drafted = draft(read_text(text, "leaflet"))
    found: dict[str, Any] = next(p for p in drafted.tree["parameter"] if p["label"] == label)
    return found


def asked(text: str) -> list[str]:
    """Return what the draft of a text asks about."""
    return [q.about for q in draft(read_text(text, "leaflet")).questions]


TEN_IS_ZERO = [1, 2, 3, 4, 5, 6, 7, 8, 9, 0, 10, 11, 12, 13, 14, 15]


@pytest.mark.parametrize(
    "said",
    [
        "x is the block: block 0 is part 10, blocks 1 to 9 are parts 1 to 9, blocks A to F are\n"
        "parts 11 to 16.",
        "Digit x: 0 stands for part 10, 1-9 for parts 1-9 and A-F\nfor parts 11-16.",
        "x = block. 0 = channel 10; 1 .. 9 = channels 1 .. 9;\na .. f = channels 11 .. 16",
        "x: channel 10 = 0, channels 1-9 = 1-9, channels 11-16 = A-F",
    ],
)
def test_the_digit_may_stand_before_its_part(said: str) -> None:
    _, tables, _ = read_maps(place_rows(read_text(f"Parts\n\n{said}\n", "leaflet")))
    assert tables["part"]["values"] == TEN_IS_ZERO


def test_a_map_with_a_part_left_out_is_none() -> None:
    said = "block 0 is part 10, blocks 1 to 9 are parts 1 to 9, blocks A to E are parts 11 to 15."
    assert read_maps(place_rows(read_text(said, "leaflet"))) == ({}, {}, set())


@pytest.mark.parametrize(
    ("said", "line"),
    [
        ('In "0p 0q" the number is pq.', "v1 v0"),
        ('In "0p 0q" the number is qp.', "v0 v1"),
        ("p is the upper half, q is the lower half of the number.", "v1 v0"),
        ("p is the lower half of the number, q is the upper half.", "v0 v1"),
    ],
)
def test_half_bytes_go_in_the_order_of_the_whole_number(said: str, line: str) -> None:
    text = HEAD.format(said=said) + " Tune             10 00 01   02    0p 0q     08 00\n"
    found = parameter(text, "Tune")
    assert found["line"] == f"F0 7D id 51 12 [ 10 00 01 {line} ] cs F7"
    assert found["default"] == (128 if line == "v1 v0" else 8)


def test_half_bytes_without_an_order_are_asked_about() -> None:
    text = HEAD.format(said="") + " Tune             10 00 01   02    0p 0q\n"
    assert "map.tune" in asked(text)


def test_a_default_in_halves_that_its_number_denies_is_asked_about() -> None:
    row = " Tune             10 00 01   02    0p 0q     07 08 (121)\n"
    text = HEAD.format(said='In "0p 0q" the number is pq.') + row
    assert "map.tune" in asked(text)


DELAY = (
    " Delay            10 00 03   02    00 00 -   {init}   {plain}low seven bits\n"
    "                                   68 07             first\n"
)


def test_a_low_first_range_is_read_as_it_is_sent_where_the_plain_range_says_so() -> None:
    row = DELAY.format(init="14 00", plain="0 - 1000 ms, ")
    found = parameter(HEAD.format(said="") + row, "Delay")
    assert found["line"].endswith("[ 10 00 03 vl vh ] cs F7")
    assert (found["range"], found["default"]) == ([0, 1000], 20)


def test_a_low_first_range_without_a_plain_one_is_asked_about() -> None:
    text = HEAD.format(said="") + DELAY.format(init="14 00", plain="")
    assert any(about.startswith("map.delay") for about in asked(text))


@pytest.mark.parametrize(
    ("role", "above", "below", "joined"),
    [
        ("range", "00 00 -", "7F 7F", True),
        ("range", "0 to", "127", True),
        ("range", "0 - 12", "13", False),
        ("note", "cents; high", "seven bits first", True),
        ("note", "0 off, 1 on;", "# 40", False),
        ("default", "64", "65", False),
    ],
)
def test_a_cell_goes_on_below_where_it_is_unfinished(
    role: str, above: str, below: str, joined: bool
) -> None:
    texts = add_wrapped(((role, "Head", above),), ((role, "Head", below),))
    assert len(texts) == (1 if joined else 2)


BYTES = """The module in decimal
"All numbers are decimal. {said}, x is the value, id the device number, factory 0."
"chk: add byte 5 to byte 7; chk is 128 less the remainder by 128."
Name,Byte 1,Byte 2,Byte 3,Byte 4,Byte 5,Byte 6,Byte 7,Byte 8,Byte 9,min,max,init
Volume,240,125,id,44,1,0,x,chk,247,0,127,100
Part level,240,125,id,44,32+c,0,x,chk,247,0,127,100
"""


@pytest.mark.parametrize("said", ["c is the channel minus 1", "c is the channel, 0 to 15"])
def test_a_channel_added_to_a_byte_counts_from_zero(said: str) -> None:
    drafted = draft(read_csv(BYTES.format(said=said), "leaflet"))
    line = next(p["line"] for p in drafted.tree["parameter"] if p["label"] == "Part level")
    assert line.startswith("F0 7D id 2C ")
    assert "2n 00 vv" in line


def test_a_channel_from_1_to_16_added_to_a_byte_is_asked_about() -> None:
    drafted = draft(read_csv(BYTES.format(said="c is the channel (1 to 16)"), "leaflet"))
    assert [p["label"] for p in drafted.tree["parameter"]] == ["Volume"]
    assert any(q.label == "Part level" for q in drafted.questions)


def page(*rows: tuple[tuple[int, str], ...]) -> Leaflet:
    """Return a page of a PDF: each row as (place, text) cells."""
    made = tuple(
        Row(1, n, tuple(t for _, t in cells), tuple(at for at, _ in cells), "text", 1)
        for n, cells in enumerate(rows, 1)
    )
    return Leaflet("leaflet.pdf", "pdf", made)


LEFT = (((0, "Name"), (20, "Code"), (30, "Range")), ((0, "Pan"), (20, "CC#10"), (30, "0-127")))
RIGHT = (((60, "Name"), (80, "Code"), (90, "Range")), ((60, "Rate"), (80, "CC#76"), (90, "0-127")))


def test_a_page_of_two_columns_is_read_one_column_after_the_other() -> None:
    rows = [a + b for a, b in zip(LEFT, RIGHT, strict=True)] * 2 + [*RIGHT] * 2
    out = split_pages(page(*rows)).rows
    assert [r.cells[0] for r in out] == ["Name", "Pan"] * 2 + ["Name", "Rate"] * 4
    assert [r.number for r in out[:4]] == [1, 2, 3, 4]


def test_a_wide_table_is_no_page_of_two_columns() -> None:
    wide = ((0, "Name"), (20, "Code"), (60, "Range"))
    rows = [wide, ((60, "0-127"),), wide, *([((60, "see above"),)] * 4)]
    leaflet = page(*rows)
    assert split_pages(leaflet) == leaflet


@pytest.mark.parametrize(
    ("remark", "is_asked"), [("no sum in this one", False), ("without checksum", False), ("", True)]
)
def test_a_row_may_say_itself_that_it_has_no_checksum(remark: str, is_asked: bool) -> None:
    lock = f"Lock,240,125,id,44,96,x,247,,,0,1,0,{remark}\n"
    text = BYTES.replace("init\n", "init,Remark\n").format(said="c is the channel minus 1") + lock
    drafted = draft(read_csv(text, "leaflet"))
    assert any(q.label == "Lock" for q in drafted.questions) is is_asked


def test_narrow_heads_printed_together_name_the_columns_in_order() -> None:
    rows = (
        ((0, "Name"), (20, "Code"), (30, "Min Typ Max Unit")),
        ((0, "Resonance"), (20, "CC#71"), (33, "0"), (38, "10"), (42, "127"), (45, "step")),
    )
    (found,) = draft(page(*rows)).tree["parameter"]
    assert (found["range"], found["default"]) == ([0, 127], 10)


def test_an_order_in_doubt_offers_both_lines() -> None:
    text = HEAD.format(said="") + " Tune             10 00 01   02    00 00 - 7F 7F\n"
    question = next(q for q in draft(read_text(text, "leaflet")).questions if q.label == "Tune")
    lines = {name: str(table["line"]).split("]")[0] for name, table in question.gives.items()}
    assert lines["high-first"].endswith("vh vl ")
    assert lines["low-first"].endswith("vl vh ")


@pytest.mark.parametrize("word", ["Also", "See also", "Auch"])
def test_a_word_for_another_way_is_no_name(word: str) -> None:
    drafted = draft(read_text(f"MODULE\n\nCC 7  Volume  0-127\n\n{word}: CC 10\n", "leaflet"))
    assert [p["label"] for p in drafted.tree["parameter"]] == ["Volume"]
    assert any(q.place == "row 5" for q in drafted.questions)
