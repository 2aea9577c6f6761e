"""The example song is what its maker writes, and the song reader finds nothing wrong with it."""

from __future__ import annotations

from knobwright.core.song.read import read_song
from tools.example_song import PATH, song


def test_the_example_song_is_what_its_maker_writes() -> None:
    assert PATH.read_bytes() == song(), "run: python -m tools.example_song"


def test_the_example_song_has_no_fault() -> None:
    assert read_song(song(), "low-tide.mid", strict=True).n_faults == 0
