"""Parts of all songs: time an event, and in percent of what mido needs merely to read them."""

from __future__ import annotations

import io
import time

import mido

from knobwright.adapters.files import fitting, sheets
from knobwright.core.codec.plan import Codec
from knobwright.core.fitting.parts import PartsReader
from knobwright.core.fitting.prepare import Order, prepare
from knobwright.core.fitting.programs import Names
from knobwright.core.song.read import read_song
from knobwright.core.song.records import Song
from knobwright.core.song.timeline import timeline
from tests.oracle import midifile

SHEET = "examples/larkfield-bench/larkfield-t4.sheet.toml"
_N_ROUNDS = 3


def main() -> None:
    """Print the figures as a table."""
    found = [song for package in midifile.PACKAGES for song in midifile.songs(package)]
    songs = [read_song(data, name) for name, data in found]
    n_events = sum(song.n_events for song in songs)
    mido_s = _mido_s([data for _, data in found])
    codec = Codec(sheets.load(SHEET).require())
    standard = fitting.general_midi()
    line_s = min(_lines_s(songs) for _ in range(_N_ROUNDS))
    parts_s = min(_parts_s(songs, codec, standard) for _ in range(_N_ROUNDS))
    print(f"{len(songs)} songs, {n_events} events")
    print(f"{'':<28}{'ns an event':>12}{'% of mido':>12}")
    for name, seconds in (
        ("mido, reading", mido_s), ("timeline", line_s), ("parts, behind the timeline", parts_s),
    ):  # fmt: skip
        print(f"{name:<28}{seconds / n_events * 1e9:>12.0f}{100 * seconds / mido_s:>12.1f}")
    some = songs[::10]
    start = time.perf_counter()
    for song in some:
        prepare(song, codec, standard, Order())
    done_s = time.perf_counter() - start
    n_some = sum(song.n_events for song in some)
    print(f"{'prepare, with its proof':<28}{done_s / n_some * 1e9:>12.0f}")
    _print_growth(codec, standard)


def _mido_s(files: list[bytes]) -> float:
    start = time.perf_counter()
    for data in files:
        mended = midifile._ODD_KEY.sub(lambda found: found[0][:-1] + b"\x00", data)
        mido.MidiFile(file=io.BytesIO(mended))
    return time.perf_counter() - start


def _lines_s(songs: list[Song]) -> float:
    start = time.perf_counter()
    for song in songs:
        timeline(song)
    return time.perf_counter() - start


def _parts_s(songs: list[Song], codec: Codec, standard: Names) -> float:
    """Return the time for parts alone, what the sheet says remembered as a survey does."""
    reader, seconds = PartsReader(codec, standard), 0.0
    for song in songs:
        line = timeline(song)
        start = time.perf_counter()
        reader.read(line)
        seconds += time.perf_counter() - start
    return seconds


def _print_growth(codec: Codec, standard: Names) -> None:
    """Print the time an event for one song, repeated 1, 10 and 100 times."""
    body = b"".join(
        bytes((0x10, 0xB0 | i % 16, 7, i % 128, 0x10, 0x90 | i % 16, i % 128, 64))
        for i in range(500)
    )
    for times in (1, 10, 100):
        track = body * times + b"\x00\xff\x2f\x00"
        head = b"MThd" + bytes((0, 0, 0, 6, 0, 0, 0, 1, 0, 96))
        song = read_song(head + b"MTrk" + len(track).to_bytes(4, "big") + track)
        line = timeline(song)
        reader = PartsReader(codec, standard)
        reader.read(line)
        start = time.perf_counter()
        for _ in range(1000 // times):
            reader.read(line)
        each = (time.perf_counter() - start) / (1000 // times) / song.n_events
        print(f"parts, one song {times:>3} times    {each * 1e9:>12.0f}")


if __name__ == "__main__":
    main()
