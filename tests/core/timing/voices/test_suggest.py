"""What helps: every suggestion is applied to a copy, written, read again and measured."""

from __future__ import annotations

import io

import mido
import pytest

from knobwright.core.errors import InputError, NamingError
from knobwright.core.song.read import read_song
from knobwright.core.song.records import Song
from knobwright.core.song.write import rewrite, write_song
from knobwright.core.timing.voices.change import Added, Change, changed_play, changed_tracks
from knobwright.core.timing.voices.doubles import doubled
from knobwright.core.timing.voices.front import Voices, voices_of
from knobwright.core.timing.voices.module import Choices, Cost, Drums, Polyphony
from knobwright.core.timing.voices.suggest import SUGGESTIONS, Tried, apply, mend, suggest
from tests.core.timing.voices.songs import heard, song_of
from tests.oracle import midifile


def chord(at_ms: int, keys: str, *, until_ms: int, channel: int = 0) -> str:
    """Return notes that begin at one time and end at another."""
    down = "".join(f"{at_ms} {0x90 | channel:X} {key} 40 \n" for key in keys.split())
    return down + "".join(f"{until_ms} {0x80 | channel:X} {key} 40 \n" for key in keys.split())


def found(song: Song, module: Polyphony, name: str) -> list[Tried]:
    """Return the suggestions of one kind."""
    return suggest(song, voices_of(song, module), [name])


def written(song: Song, change: Change) -> Song:
    """Return the changed song, written and read again."""
    return read_song(rewrite(song, changed_tracks(song, change)), song.name)


def same(one: Voices, other: Voices) -> bool:
    """Return whether two songs decide the same about voices."""
    columns = ("ns", "tick", "status", "first", "second")
    return all((getattr(one.play, c) == getattr(other.play, c)).all() for c in columns)


DOUBLED = "0 90 3C 40 \n 0 90 3C 50 \n 0 90 40 40 \n 90 80 3C 00 \n 95 80 3C 00 \n 99 80 40 00"


def test_a_doubled_note_is_left_out_with_its_own_note_off() -> None:
    song = song_of(DOUBLED)
    (one,) = found(song, Polyphony(2), "doubled")
    assert "leave out 1 note that another note of the same channel doubles" in (
        one.suggestion.sentence
    )
    before, after = one.suggestion.before, one.suggestion.after
    assert (before.n_cut, after.n_cut, before.peak, after.peak) == (1, 0, 3, 2)
    track = mido.MidiFile(file=_open(written(song, one.change))).tracks[0]
    # The louder one stays, and the second note-off that it was owed.
    assert [(m.type, m.time, m.note, m.velocity) for m in track if not m.is_meta] == [
        ("note_on", 0, 60, 0x50), ("note_on", 0, 64, 0x40), ("note_off", 95, 60, 0),
        ("note_off", 4, 64, 0),
    ]  # fmt: skip


def _open(song: Song) -> io.BytesIO:
    return io.BytesIO(write_song(song))


def test_notes_are_doubled_across_channels_of_one_program_only() -> None:
    song = song_of(
        "0 C1 05 \n 0 C2 05 \n 0 C3 06",
        "1 91 3C 40 \n 1 92 3C 40 \n 1 93 3C 40 \n 1 99 3C 40 \n 2 91 40 40 \n 3 92 40 40",
    )
    voices = voices_of(song)
    assert doubled(voices.play, voices.notes, across=True).tolist() == [1]
    assert doubled(voices.play, voices.notes, across=False).tolist() == []


PEDAL = "0 B0 40 7F \n" + "".join(chord(9 + 700 * k, "3C 40 43", until_ms=90 + 700 * k)
                                  for k in range(4))  # fmt: skip


def test_the_damper_is_lifted_one_tick_before_the_notes_that_find_no_voice() -> None:
    song = song_of(PEDAL, length_ms=3000)
    (one,) = found(song, Polyphony(7), "lifted-pedal")
    assert one.change.added == (
        Added(0, 1408, b"\xb0\x40\x00"), Added(0, 1408, b"\xb0\x40\x7f"),
        Added(0, 2108, b"\xb0\x40\x00"), Added(0, 2108, b"\xb0\x40\x7f"),
    )  # fmt: skip
    after = one.suggestion.after
    assert (one.suggestion.before.n_cut, after.n_cut, after.peak) == (5, 0, 6)


