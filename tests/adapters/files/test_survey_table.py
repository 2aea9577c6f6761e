"""The table on disk: three forms, a journal that survives, and files that are not ours."""

from __future__ import annotations

import importlib
import os
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from knobwright.adapters.files import parquet, survey_table
from knobwright.adapters.files.survey_table import FORMS, TableFile, journal_path
from knobwright.core.errors import InputError, StoreError
from knobwright.core.fitting.row import COLUMNS, SurveyRow
from tests.core.fitting.survey_rows import any_row, row

ROWS = [row("a.mid", n_notes=1), row("b.mid", length_s=0.125, title="=1+1"), row("c.mid")]


@pytest.fixture(params=sorted(FORMS))
def path(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Return the path of a table of each form."""
    return str(tmp_path / f"songs{request.param}")


def load(path: str) -> list[SurveyRow]:
    with TableFile(path) as table:
        return table.load()


def test_a_table_that_is_not_there_is_empty(path: str) -> None:
    assert load(path) == []


def test_rows_come_back(path: str) -> None:
    with TableFile(path) as table:
        table.save(ROWS)
        table.finish()
    assert load(path) == ROWS


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(rows=st.lists(any_row(), max_size=3))
def test_any_rows_come_back(path: str, rows: list[SurveyRow]) -> None:
    with TableFile(path) as table:
        table.save(rows)
        table.finish()
    assert load(path) == rows


def test_noted_rows_survive_without_any_farewell(path: str) -> None:
    table = TableFile(path)
    table.__enter__()
    table.save(ROWS[:1])
    table.note(ROWS[1])
    os.close(table._handle)  # what a kill does
    assert load(path) == ROWS[:2]


def test_a_row_that_was_cut_off_is_left_out_and_does_not_spoil_the_next(path: str) -> None:
    with TableFile(path) as table:
        table.note(ROWS[0])
    journal = Path(journal_path(path))
    journal.write_bytes(journal.read_bytes() + b'{"path": "half')
    with TableFile(path) as table:
        assert table.load() == ROWS[:1]
        table.note(ROWS[1])
    assert load(path) == ROWS[:2]


def test_finishing_removes_the_journal(path: str) -> None:
    with TableFile(path) as table:
        table.note(ROWS[0])
        table.save(ROWS)
        table.finish()
    assert os.listdir(os.path.dirname(path)) == [os.path.basename(path)]


def test_two_surveys_do_not_write_one_table(path: str) -> None:
    with TableFile(path), pytest.raises(StoreError, match="another survey"):
        TableFile(path).__enter__()
    with TableFile(path):
        pass


def test_a_journal_that_was_removed_under_our_hands_is_opened_anew(
    path: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another survey finishes between our opening and our lock: the first lock holds nothing."""
    n_locked = 0
    real_lock = survey_table._lock

    def lock(handle: int, table: str) -> None:
        nonlocal n_locked
        n_locked += 1
        if n_locked == 1:
            os.unlink(journal_path(path))
        real_lock(handle, table)

    monkeypatch.setattr(survey_table, "_lock", lock)
    with TableFile(path) as table:
        table.note(ROWS[0])
    assert n_locked == 2
    assert load(path) == ROWS[:1]


@pytest.mark.parametrize("data", [b"a picture, perhaps", b"name,price\r\n1,2\r\n", b'{"a": 1}\n'])
def test_a_file_that_is_no_survey_is_never_written_over(path: str, data: bytes) -> None:
    Path(path).write_bytes(data)
    with pytest.raises(StoreError, match="no survey"):
        TableFile(path)
    assert Path(path).read_bytes() == data


@pytest.mark.parametrize("name", ["songs", "songs.xlsx", "songs.txt", ".csv"])
def test_another_ending_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match=r"\.csv, \.jsonl or \.parquet"):
        TableFile(str(tmp_path / name))


def test_a_folder_that_is_not_there_is_told(path: str) -> None:
    away = os.path.join(os.path.dirname(path), "nowhere", os.path.basename(path))
    with pytest.raises(StoreError, match="No such file"):
        TableFile(away).__enter__()


def test_a_folder_with_the_name_of_a_table_is_told(path: str) -> None:
    os.mkdir(path)
    with pytest.raises(StoreError, match="no ordinary file"):
        TableFile(path)


def test_a_link_in_place_of_the_journal_is_not_followed(path: str, tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_bytes(b"keep me")
    os.symlink(victim, journal_path(path))
    with pytest.raises(StoreError):
        TableFile(path).__enter__()
    assert victim.read_bytes() == b"keep me"


def test_parquet_has_plain_columns_for_other_programs(tmp_path: Path) -> None:
    pyarrow = pytest.importorskip("pyarrow.parquet")
    path = tmp_path / "songs.parquet"
    path.write_bytes(parquet.write_parquet(ROWS))
    table = pyarrow.read_table(path)
    assert table.column_names == list(COLUMNS)
    assert table.column("title").to_pylist() == ["", "=1+1", ""]
    assert table.column("n_notes").to_pylist() == [1, None, None]
    assert str(table.schema.field("length_s").type) == "double"


def test_a_parquet_of_others_is_refused(tmp_path: Path) -> None:
    arrow = pytest.importorskip("pyarrow")
    writer = importlib.import_module("pyarrow.parquet")
    path = tmp_path / "songs.parquet"
    writer.write_table(arrow.table({"a": [1]}), path)
    with pytest.raises(StoreError, match="column path"):
        TableFile(str(path))


def test_without_pyarrow_the_install_line_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(InputError, match="pyarrow") as caught:
        TableFile(str(tmp_path / "songs.parquet"))
    assert "knobwright[tables]" in caught.value.hint
