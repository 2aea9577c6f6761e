"""Song files on disk."""

from __future__ import annotations

import gzip
from pathlib import Path

import pytest

from knobwright.adapters.files.song import load, save
from knobwright.core.errors import InputError, StoreError
from tests.core.song.made import EXAMPLE_1, song


def test_a_song_is_loaded_and_saved_byte_for_byte(tmp_path: Path) -> None:
    for name, data in (("a.mid", EXAMPLE_1), ("b.mid.gz", gzip.compress(EXAMPLE_1))):
        path = tmp_path / name
        path.write_bytes(data)
        found = load(path, strict=True)
        assert (found.name, found.n_tracks) == (str(path), 4)
        save(found, tmp_path / "copy")
        assert (tmp_path / "copy").read_bytes() == data


def test_a_fault_is_told_with_file_and_place(tmp_path: Path) -> None:
    path = tmp_path / "odd.mid"
    path.write_bytes(song("00 90 3C 40"))
    assert load(path).n_faults == 1
    with pytest.raises(InputError) as caught:
        load(path, strict=True)
    assert str(caught.value).startswith(f"{path}: the song does not keep to the standard: byte 26")


def test_what_is_no_file_is_told(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="there is no such song"):
        load(tmp_path / "none.mid")
    with pytest.raises(StoreError, match="is a folder, not a song"):
        load(tmp_path)
    with pytest.raises(StoreError, match="is a device or pipe, not a song"):
        load("/dev/zero")
    with pytest.raises(StoreError, match="can't be read"):
        load(tmp_path / "nul\0.mid")