def test_a_damper_that_goes_down_with_the_notes_is_not_lifted_before_them() -> None:
    """It would be put down a tick early instead, and would catch what ends in that tick."""
    song = song_of("0 90 30 40 \n 5 80 30 40 \n 9 B0 40 7F \n" + chord(9, "3C 40", until_ms=20)
                   + "30 90 43 40 \n 40 80 43 40")  # fmt: skip
    (one,) = found(song, Polyphony(2), "lifted-pedal")
    assert [row.tick for row in one.change.added] == [29, 29]
    assert found(song, Polyphony(1), "lifted-pedal")[0].change.added == one.change.added


def test_what_saves_no_note_says_what_it_saves_instead() -> None:
    """On three voices the tail costs one note; without it the time above the limit is shorter."""
    song = song_of(chord(0, "3C 40 43", until_ms=90) + chord(200, "3C 40 43", until_ms=290))
    half, none = found(song, Polyphony(2, choices=Choices(tail_ms=50)), "shorter-tails")
    assert (half.suggestion.before.n_cut, half.suggestion.after.n_cut) == (2, 2)
    assert "as many notes cut, 0.10 s less above the limit" in none.suggestion.sentence or (
        "as many notes cut, 0.10 s less above the limit" in half.suggestion.sentence
    )


def test_a_part_may_play_without_its_pedals() -> None:
    song = song_of(PEDAL, length_ms=3000)
    (one,) = found(song, Polyphony(7), "no-pedal")
    assert (one.suggestion.channel, one.suggestion.n_events) == (1, 1)
    assert (one.suggestion.after.n_cut, one.suggestion.after.peak) == (0, 3)


def test_a_pedal_that_holds_nothing_is_not_spoken_of() -> None:
    song = song_of(chord(0, "3C 40 43", until_ms=90), "0 B5 40 7F")
    assert found(song, Polyphony(2), "no-pedal") == []


def test_chords_are_thinned_from_the_inside_and_only_where_voices_are_short() -> None:
    song = song_of(
        chord(0, "3C 40 43 48", until_ms=90) + chord(100, "3C 40 43 48", until_ms=190),
        chord(100, "30 34", until_ms=190, channel=1),
    )
    (one,) = found(song, Polyphony(5), "thinner")
    assert one.suggestion.sentence.startswith("thin channel 1: leave out 2 notes inside chords")
    left = voices_of(written(song, one.change)).notes.keys
    mine = left.key[left.channel == 0].tolist()
    assert mine == [0x3C, 0x40, 0x43, 0x48, 0x3C, 0x48]


def test_drums_are_not_thinned() -> None:
    song = song_of(chord(0, "24 26 2A 31", until_ms=90, channel=9))
    assert found(song, Polyphony(2), "thinner") == []


def test_shorter_tails_change_the_module_not_the_song() -> None:
    module = Polyphony(3, choices=Choices(tail_ms=200))
    song = song_of(chord(0, "3C 40", until_ms=90) + chord(200, "3E 41", until_ms=290))
    half, none = found(song, module, "shorter-tails")
    assert half.change.is_empty
    assert (half.suggestion.after.n_cut, none.suggestion.after.n_cut) == (0, 0)
    assert "half as long: 1 note fewer cut (1 -> 0)" in half.suggestion.sentence


def test_a_lighter_program_is_named_with_what_it_would_save() -> None:
    module = Polyphony(3, {(0, 0, 4): Cost(2)})
    song = song_of("0 C0 04 \n" + chord(1, "3C 40", until_ms=90))
    (one,) = found(song, module, "lighter-program")
    assert "program byte 4 (bank 0, 0), which takes 2, on channel 1" in one.suggestion.sentence
    assert (one.suggestion.before.peak, one.suggestion.after.peak) == (4, 2)


def test_nothing_is_suggested_where_no_note_is_cut() -> None:
    song = song_of(DOUBLED)
    assert suggest(song, voices_of(song, Polyphony(3))) == []
    assert suggest(song, voices_of(song, Polyphony(0))) == []


def test_what_does_not_help_is_not_suggested() -> None:
    """Four different keys at once on two voices, no pedal, no tails, no inner notes."""
    song = song_of(chord(0, "3C 43", until_ms=90), chord(0, "3D 44", until_ms=90, channel=1))
    assert suggest(song, voices_of(song, Polyphony(2))) == []


def test_an_unknown_suggestion_is_refused() -> None:
    song = song_of(DOUBLED)
    with pytest.raises(NamingError, match="no suggestion 'louder'"):
        suggest(song, voices_of(song), ["louder"])


