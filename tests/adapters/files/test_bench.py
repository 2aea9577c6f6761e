"""A bench is a folder: loaded with its sheet and surfaces, and changed without loss."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from knobwright.adapters.files import bench, examples
from knobwright.core.bench.records import Proven
from knobwright.core.errors import InputError, SheetError, StoreError
from knobwright.core.state.values import SENT, Known
from knobwright.core.surface.assignment import Assignment
from tests.core.bench.benchtext import HEAD, INPUTS, LINK, SHEET, SURFACE


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "bench.toml").write_text(f"# mine\n{HEAD}{LINK}{INPUTS}", "utf-8")
    (tmp_path / "wren.sheet.toml").write_text(SHEET, "utf-8")
    (tmp_path / "desk.surface.toml").write_text(SURFACE, "utf-8")
    return tmp_path


def test_a_bench_is_named_by_its_folder_or_its_file(folder: Path) -> None:
    first, _ = bench.load(str(folder)).require()
    second, _ = bench.load(str(folder / "bench.toml")).require()
    assert first == second
    assert first.inputs[0].surface == "desk.surface.toml"


def test_the_example_has_no_faults_and_everything_in_it() -> None:
    checked = bench.load(str(examples.path("larkfield-bench")))
    found, codec = checked.require()
    assert checked.notes == ()
    assert codec.sheet.module.name == "Larkfield T4"
    assert len(found.assignments) == 6
    assert len(found.zones("keyboard")) == 2


def test_a_standard_sheet_needs_no_file(folder: Path) -> None:
    text = (folder / "bench.toml").read_text("utf-8").replace("wren.sheet.toml", "general-midi-1")
    (folder / "bench.toml").write_text(text, "utf-8")
    assert bench.load(str(folder)).require()[1].sheet.module.name


OUTSIDE = ["../wren.sheet.toml", "/etc/passwd", "a/../../x.toml", "x\\u0000"]


@pytest.mark.parametrize("name", OUTSIDE)
def test_nothing_outside_the_folder_is_read(folder: Path, name: str) -> None:
    text = (folder / "bench.toml").read_text("utf-8").replace("wren.sheet.toml", name)
    (folder / "bench.toml").write_text(text, "utf-8")
    (fault,) = bench.load(str(folder)).faults
    assert "leads out of" in fault.message or "no name of a file" in fault.message


def test_a_link_out_of_the_folder_is_not_followed(folder: Path) -> None:
    outside = folder.parent / f"{folder.name}-outside.toml"
    outside.write_text(SHEET, "utf-8")
    (folder / "wren.sheet.toml").unlink()
    os.symlink(outside, folder / "wren.sheet.toml")
    try:
        (fault,) = bench.load(str(folder)).faults
        assert "leads out of" in fault.message
    finally:
        outside.unlink()


def test_what_is_missing_is_said_with_its_place(folder: Path) -> None:
    with pytest.raises(InputError, match="no such file") as raised:
        bench.load(str(folder / "nothing"))
    assert "bench.md" in raised.value.hint
    (folder / "desk.surface.toml").unlink()
    (fault,) = bench.load(str(folder)).faults
    assert "no such file" in fault.message
    assert fault.line > 1


def test_what_is_no_ordinary_text_is_refused(folder: Path) -> None:
    (folder / "bench.toml").write_bytes(b"format = 1\n\xff\n")
    with pytest.raises(InputError, match="UTF-8"):
        bench.load(str(folder))
    (folder / "bench.toml").unlink()
    (folder / "bench.toml").mkdir()
    with pytest.raises(InputError, match="ordinary file"):
        bench.load(str(folder / "bench.toml"))


def test_findings_and_assignments_are_saved_with_the_comments_kept(folder: Path) -> None:
    bench.save_proven(str(folder), 0, {"running_status": True, "rest_ms": 3})
    row = Assignment("knob-1", "tone.level", "desk", (1,))
    bench.save_assignment(str(folder), row)
    bench.save_allowed(str(folder), "F0 43 10")
    found, _ = bench.load(str(folder)).require()
    assert found.links[0].proven == Proven(True, 0, 3)
    assert found.assignments == (row,)
    assert found.passing.allow == ("F0 43 10",)
    assert (folder / "bench.toml").read_text("utf-8").startswith("# mine\n")


def test_a_change_that_would_break_the_bench_is_not_written(folder: Path) -> None:
    before = (folder / "bench.toml").read_text("utf-8")
    with pytest.raises(SheetError, match=r"no parameter 'tone\.levels'"):
        bench.save_assignment(str(folder), Assignment("knob-1", "tone.levels", "desk"))
    with pytest.raises(SheetError):
        bench.save_allowed(str(folder), "F0")
    assert (folder / "bench.toml").read_text("utf-8") == before


def test_what_the_module_should_have_survives_and_belongs_to_its_sheet(folder: Path) -> None:
    assert bench.load_known(str(folder), "wren.sheet.toml") == []
    values = (Known("tone.level", 1, None, SENT, 90),)
    bench.save_known(str(folder), "wren.sheet.toml", [values])
    assert bench.load_known(str(folder), "wren.sheet.toml") == [values]
    assert bench.load_known(str(folder), "other.sheet.toml") == []
    (folder / "known.json").write_text("{", "utf-8")
    with pytest.raises(InputError, match="can't be read") as raised:
        bench.load_known(str(folder), "wren.sheet.toml")
    assert raised.value.where.endswith("known.json")


def test_a_folder_that_is_gone_is_said(folder: Path) -> None:
    with pytest.raises(StoreError):
        bench.save_known(str(folder / "nothing"), "x", [])
