"""The arrays against the slow receiver, on random songs with pedals, programs, modes and drums."""

from __future__ import annotations

from hypothesis import example, given, settings
from hypothesis import strategies as st

from knobwright.core.song.read import read_song
from knobwright.core.song.records import META, Event
from knobwright.core.song.write import new_song, rewrite
from knobwright.core.timing.voices.change import Added, Change, changed_play, changed_tracks
from knobwright.core.timing.voices.cuts import RULES
from knobwright.core.timing.voices.front import Voices, voices_of
from knobwright.core.timing.voices.module import Choices, Cost, Drums, Polyphony
from knobwright.core.timing.voices.play import play_of
from tests.core.timing.voices.model import Receiver

MS = 1_000_000
#: At 500 ticks a quarter note and the default tempo, a tick is a millisecond.
DIVISION = 500
#: Two melodic channels and the drum channel.
CHANNELS = (0, 1, 9)

_channel = st.sampled_from(CHANNELS)
_key = st.sampled_from([40, 41, 42, 43])
_notes = st.one_of(
    st.builds(lambda c, k, v: bytes((0x90 | c, k, v)), _channel, _key, st.sampled_from([0, 9, 99])),
    st.builds(lambda c, k: bytes((0x80 | c, k, 64)), _channel, _key),
)
_pedals = st.builds(
    lambda c, n, v: bytes((0xB0 | c, n, v)), _channel, st.sampled_from([64, 66]),
    st.sampled_from([0, 63, 64, 127]),
)  # fmt: skip
_modes = st.builds(
    lambda c, n: bytes((0xB0 | c, n, 0)), _channel,
    st.sampled_from([120, 121, 123, 123, 124, 125, 126, 127]),
)  # fmt: skip
_programs = st.one_of(
    st.builds(lambda c, p: bytes((0xC0 | c, p)), _channel, st.integers(0, 2)),
    st.builds(
        lambda c, n, v: bytes((0xB0 | c, n, v)), _channel, st.sampled_from([0, 32]),
        st.integers(0, 1),
    ),
)  # fmt: skip
_resets = st.just(bytes.fromhex("F0 7E 7F 09 01 F7"))
#: Notes come most often, resets least.
_message = st.one_of(_notes, _notes, _notes, _pedals, _pedals, _modes, _programs, _resets)
_events = st.lists(st.tuples(st.integers(0, 4), _message), max_size=90)

_modules = st.builds(
    Polyphony,
    voices=st.integers(1, 6),
    programs=st.just(
        {(0, 0, 0): Cost(1, -1), (0, 0, 1): Cost(2, 3 * MS), (1, 0, 1): Cost(3, 7 * MS),
         (0, 1, 2): Cost(0, 2 * MS), (1, 1, 2): Cost(1, 0)}
    ),
    kits=st.sampled_from([
        {},
        {(0, 0, 0): Drums(-1, ((40, 41, 43),)), (0, 0, 1): Drums(4 * MS, ((40, 41), (41, 42)))},
    ]),
    drum_channels=st.sampled_from([(10,), ()]),
    hears_bank=st.tuples(st.booleans(), st.booleans()),
    reserve=st.sampled_from([{}, {}, {1: 2}, {2: 1, 10: 2}]),
    choices=st.builds(
        Choices,
        tail_ms=st.integers(0, 6),
        drum_ms=st.integers(1, 8),
        one_shot=st.booleans(),
        repeats=st.sampled_from(["another", "same"]),
        tail_percent=st.sampled_from([100, 50, 0]),
    ),
)  # fmt: skip


def song_of(events: list[tuple[int, bytes]]) -> tuple[bytes, list[tuple[int, bytes]]]:
    """Return a song of one track and its (ns, message)."""
    tick, track, line = 0, [], []
    for step, message in events:
        tick += step
        track.append(Event(tick, message))
        line.append((tick * MS, message))
    return new_song([track], song_format=0, division=DIVISION), line


def slow(line: list[tuple[int, bytes]], module: Polyphony, n_voices: int, rule: str) -> Receiver:
    """Return the receiver after it has played everything."""
    receiver = Receiver(module)
    receiver.n_voices, receiver.rule = n_voices, rule
    for number, (ns, message) in enumerate(line):
        receiver.play(number, ns, message)
    receiver.end(len(line), line[-1][0] if line else 0)
    return receiver


def fast(data: bytes, module: Polyphony, rule: str) -> Voices:
    """Return what the program finds."""
    return voices_of(read_song(data), module, rule=rule)


@settings(max_examples=300, deadline=None)
@given(_events, _modules)
@example([(0, b"\xb0\x42\x7f"), (0, b"\x90\x28\x09"), (1, b"\x80\x28\x40")], Polyphony())
def test_every_note_ends_when_the_slow_receiver_ends_it(
    events: list[tuple[int, bytes]], module: Polyphony
) -> None:
    data, line = song_of(events)
    expected = slow(line, module, 0, "")
    found = fast(data, module, "oldest")
    ends = found.notes.ends
    assert found.n_notes == expected.n_notes
    assert list(zip(ends.moment.tolist(), ends.ns.tolist(), strict=True)) == [
        expected.done[number] for number in range(expected.n_notes)
    ]
    assert found.level.tolist() == expected.levels
    assert len(found.notes.keys.stray) == expected.n_stray
    assert found.peak == max(expected.levels, default=0)


@settings(max_examples=300, deadline=None)
@given(_events, _modules, st.sampled_from(sorted(RULES)))
def test_the_same_notes_are_cut_as_by_the_slow_receiver(
    events: list[tuple[int, bytes]], module: Polyphony, rule: str
) -> None:
    data, line = song_of(events)
    expected = slow(line, module, module.voices, rule)
    found = fast(data, module, rule).cuts
    assert list(zip(found.note.tolist(), found.by.tolist(), strict=True)) == expected.cut


@settings(max_examples=100, deadline=None)
@given(
    st.lists(_events, min_size=1, max_size=3),
    st.sets(st.integers(0, 80)),
    st.lists(st.tuples(st.integers(0, 2), st.integers(0, 120), _pedals), max_size=6),
)
def test_a_changed_copy_is_what_the_written_song_is_when_it_is_read(
    tracks: list[list[tuple[int, bytes]]],
    removed: set[int],
    added: list[tuple[int, int, bytes]],
) -> None:
    made = [[Event(ns // MS, message) for ns, message in song_of(events)[1]] for events in tracks]
    song = read_song(new_song(made, song_format=int(len(made) > 1), division=DIVISION))
    change = Change(
        frozenset(n for n in removed if n < song.n_events and song.events.status[n] != META),
        tuple(Added(track, tick, data) for track, tick, data in added if track < len(made)),
    )
    copy = changed_play(song, play_of(song), change)
    again = play_of(read_song(rewrite(song, changed_tracks(song, change))))
    for column in ("ns", "tick", "status", "first", "second", "track"):
        assert getattr(copy, column).tolist() == getattr(again, column).tolist(), column


@settings(max_examples=100, deadline=None)
@given(_events, _modules)
def test_the_curve_never_shows_more_than_the_peak_and_ends_in_silence(
    events: list[tuple[int, bytes]], module: Polyphony
) -> None:
    found = fast(song_of(events)[0], module, "oldest")
    steps = found.curve()
    assert max(steps.voices.tolist(), default=0) == found.peak
    assert steps.ns.tolist() == sorted(steps.ns.tolist())
    assert steps.voices.tolist()[-1:] in ([], [0])