def test_what_cannot_be_added_is_refused() -> None:
    song = song_of(DOUBLED)
    for row, words in (
        (Added(1, 0, b"\xb0\x40\x00"), "no track 2"), (Added(0, 0, b"\xff\x2f"), "FF 2F is none"),
        (Added(0, -1, b"\xb0\x40\x00"), "tick -1"),
    ):  # fmt: skip
        for work in (changed_tracks, lambda s, c: changed_play(s, voices_of(s).play, c)):
            with pytest.raises(InputError, match=words):
                work(song, Change(added=(row,)))


def test_what_is_added_in_any_order_is_written_in_order_of_time() -> None:
    song = song_of("0 90 3C 40 \n 900 80 3C 40")
    off, on = b"\xb0\x40\x00", b"\xb0\x40\x7f"
    change = Change(added=(Added(0, 700, off), Added(0, 700, on), Added(0, 300, on)))
    again = voices_of(written(song, change)).play
    pedals = again.moments(64)
    rows = zip(again.tick[pedals].tolist(), again.second[pedals].tolist(), strict=True)
    assert list(rows) == [(300, 127), (700, 0), (700, 127)]
    assert same(voices_of(written(song, change)), apply(song, voices_of(song), change))


def test_what_is_added_behind_the_end_moves_the_end() -> None:
    song = song_of("0 90 3C 40", length_ms=50)
    made = written(song, Change(added=(Added(0, 80, b"\x80\x3c\x40"),)))
    assert voices_of(made).notes.ends.ns.tolist() == [80_000_000]
    assert made.n_faults == 0


MODULE = Polyphony(
    28, {(0, 0, p): Cost(2 if p % 4 == 0 else 1, -1) for p in range(128)},
    {(0, 0, 0): Drums(-1, ((42, 44, 46),))}, choices=Choices(tail_ms=120),
)  # fmt: skip
#: Songs of different kinds: pedals never lifted, doubled channels, dense chords.
REAL = ("01-Simutrans-Main-Theme.mid", "10-Easy-driving.mid", "14-Last-journey-of-the-Niagara.mid")


@pytest.mark.parametrize("name", REAL)
def test_copies_of_real_songs_are_measured_as_the_written_songs_are(name: str) -> None:
    midifile.require("simutrans-data")
    data = next(song.data for song in midifile.songs("simutrans-data") if song.name == name)
    song = read_song(data, name)
    voices = voices_of(song, MODULE)
    tried = suggest(song, voices)
    assert tried
    seen = set()
    for one in tried:
        assert one.suggestion.after.n_cut <= one.suggestion.before.n_cut
        if not one.change.is_empty and one.suggestion.name not in seen:  # one of each kind
            seen.add(one.suggestion.name)
            again = voices_of(written(song, one.change), MODULE)
            assert same(again, apply(song, voices, one.change)), one.suggestion.sentence
            assert len(again.cuts.note) == one.suggestion.after.n_cut


def test_a_song_is_mended_step_by_step_and_only_by_what_was_allowed() -> None:
    midifile.require("simutrans-data")
    name = "14-Last-journey-of-the-Niagara.mid"
    song = read_song(next(s.data for s in midifile.songs("simutrans-data") if s.name == name), name)
    voices = voices_of(song, MODULE)
    allowed = {"doubled", "doubled-across", "lifted-pedal"}
    done = mend(song, voices, allowed)
    assert {one.suggestion.name for one in done.steps} <= allowed
    numbers = [one.suggestion.after.n_cut for one in done.steps]
    assert numbers == sorted(numbers, reverse=True)
    again = voices_of(written(song, done.change), MODULE)
    assert same(again, done.voices)
    assert len(again.cuts.note) == numbers[-1] < len(voices.cuts.note) / 2
    assert mend(song, voices, allowed, n_most=0).change.is_empty


def test_every_kind_of_suggestion_is_tried_here() -> None:
    """The table and this file: a new row needs a test of its own."""
    assert list(SUGGESTIONS) == [
        "doubled", "doubled-across", "shorter-tails", "lifted-pedal", "no-pedal",
        "lighter-program", "thinner",
    ]  # fmt: skip


def test_a_song_read_twice_is_told_to_be_the_same() -> None:
    assert same(heard(DOUBLED), heard(DOUBLED))
    assert not same(heard(DOUBLED), heard(DOUBLED.replace("3C 50", "3C 51")))
