"""Voices of published and of real songs, figures, and what a sheet says about voices."""

from __future__ import annotations

import functools
from pathlib import Path

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from knobwright.core.codec.check import check_sheet
from knobwright.core.errors import InputError
from knobwright.core.song.read import read_song
from knobwright.core.song.records import Song
from knobwright.core.song.timeline import timeline
from knobwright.core.song.write import new_song
from knobwright.core.timing.voices.cuts import RULES
from knobwright.core.timing.voices.findings import voice_findings
from knobwright.core.timing.voices.front import VoiceFigures, figures, voices_of
from knobwright.core.timing.voices.module import (
    Choices,
    Cost,
    Drums,
    Polyphony,
    polyphony,
    reserved,
)  # fmt: skip
from knobwright.core.timing.voices.suggest import suggest
from tests.core.song.made import EXAMPLE_0, EXAMPLE_1, head
from tests.core.timing.voices.model import Receiver
from tests.core.timing.voices.songs import MS, events_of, heard, song_of
from tests.oracle import midifile


@pytest.mark.parametrize("data", [EXAMPLE_0, EXAMPLE_1], ids=["format 0", "format 1"])
def test_the_standards_examples_hold_four_notes_at_once(data: bytes) -> None:
    """Standard MIDI Files 1.0 (RP-001), the two example files of one piece of music."""
    found = figures(voices_of(read_song(data)))
    assert (found.n_notes, found.held, found.peak) == (4, 4, 4)
    assert (found.peak_ns, found.peak_tick) == (1_000 * MS, 192)
    assert [(part.channel, part.n_notes, part.peak, part.at_peak) for part in found.parts] == [
        (1, 1, 1, 1), (2, 1, 1, 1), (3, 2, 2, 2),
    ]  # fmt: skip
    assert found.n_never_ending == found.n_stray_offs == found.n_cut == 0


@functools.cache
def most_held(package: str) -> dict[str, int]:
    """Return the most keys down at once in each song."""
    midifile.require(package)
    return {
        name: figures(voices_of(read_song(data, name))).held
        for name, data in midifile.songs(package)
    }


def test_39_keys_are_held_at_most_in_one_package_and_33_in_a_song_of_another() -> None:
    """Counted apart from this program; the songs are those of the two Debian packages."""
    assert max(most_held("simutrans-data").values()) == 39
    assert most_held("openttd-openmsx")["keep_on_rolling.mid"] == 33
    assert max(most_held("openttd-openmsx").values()) == 33


def test_as_many_keys_are_held_as_by_messages_that_mido_reads() -> None:
    expected = {}
    midifile.require("openttd-openmsx")
    for song in midifile.songs("openttd-openmsx"):
        held: set[tuple[int, int]] = set()
        most = 0
        for message in midifile.read(song):
            place = (message[0] & 15, message[1] if len(message) > 1 else 0)
            if message[0] & 0xF0 == 0x90 and message[2]:
                held.add(place)
                most = max(most, len(held))
            elif message[0] & 0xF0 in (0x80, 0x90):
                held.discard(place)
        expected[song.name] = most
    assert most_held("openttd-openmsx") == expected


#: Every fifth program takes two voices, every seventh has a tail.
MODULE = Polyphony(
    28,
    {(0, 0, p): Cost(2 if p % 5 == 0 else 1, 300 * MS if p % 7 == 0 else -1) for p in range(128)},
    {(0, 0, 0): Drums(400 * MS, ((42, 44, 46), (71, 72), (73, 74)))},
    choices=Choices(tail_ms=80),
)


