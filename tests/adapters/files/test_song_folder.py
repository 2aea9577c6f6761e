"""Finding songs: every ending, the same order always, and what is no song to be read."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from knobwright.adapters.files.song_folder import SongFile, find_songs, read_song_bytes
from knobwright.core.errors import InputError, StoreError
from knobwright.core.song.records import MAX_BYTES


def find(folder: Path) -> list[SongFile]:
    return find_songs(str(folder), lambda path, why: pytest.fail(f"{path}: {why}"))


def test_songs_are_found_below_in_the_order_of_their_paths(tmp_path: Path) -> None:
    names = ["z.mid", "a/b.MIDI", "a/c.kar", "a.rmi", "B.smf", "deep/er/x.mid.gz"]
    for name in [*names, "notes.txt", "y.midx", "x.gz", "a/readme.mid.txt"]:
        file = tmp_path / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(name.encode())
    found = find(tmp_path)
    assert [file.told for file in found] == sorted(names)
    assert [read_song_bytes(file).decode() for file in found] == sorted(names)
    assert [file.size for file in found] == [len(name) for name in sorted(names)]


def test_names_are_told_without_controls(tmp_path: Path) -> None:
    (tmp_path / "\x1b]0;owned\x07.mid").write_bytes(b"x")
    Path(os.fsdecode(os.fsencode(tmp_path) + b"/no-\xff-utf.mid")).write_bytes(b"y")
    found = find(tmp_path)
    assert [file.told for file in found] == ["\\x1b]0;owned\\x07.mid", "no-\\udcff-utf.mid"]
    assert [read_song_bytes(file) for file in found] == [b"x", b"y"]


def test_a_link_to_a_folder_is_not_followed(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "x.mid").write_bytes(b"x")
    os.symlink(tmp_path, tmp_path / "a" / "again")
    assert [file.told for file in find(tmp_path)] == ["a/x.mid"]


def test_a_link_to_a_song_is_read_and_one_to_nowhere_is_trouble(tmp_path: Path) -> None:
    (tmp_path / "x.bin").write_bytes(b"x")
    os.symlink(tmp_path / "x.bin", tmp_path / "good.mid")
    os.symlink(tmp_path / "nowhere", tmp_path / "bad.mid")
    bad, good = find(tmp_path)
    assert read_song_bytes(good) == b"x"
    assert "No such file" in bad.trouble
    with pytest.raises(StoreError, match="No such file"):
        read_song_bytes(bad)


def test_a_pipe_or_folder_with_the_name_of_a_song_is_never_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.mid")
    (tmp_path / "folder.mid").mkdir()
    (found,) = find(tmp_path)
    assert found.trouble == "is no ordinary file"
    # Also where it took the place of a song since.
    with pytest.raises(StoreError, match="no ordinary file"):
        read_song_bytes(found._replace(trouble=""))


def test_a_song_that_is_too_large_is_not_read(tmp_path: Path) -> None:
    path = tmp_path / "big.mid"
    with path.open("wb") as file:
        file.truncate(MAX_BYTES + 1)
    (found,) = find(tmp_path)
    with pytest.raises(InputError, match="at most 32 MiB"):
        read_song_bytes(found)


@pytest.mark.parametrize(
    ("name", "words"), [("nowhere", "no such folder"), ("x.mid", "is a file, not a folder")]
)
def test_what_is_no_folder_is_told(tmp_path: Path, name: str, words: str) -> None:
    (tmp_path / "x.mid").write_bytes(b"x")
    with pytest.raises(StoreError, match=words):
        find(tmp_path / name)


def test_a_folder_that_may_not_be_read_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The refusal is made up: whoever runs the tests may be allowed to read everything."""

    def walk(
        folder: str, onerror: Callable[[OSError], None]
    ) -> Iterator[tuple[str, list[str], list[str]]]:
        onerror(PermissionError(errno.EACCES, "Permission denied", f"{folder}/shut"))
        yield folder, [], ["x.mid"]

    (tmp_path / "x.mid").write_bytes(b"x")
    monkeypatch.setattr(os, "walk", walk)
    told: list[tuple[str, str]] = []
    found = find_songs(str(tmp_path), lambda path, why: told.append((path, why)))
    assert told == [(f"{tmp_path}/shut", "Permission denied")]
    assert [file.told for file in found] == ["x.mid"]
