"""Every song of the Debian packages, against mido: events, ticks, times; and byte for byte."""

from __future__ import annotations

import gc
import io
import re
from collections.abc import Iterator

import mido
import pytest

from knobwright.core.song.read import read_song
from knobwright.core.song.records import META, Song
from knobwright.core.song.tempo import event_ns
from knobwright.core.song.timeline import timeline
from knobwright.core.song.write import new_song, rewrite, track_events, write_song
from knobwright.core.wire import is_note_off, is_note_on
from tests.oracle import midifile

#: A key signature whose mode byte is neither 0 nor 1: mido refuses it.
ODD_KEY = re.compile(rb"\xff\x59\x02[\x00-\xff][\x02-\xff]")


@pytest.fixture(autouse=True)
def no_collection() -> Iterator[None]:
    """Switch garbage collection off: it takes half of the time among a million small objects."""
    gc.disable()
    yield
    gc.enable()


@pytest.fixture(params=midifile.PACKAGES)
def package(request: pytest.FixtureRequest) -> str:
    """Return each package whose songs are here."""
    name: str = request.param
    midifile.require(name)
    return name


def read_by_mido(data: bytes) -> mido.MidiFile:
    """Return mido's reading, with the two songs mended that it refuses."""
    mended = ODD_KEY.sub(lambda found: found[0][:-1] + b"\x00", data)
    return mido.MidiFile(file=io.BytesIO(mended))


def mido_events(file: mido.MidiFile) -> list[tuple[int, int, bytes]]:
    """Return (track, tick, message) of what is sent, track after track."""
    out = []
    for number, track in enumerate(file.tracks):
        tick = 0
        for message in track:
            tick += message.time
            if not message.is_meta:
                out.append((number, tick, bytes(message.bytes())))
    return out


def mido_ns(file: mido.MidiFile, ticks: list[int]) -> list[int]:
    """Return the exact times of ascending ticks by mido's tempo events, one step at a time."""
    tempos = []
    for track in file.tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "set_tempo":
                tempos.append((tick, message.tempo))
    tempos.sort(key=lambda row: row[0])
    out, now, done, rate = [], 0, 0, 500_000  # done: microseconds times the division
    for tick in ticks:
        while tempos and tempos[0][0] <= tick:
            at, new = tempos.pop(0)
            done += (at - now) * rate
            now, rate = at, new
        out.append((done + (tick - now) * rate) * 1000 // file.ticks_per_beat)
    return out


def our_events(song: Song) -> list[tuple[int, int, bytes]]:
    """Return (track, tick, message) of what is sent, track after track, as mido's."""
    out = []
    for number in range(song.n_tracks):
        for tick, data in track_events(song, number):
            if data[0] != META:
                out.append((number, tick, data))
    return out


def test_mido_agrees_on_messages_ticks_and_times(package: str) -> None:
    for name, data in midifile.songs(package):
        song, file = read_song(data, name), read_by_mido(data)
        theirs = mido_events(file)
        assert our_events(song) == theirs, name
        assert song.n_events == sum(map(len, file.tracks))
        line = timeline(song)
        in_order = sorted(theirs, key=lambda row: row[1])
        assert line.messages == [row[2] for row in in_order], name
        assert line.ns.tolist() == mido_ns(file, [row[1] for row in in_order]), name


def test_mido_finds_the_same_length(package: str) -> None:
    """Its length is a sum of rounded floats, so it is near; some songs are enough."""
    for name, data in midifile.songs(package)[::10]:
        length_s = timeline(read_song(data, name)).length_ns / 1e9
        assert abs(length_s - read_by_mido(data).length) < 1e-3, name


def test_every_song_is_written_byte_for_byte(package: str) -> None:
    for name, data in midifile.songs(package):
        song = read_song(data, name)
        assert write_song(song) == data, name
        tracks = {number: track_events(song, number) for number in range(0, song.n_tracks, 3)}
        again = read_song(rewrite(song, tracks), name)
        # Places in the file may differ where running status does; everything else is the same.
        for column in ("tick", "track", "status", "first", "second", "size"):
            same = getattr(again.events, column) == getattr(song.events, column)
            assert same.all(), (name, column)


def test_every_song_is_the_same_when_written_anew(package: str) -> None:
    for name, data in midifile.songs(package)[::5]:
        song = read_song(data, name)
        tracks = [track_events(song, number) for number in range(song.n_tracks)]
        made = new_song(tracks, song_format=song.format, division=song.division)
        again = read_song(made, name)
        assert [track_events(again, number) for number in range(song.n_tracks)] == tracks
        assert (event_ns(again) == event_ns(song)).all()


def test_the_only_faults_are_the_known_ones(package: str) -> None:
    """Two songs with a key signature of 255, and some with tempo events in a second track."""
    found: dict[str, set[str]] = {}
    for name, data in midifile.songs(package):
        for fault in read_song(data, name).faults:
            found.setdefault(name, set()).add(fault.what)
    known = {
        "simutrans-data": {"05-Boring-afternoon.mid", "30-On-the-waterfront.mid"},
        "freedoom": {"freedoom1:D_E1M5", "freedoom1:D_E1M7", "freedoom1:D_E2M4",
                     "freedoom1:D_E2M6", "freedoom2:D_COUNTD", "freedoom2:D_DOOM2",
                     "freedoom2:D_ROMERO"},
        "openttd-openmsx": set(),
    }  # fmt: skip
    assert found.keys() == known[package]
    words = {what for whats in found.values() for what in whats}
    assert all(re.search(r"found 255$|tempo events stand outside", what) for what in words)


def test_39_notes_are_held_at_most_in_one_package() -> None:
    """Counted apart from this reader: most (channel, key) pairs on at once, in simutrans-data."""
    midifile.require("simutrans-data")
    most = 0
    for name, data in midifile.songs("simutrans-data"):
        held: set[tuple[int, int]] = set()
        for message in timeline(read_song(data, name)).messages:
            place = (message[0] & 15, message[1] if len(message) > 1 else 0)
            if is_note_on(message):
                held.add(place)
                most = max(most, len(held))
            elif is_note_off(message):
                held.discard(place)
    assert most == 39