@pytest.mark.parametrize("repeats", ["another", "same"])
@pytest.mark.parametrize("package", midifile.PACKAGES)
def test_real_songs_end_their_notes_as_the_slow_receiver_does(package: str, repeats: str) -> None:
    midifile.require(package)
    module = MODULE._replace(choices=Choices(tail_ms=80, repeats=repeats))
    chosen = midifile.songs(package)[{"another": 3, "same": 7}[repeats] :: 24]
    for number, (name, data) in enumerate(chosen):
        song = read_song(data, name)
        line = timeline(song)
        rule = sorted(RULES)[number % len(RULES)]
        free, short = Receiver(module), Receiver(module)
        short.n_voices, short.rule = module.voices, rule
        for event, (ns, message) in enumerate(zip(line.ns.tolist(), line.messages, strict=True)):
            for receiver in (free, short):
                if message[0] < 0xF0 or message[:1] + message[3:5] == b"\xf0\x09\x01":
                    receiver.play(event, ns, message)
        free.end(len(line.messages), line.length_ns)
        found = voices_of(song, module, rule=rule)
        ends = found.notes.ends.ns.tolist()
        assert ends == [free.done[note][1] for note in range(free.n_notes)], name
        assert found.peak == max(free.levels), name
        cuts = list(zip(found.cuts.note.tolist(), found.cuts.by.tolist(), strict=True))
        assert cuts == short.cut, name


def test_the_figures_of_the_page_about_voices_hold() -> None:
    """``docs/reference/voices.md``: two songs against the example module."""
    midifile.require("simutrans-data")
    root = Path(__file__).resolve().parents[4]
    text = (root / "examples/larkfield-bench/larkfield-t4.sheet.toml").read_text(encoding="utf-8")
    module = polyphony(check_sheet(text, name="larkfield-t4.sheet.toml").require())
    page = (root / "docs/reference/voices.md").read_text(encoding="utf-8")
    found = {}
    for name, data in midifile.songs("simutrans-data"):
        if name in ("08-The-journey-home.mid", "10-Easy-driving.mid"):
            song = read_song(data, name)
            voices = voices_of(song, module)
            kind = "no-pedal" if name.startswith("08") else "doubled-across"
            after = suggest(song, voices, [kind])[0].suggestion.after
            found[name[:2]] = (figures(voices).n_never_ending, len(voices.cuts.note), after.n_cut)
    assert found == {"08": (1536, 1523, 0), "10": (0, 314, 5)}
    assert "1 536 notes pile up under it, 1 523 are cut, and without the pedal none" in page
    assert "314 notes are cut, and 5 when what is doubled is left out" in page


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=300), st.sampled_from([b"", b"\x00\x00\x00\x00"]))
def test_any_bytes_in_a_track_give_voices_or_a_clear_error(content: bytes, before: bytes) -> None:
    song = read_song(head() + b"MTrk" + len(content).to_bytes(4, "big") + before + content)
    found = voices_of(song, MODULE)
    voice_findings(found)
    suggest(song, found)
    assert found.peak >= 0
    assert figures(found).n_cut == len(found.cuts.note)


def test_times_are_exact_whatever_the_tempo() -> None:
    """Tick 1 of 3 a quarter note at 500 000 us: 166 666 666.67 ns, never rounded up."""
    track = events_of("0 90 3C 40 \n 1 80 3C 40 \n 2 FF 2F")
    song = read_song(new_song([track], song_format=0, division=3))
    found = voices_of(song, Polyphony(choices=Choices(tail_ms=1)))
    assert found.notes.ends.ns.tolist() == [166_666_666 + MS]


def test_frames_as_time_base_are_times_too() -> None:
    """25 frames of 40 ticks: a tick is a millisecond (RP-001)."""
    track = events_of("0 90 3C 40 \n 70 80 3C 40 \n 99 FF 2F")
    song = read_song(new_song([track], song_format=0, division=0xE728))
    assert voices_of(song).notes.ends.ns.tolist() == [70 * MS]


def test_a_pattern_of_a_format_2_song_is_measured_alone() -> None:
    tracks = [events_of("0 90 3C 40 \n 9 FF 2F"), events_of("0 90 3C 40 \n 1 90 3D 40 \n 9 FF 2F")]
    song = read_song(new_song(tracks, song_format=2, division=500), "two.mid")
    assert [voices_of(song, pattern=number).peak for number in (0, 1)] == [1, 2]
    with pytest.raises(InputError, match="patterns 1 to 2, and there is no 3"):
        voices_of(song, pattern=2)


