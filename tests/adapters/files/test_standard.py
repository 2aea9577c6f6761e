"""The names an ``include`` may use: standard sheets, and files that stay inside the folder."""

from __future__ import annotations

import os
import tomllib
from pathlib import Path

import pytest

from knobwright.adapters.files import standard
from knobwright.core.errors import InputError, KnobwrightError, NamingError, StoreError

STANDARD = ("general-midi-1", "general-midi-2", "midi-1", "midi-tuning")
SMALL = 'format = 1\n[module]\nname = "Beside"\n'


def write(folder: Path, name: str, text: str = SMALL) -> Path:
    """Write a sheet file below ``folder`` and return its path."""
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text, encoding="utf-8")
    return path


def test_the_standard_sheets_are_those_the_format_promises() -> None:
    assert standard.names() == STANDARD


@pytest.mark.parametrize("name", STANDARD)
def test_a_standard_sheet_is_toml_of_format_1(name: str) -> None:
    tree = tomllib.loads(standard.text(name))
    assert tree["format"] == 1
    assert tree["module"]["name"]


@pytest.mark.parametrize("name", STANDARD)
def test_the_library_finds_every_standard_sheet_without_a_folder(name: str) -> None:
    assert standard.library()(name) == standard.text(name)


def test_an_unknown_standard_name_lists_the_known_ones() -> None:
    with pytest.raises(NamingError) as caught:
        standard.text("nothing-like-it")
    assert caught.value.candidates == STANDARD
    assert "midi-tuning" in caught.value.hint


def test_a_near_miss_gets_a_suggestion(tmp_path: Path) -> None:
    with pytest.raises(NamingError, match="did you mean 'general-midi-1'"):
        standard.library(tmp_path)("general-midi1")


def test_a_standard_name_wins_over_a_file_of_the_same_name(tmp_path: Path) -> None:
    write(tmp_path, "midi-1.sheet.toml")
    assert standard.library(tmp_path)("midi-1") == standard.text("midi-1")


@pytest.mark.parametrize("name", ["beside", "beside.sheet.toml"])
def test_a_file_in_the_folder_is_found_with_or_without_its_ending(
    tmp_path: Path, name: str
) -> None:
    write(tmp_path, "beside.sheet.toml")
    assert standard.library(tmp_path)(name) == SMALL


def test_a_file_below_the_folder_is_found(tmp_path: Path) -> None:
    write(tmp_path, "parts/low/beside.sheet.toml")
    assert standard.library(tmp_path)("parts/low/beside") == SMALL


def test_a_byte_order_mark_is_taken_off(tmp_path: Path) -> None:
    write(tmp_path, "beside.sheet.toml", "\ufeff" + SMALL)
    assert standard.library(tmp_path)("beside") == SMALL


