"""Leaflet files: which reader takes which, and what is said of files that are none."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from knobwright.adapters.files import leaflet
from knobwright.core.errors import LeafletError, StoreError
from tests.adapters.files.pdf_making import raw_pdf, refusal, text_at

TABLE = b"Name,CC\nVol,7\n"
PDF = raw_pdf(text_at(50, 700, "Volume B0 07 vv"))

KINDS = {
    "x.txt": (b"# a  b", "text"),
    "x.csv": (TABLE, "csv"),
    "x.TSV": (b"Name\tCC\nVol\t7\n", "csv"),
    "x.md": (b"# Title", "markdown"),
    "x.pdf": (PDF, "pdf"),
    "no-suffix": (b"# Title\n", "markdown"),
    "x.list": (TABLE, "csv"),
    "x.dat": (b"Volume  B0 07 vv", "text"),
    "pdf-named.txt": (PDF, "pdf"),
    "pdf-after-rubbish.pdf": (b"\r\n" * 20 + PDF, "pdf"),
}


@pytest.mark.parametrize("name", KINDS)
def test_the_kind_is_told_by_content_and_suffix(name: str, tmp_path: Path) -> None:
    data, source = KINDS[name]
    path = tmp_path / name
    path.write_bytes(data)
    seen: list[tuple[int, int]] = []
    found = leaflet.load(path, progress=lambda done, total: seen.append((done, total)))
    assert found.source == source
    assert found.name == str(path)
    assert seen == [(1, 1)]


NOT_LEAFLETS = {
    "binary.txt": (bytes(range(256)), LeafletError, "byte 00"),
    "empty.txt": (b"", LeafletError, "is empty"),
    "blank.csv": (b"\n\n", LeafletError, "no text"),
    "text.pdf": (b"Volume B0 07", LeafletError, "%PDF-"),
    "book.docx": (b"PK\x03\x04rest", LeafletError, "packed file"),
    "old.doc": (b"\xd0\xcf\x11\xe0rest", LeafletError, "office document"),
    "letter.rtf": (b"{\\rtf1 x}", LeafletError, "rich-text"),
    "scan.png": (b"\x89PNG\r\n", LeafletError, "picture"),
    "scan.jpg": (b"\xff\xd8\xff\xe0", LeafletError, "picture"),
    "song.mid": (b"MThd\0\0\0\6", LeafletError, "MIDI File"),
    "dump.syx": (b"\xf0\x7d\x01\xf7", LeafletError, "MIDI bytes"),
    "page.html": (b"\n<!DOCTYPE html>", LeafletError, "web page"),
}


@pytest.mark.parametrize("name", NOT_LEAFLETS)
def test_files_of_other_kinds_are_named(name: str, tmp_path: Path) -> None:
    data, kind, wanted = NOT_LEAFLETS[name]
    path = tmp_path / name
    path.write_bytes(data)
    with pytest.raises(kind, match=wanted) as caught:
        leaflet.load(path)
    assert caught.value.where.startswith(str(path))
    assert caught.value.hint


def test_a_missing_file_a_folder_and_a_device(tmp_path: Path) -> None:
    for path, wanted in (
        (tmp_path / "none.txt", "no such file"),
        (tmp_path, "folder"),
        (Path("/dev/null"), "device"),
        (tmp_path / "x\0y", "can't be read"),
        (tmp_path / ("x" * 400), "can't be read"),
    ):
        with pytest.raises(StoreError, match=wanted) as caught:
            leaflet.load(path)
        assert caught.value.where == str(path)
        assert caught.value.hint


def test_a_file_without_the_right_to_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x.txt"
    path.write_bytes(b"Volume")

    def refuse(self: Path, mode: str) -> object:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)  # the mode bits don't bind the superuser
    with pytest.raises(StoreError, match="may not be read"):
        leaflet.load(path)


def test_a_file_of_100_mb_is_refused_by_its_size(tmp_path: Path) -> None:
    path = tmp_path / "big.txt"
    with path.open("wb") as file:
        file.truncate(100 * 2**20)
    with pytest.raises(LeafletError, match=r"100\.0 MiB .*may have 32 MiB"):
        leaflet.load(path)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=80)
@given(data=st.binary(max_size=200), suffix=st.sampled_from([".txt", ".csv", ".md", ".pdf", ""]))
def test_arbitrary_files_raise_nothing_but_our_errors(
    data: bytes, suffix: str, tmp_path: Path
) -> None:
    path = tmp_path / f"x{suffix}"
    path.write_bytes(data)
    error = refusal(lambda: leaflet.load(path))
    assert error is None or error.hint


def test_nothing_heavy_is_imported_before_it_is_needed() -> None:
    heavy = "pypdf pdfplumber pdfminer csv html numpy click rich asyncio"
    code = (
        "import sys, knobwright.adapters.files.leaflet\n"
        f"print([m for m in {heavy.split()!r} if m in sys.modules])"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True
    )
    assert done.stdout.strip() == "[]"
