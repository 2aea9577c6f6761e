"""Survey tables as CSV and JSON lines: back to the same rows, and nothing that a program obeys."""

from __future__ import annotations

import csv
import io
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import InputError
from knobwright.core.fitting.row import COLUMNS, SurveyRow, row_values
from knobwright.exports.survey_csv import as_it_was, harmless, read_csv, write_csv
from knobwright.exports.survey_lines import read_lines, write_lines
from tests.core.fitting.survey_rows import any_row, row

#: What begins a formula: OWASP, "CSV Injection" (from memory); tabulators and line ends can't
#: occur, since texts hold no control characters.
OBEYED = "=+-@＝＋－＠"


@given(st.lists(any_row(), max_size=3))
def test_csv_comes_back(rows: list[SurveyRow]) -> None:
    assert read_csv(write_csv(rows)) == rows


@given(st.lists(any_row(), max_size=3))
def test_lines_come_back(rows: list[SurveyRow]) -> None:
    assert read_lines(write_lines(rows)) == rows


@given(st.text(alphabet="=+-@'\",;| a＝", max_size=12))
def test_no_cell_begins_a_formula_and_each_comes_back(text: str) -> None:
    cell = harmless(text)
    assert as_it_was(cell) == text
    # Wherever some program lets a cell end, what comes next is no formula.
    for piece in cell.replace('"', ";").replace(",", ";").replace("|", ";").split(";"):
        assert not piece.lstrip().startswith(tuple(OBEYED)), (text, cell)


@pytest.mark.parametrize("sign", OBEYED)
def test_a_formula_in_a_name_gets_a_quotation_mark(sign: str) -> None:
    title = f'{sign}HYPERLINK("far","away")'
    data = write_csv([row(f"{sign}a.mid", title=title)])
    # The standard library's reader is what a plain program sees.
    (seen,) = csv.DictReader(io.StringIO(data.decode("utf-8"), newline=""))
    assert seen["title"].startswith("'" + sign)
    assert seen["path"] == f"'{sign}a.mid"
    assert read_csv(data)[0].title == title


def test_numbers_stay_numbers() -> None:
    data = write_csv([row("a.mid", n_notes=-1, length_s=0.25)])
    (seen,) = csv.DictReader(io.StringIO(data.decode("utf-8"), newline=""))
    assert (seen["n_notes"], seen["length_s"], seen["n_cut"]) == ("-1", "0.25", "")


def test_lines_are_plain_json_that_a_terminal_can_show() -> None:
    data = write_lines([row("\u202ea.mid", title="\x9bz")])
    assert data.isascii()
    assert data.count(b"\n") == 1
    assert json.loads(data) == row_values(row("\u202ea.mid", title="\x9bz"))
    assert b"\x9b" not in data


def test_a_csv_that_was_saved_with_a_mark_in_front_is_read() -> None:
    rows = [row("a.mid")]
    assert read_csv(b"\xef\xbb\xbf" + write_csv(rows)) == rows


@pytest.mark.parametrize("write", [write_csv, write_lines])
def test_no_songs_is_a_table_too(write: object) -> None:
    read = read_csv if write is write_csv else read_lines
    assert read(write([])) == []  # type: ignore[operator]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"name;price\r\n1;2\r\n", "column path"),
        (b"path,size\r\n", "column mtime_ns"),
        (b"\x00\x01\x02", "no table in CSV|column path"),
        (",".join(COLUMNS).encode() + b"\r\na,b\r\n", "row 2 has 2 cells"),
        (write_csv([row("a.mid")]).replace(b",10,", b",ten,"), "row 2 holds no number"),
    ],
)
def test_another_csv_is_refused(data: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read_csv(data)


@pytest.mark.parametrize("data", [b"hello\n", b"[1]\n", b"{}\n", b"{" * 100_000])
def test_other_lines_are_refused_with_their_number(data: bytes) -> None:
    with pytest.raises(InputError, match="line 1: "):
        read_lines(data)


def test_the_columns_of_another_version_are_no_error() -> None:
    header = ",".join([*COLUMNS, "more"]).encode()
    assert read_csv(header + b"\r\n" + b"," * len(COLUMNS) + b"\r\n") == []
    values = row_values(row("a.mid")) | {"more": 1}
    assert read_lines(json.dumps(values).encode()) == []