def test_a_song_without_notes_has_no_voices() -> None:
    found = figures(heard("0 B0 40 7F"))
    assert (found.n_notes, found.peak, found.held, found.parts) == (0, 0, 0, ())
    assert heard("").curve().ns.tolist() == []


def test_the_time_above_the_limit_counts_tails() -> None:
    song = "0 90 3C 40 \n 100 90 3D 40 \n 150 80 3C 40 \n 300 80 3D 40"
    found = figures(heard(song, module=Polyphony(1), tail_ms=30))
    assert (found.limit, found.above_ns, found.peak) == (1, 80 * MS, 2)


def test_the_curve_has_a_step_for_every_change() -> None:
    steps = heard("0 90 3C 40 \n 100 90 3D 40 \n 150 80 3C 40 \n 300 80 3D 40", tail_ms=30).curve()
    rows = zip(steps.ns.tolist(), steps.voices.tolist(), strict=True)
    assert list(rows) == [(0, 1), (100 * MS, 2), (180 * MS, 1), (330 * MS, 0)]


def test_figures_are_written_and_read_as_json() -> None:
    found = figures(heard("0 90 3C 40 \n 9 91 3C 40", module=Polyphony(1)))
    assert msgspec.json.decode(msgspec.json.encode(found), type=VoiceFigures) == found


SHEET = """
format = 1
[module]
name = "Lark"
voices = 20
drum_channels = [10, 11]
[programs]
line = "Bn 20 bl Cn pp"
first = 1
[[program]]
number = 1
name = "Reed"
[[program]]
number = 3
name = "Glass"
bank = [0, 2]
voices = 2
tail_ms = 1500
[[kit]]
number = 1
tail_ms = 250
exclusive = [[42, 46]]
[[parameter]]
key = "part.voice-reserve"
per = ["channel"]
line = "Bn 63 05 62 12 06 vv"
range = [0, 20]
default = 1
"""


def test_a_sheet_says_what_a_module_does_with_voices() -> None:
    sheet = check_sheet(SHEET, name="lark.sheet.toml").require()
    found = polyphony(sheet)
    assert (found.voices, found.drum_channels) == (20, (10, 11))
    assert found.programs == {(0, 0, 0): Cost(1, -1), (0, 2, 2): Cost(2, 1_500 * MS)}
    assert found.kits == {(0, 0, 0): Drums(250 * MS, ((42, 46),))}
    assert found.hears_bank == (False, True)
    assert found.reserve == reserved(sheet) == dict.fromkeys(range(1, 17), 1)
    assert polyphony(sheet, reserve={}).reserve == {}


@pytest.mark.parametrize(
    ("choices", "words"),
    [
        (Choices(tail_ms=-1), "tail_ms is 0 to"),
        (Choices(drum_ms=0), "drum_ms is 1 to"),
        (Choices(tail_percent=101), "tail_percent is 0 to 100, found 101"),
        (Choices(repeats="both"), "found 'both'"),
    ],
)
def test_choices_out_of_range_are_refused(choices: Choices, words: str) -> None:
    with pytest.raises(InputError, match=words):
        voices_of(song_of("0 90 3C 40"), Polyphony(choices=choices))


def test_without_a_sheet_any_number_of_voices_sounds_and_drums_are_on_channel_10() -> None:
    """General MIDI 1 (RP-003) for the drum channel."""
    assert (polyphony().voices, polyphony().drum_channels) == (0, (10,))


def test_voices_of_two_tracks_are_those_of_one_with_the_same_messages() -> None:
    both: Song = song_of("0 90 3C 40 \n 100 80 3C 40", "50 91 3C 40 \n 80 81 3C 40")
    one: Song = song_of("0 90 3C 40 \n 50 91 3C 40 \n 80 81 3C 40 \n 100 80 3C 40")
    assert figures(voices_of(both)) == figures(voices_of(one))