def test_a_relative_folder_works(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    write(tmp_path, "beside.sheet.toml")
    monkeypatch.chdir(tmp_path)
    assert standard.library(Path())("beside") == SMALL


@pytest.mark.parametrize(
    "name",
    [
        "/etc/passwd",
        "/outside",
        "//host/share/outside",
        "../outside",
        "parts/../../outside",
        "parts/../beside",
        "..",
        "..\\outside",
        "C:outside",
        "C:\\outside",
        "file:outside",
        "~root:x",
    ],
)
def test_a_name_that_could_leave_the_folder_is_refused(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "bench"
    write(folder, "beside.sheet.toml")
    write(tmp_path, "outside.sheet.toml", "secret = 1\n")
    with pytest.raises(InputError, match="would leave the sheet's folder") as caught:
        standard.library(folder)(name)
    assert caught.value.hint


@pytest.mark.parametrize("name", ["", "a\x00b", "a\nb", "\x1b[31mred", "x" * 256])
def test_a_name_that_is_no_name_is_refused_in_one_harmless_line(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="printable name") as caught:
        standard.library(tmp_path)(name)
    assert str(caught.value).isprintable()
    assert len(str(caught.value)) < 300


def test_a_home_shorthand_is_only_a_name(tmp_path: Path) -> None:
    with pytest.raises(NamingError):
        standard.library(tmp_path)("~/outside")


def test_a_link_that_leaves_the_folder_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    folder.mkdir()
    (folder / "lure.sheet.toml").symlink_to(write(tmp_path, "outside.sheet.toml"))
    with pytest.raises(InputError, match="a link in it points outside"):
        standard.library(folder)("lure")


def test_a_linked_folder_that_leaves_is_refused(tmp_path: Path) -> None:
    folder = tmp_path / "bench"
    folder.mkdir()
    write(tmp_path, "other/beside.sheet.toml")
    (folder / "parts").symlink_to(tmp_path / "other", target_is_directory=True)
    with pytest.raises(InputError, match="a link in it points outside"):
        standard.library(folder)("parts/beside")


def test_a_link_that_stays_inside_is_followed(tmp_path: Path) -> None:
    (tmp_path / "alias.sheet.toml").symlink_to(write(tmp_path, "parts/beside.sheet.toml"))
    assert standard.library(tmp_path)("alias") == SMALL


def test_a_folder_that_is_itself_a_link_works(tmp_path: Path) -> None:
    write(tmp_path, "real/beside.sheet.toml")
    (tmp_path / "bench").symlink_to(tmp_path / "real", target_is_directory=True)
    assert standard.library(tmp_path / "bench")("beside") == SMALL


def test_links_in_a_circle_are_said(tmp_path: Path) -> None:
    (tmp_path / "a.sheet.toml").symlink_to(tmp_path / "b.sheet.toml")
    (tmp_path / "b.sheet.toml").symlink_to(tmp_path / "a.sheet.toml")
    with pytest.raises(StoreError, match="can't be read"):
        standard.library(tmp_path)("a")


@pytest.mark.parametrize("name", ["missing", "missing/beside", "beside.sheet.toml/inner"])
def test_a_missing_file_says_what_may_be_included(tmp_path: Path, name: str) -> None:
    write(tmp_path, "beside.sheet.toml")
    with pytest.raises(NamingError, match="there is no file") as caught:
        standard.library(tmp_path)(name)
    assert "general-midi-2" in caught.value.hint


def test_without_a_folder_files_are_not_looked_for() -> None:
    with pytest.raises(NamingError, match="standard sheets only"):
        standard.library()("beside")


def test_a_folder_in_the_place_of_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "beside.sheet.toml").mkdir()
    with pytest.raises(InputError, match="ordinary file"):
        standard.library(tmp_path)("beside")


def test_a_pipe_is_refused_without_waiting_for_its_writer(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "beside.sheet.toml")
    with pytest.raises(InputError, match="ordinary file"):
        standard.library(tmp_path)("beside")


def test_the_size_limit_is_exact(tmp_path: Path) -> None:
    path = tmp_path / "beside.sheet.toml"
    path.write_bytes(b"#" * standard.MAX_BYTES)
    assert len(standard.library(tmp_path)("beside")) == 4 * 1024 * 1024
    path.write_bytes(b"#" * (standard.MAX_BYTES + 1))
    with pytest.raises(InputError, match="at most 4194304 bytes"):
        standard.library(tmp_path)("beside")


def test_a_wrong_encoding_names_its_byte(tmp_path: Path) -> None:
    (tmp_path / "beside.sheet.toml").write_bytes(b"format = 1 # \xe9\n")
    with pytest.raises(InputError, match="byte 13"):
        standard.library(tmp_path)("beside")


def test_what_the_system_refuses_is_a_store_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(tmp_path, "beside.sheet.toml")

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(StoreError, match="Permission denied") as caught:
        standard.library(tmp_path)("beside")
    assert isinstance(caught.value, KnobwrightError)
    assert caught.value.where == "beside"
