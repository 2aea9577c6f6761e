"""Files are written whole or not at all."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from knobwright.adapters.files import safe
from knobwright.core.errors import StoreError


def test_text_and_bytes_are_written_as_they_are(tmp_path: Path) -> None:
    safe.write_text(tmp_path / "a", "Größe\n")
    safe.write_bytes(str(tmp_path / "b"), b"\xf0\x7d\xf7")
    assert (tmp_path / "a").read_bytes() == "Größe\n".encode()
    assert (tmp_path / "b").read_bytes() == b"\xf0\x7d\xf7"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a", "b"]


def test_an_existing_file_keeps_its_mode_and_a_new_one_has_the_usual(tmp_path: Path) -> None:
    old, new = tmp_path / "old", tmp_path / "new"
    old.write_text("x")
    old.chmod(0o640)
    mask = os.umask(0o027)
    try:
        safe.write_text(old, "y")
        safe.write_text(new, "y")
    finally:
        os.umask(mask)
    assert stat.S_IMODE(old.stat().st_mode) == 0o640
    assert stat.S_IMODE(new.stat().st_mode) == 0o640
    assert old.read_text() == "y"


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "real").write_text("x")
    (tmp_path / "link").symlink_to(tmp_path / "real")
    safe.write_text(tmp_path / "link", "y")
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real").read_text() == "y"


def fail_with(number: int) -> Callable[..., None]:
    """Return a function that fails as the system does."""

    def fail(*_: object) -> None:
        raise OSError(number, os.strerror(number))

    return fail


TROUBLES = {
    "fsync": (errno.ENOSPC, "the disk is full"),
    "replace": (errno.EACCES, "may not be written to"),
    "chmod": (errno.EROFS, "only be read"),
}


@pytest.mark.parametrize("call", TROUBLES)
def test_what_was_there_stays_when_writing_fails(
    call: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x.toml"
    path.write_text("before")
    number, wanted = TROUBLES[call]
    monkeypatch.setattr(os, call, fail_with(number))
    with pytest.raises(StoreError, match=wanted) as caught:
        safe.write_text(path, "after")
    monkeypatch.undo()
    assert caught.value.where == str(path)
    assert caught.value.hint
    assert path.read_text() == "before"
    assert [p.name for p in tmp_path.iterdir()] == ["x.toml"]  # no temporary file is left


def test_an_interruption_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", interrupt)
    with pytest.raises(KeyboardInterrupt):
        safe.write_text(tmp_path / "x", "y")
    assert list(tmp_path.iterdir()) == []


def test_places_that_cannot_be_written_to(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    for path, wanted in (
        (tmp_path / "none" / "x", "folder does not exist"),
        (tmp_path, "is a folder"),
        (tmp_path / "file" / "x", "not a folder"),
        (Path("/dev/null"), "device"),
        (tmp_path / ("x" * 400), "name is too long"),
        (tmp_path / "a\0b", "can't be written"),
    ):
        with pytest.raises(StoreError, match=wanted) as caught:
            safe.write_text(path, "y")
        assert caught.value.where == str(path)
        assert caught.value.hint


def test_a_file_that_may_not_be_written_to_is_left_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "x"
    path.write_text("before")
    monkeypatch.setattr(os, "access", lambda *_: False)  # the superuser may always write
    with pytest.raises(StoreError, match="may not be written to"):
        safe.write_text(path, "after")
    assert path.read_text() == "before"


def test_text_without_utf8_form_is_refused(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="position 1"):
        safe.write_text(tmp_path / "x", "a\ud800")
    assert list(tmp_path.iterdir()) == []
