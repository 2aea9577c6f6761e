"""Songs made lighter on purpose: mido and a listener written apart say what was changed."""

from __future__ import annotations

import gzip
from collections import Counter

import pytest

from knobwright.core.errors import InputError, NamingError
from knobwright.core.fitting.light_proof import only_mended, only_thinned
from knobwright.core.fitting.lighten import (
    ON_THE_MODULE,
    Against,
    Lightened,
    Lighter,
    lighten,
    outcome,
)
from knobwright.core.fitting.lighter_lines import lighter_lines
from knobwright.core.fitting.mapped_play import mapped_play
from knobwright.core.fitting.mapping import Mapping, ProgramRow
from knobwright.core.fitting.prepare import Order, Prepared, prepare, prepare_lighter
from knobwright.core.fitting.programs import Choice, Names
from knobwright.core.fitting.tolerances import read_tolerances
from knobwright.core.song.read import read_song
from knobwright.core.song.records import Song
from knobwright.core.timing.thinning import Tolerances
from knobwright.core.timing.voices.change import Added, Change
from knobwright.core.timing.voices.front import Voices, measure
from knobwright.core.timing.voices.module import Choices, polyphony
from knobwright.core.timing.voices.play import play_of
from knobwright.core.timing.voices.suggest import SUGGESTIONS
from knobwright.core.timing.wire import Link
from tests.core.fitting.made import Heard, codec_of, general_midi, is_note, larkfield, played
from tests.core.song import made
from tests.oracle import midifile

LINK = Link(gap_ns=20_000_000)
#: Twenty keys, each struck twice at once: 40 voices, and the Larkfield has 28.
STRUCK = "".join(f"00 90 {key:02X} 40 00 90 {key:02X} 30 " for key in range(48, 68))
LET_GO = "".join(f"{60 if key == 48 else 0:02X} 80 {key:02X} 40 00 80 {key:02X} 40 "
                 for key in range(48, 68))  # fmt: skip
DOUBLED = made.song(STRUCK + LET_GO + made.END)
#: Forty volumes, one step each, in time with twenty notes.
RAMP = made.song(
    "".join(
        f"02 B0 07 {value:02X} " + ("00 90 3C 40 02 80 3C 40 " if value % 2 else "")
        for value in range(10, 50)
    )
    + made.END
)
STRINGS = Mapping((ProgramRow(1, None, Choice(16)), ProgramRow(49, None, Choice(9, (1, 0)))))


def against(mapping: Mapping | None = None) -> Against:
    return Against(larkfield(), LINK, mapping or Mapping(), general_midi())


def lighter(data: bytes, asked: Lighter, mapping: Mapping | None = None) -> Prepared:
    order = Order(LINK, mapping=mapping or Mapping())
    return prepare_lighter(read_song(data, "a.mid"), larkfield(), general_midi(), order, asked)


def done_to(prepared: Prepared) -> Lightened:
    assert prepared.lightened is not None
    return prepared.lightened


def music(prepared: Prepared) -> list[tuple[int, int, bytes]]:
    """Return what mido finds behind the set-up bar, at the ticks of the song."""
    shift = prepared.bars[0].n_bars * prepared.bars[0].bar_ticks
    rows = played(prepared.data)
    return [(r.tick - shift, r.track, r.message) for r in rows if r.tick >= shift]


def test_doubled_notes_go_and_every_other_note_stays() -> None:
    done = lighter(DOUBLED, Lighter(("doubled",)))
    mended = done_to(done).mended[0]
    assert (mended.before.n_cut, mended.after.n_cut) == (12, 0)
    assert [step.name for step in mended.steps] == ["doubled"]
    before = Counter((r.tick, r.track, r.message) for r in played(DOUBLED))
    gone = before - Counter(music(done))
    begun = [message for _, _, message in gone.elements() if message[0] == 0x90]
    # The softer one of each pair goes, with one of the two note-offs.
    assert sorted(begun) == [bytes((0x90, key, 0x30)) for key in range(48, 68)]
    assert sum(gone.values()) == 40
    assert not Counter(music(done)) - before
    assert done_to(done).prepared[0].voices.n_cut == 0
    assert done_to(done).words().endswith("as it was mended, not as it came")


def test_nothing_is_changed_where_nobody_asks_or_nothing_helps() -> None:
    order = Order(LINK)
    plain = prepare(read_song(DOUBLED, "a.mid"), larkfield(), general_midi(), order)
    assert lighter(DOUBLED, Lighter()) == plain
    assert plain.lightened is None
    done = lighter(DOUBLED, Lighter(("no-pedal",)))
    assert done.data == plain.data
    assert done_to(done).mended[0].steps == ()
    assert not done_to(done).is_changed
    assert "nothing that was asked for helps" in "\n".join(lighter_lines(done_to(done)))


def test_a_ramp_is_thinned_and_every_note_still_begins_within_a_step() -> None:
    done = lighter(RAMP, Lighter(tolerances=Tolerances()))
    thinned = done_to(done).thinned[0]
    row = thinned.removed[0]
    assert (row.name, row.channel, row.n_values) == ("channel.volume", 1, 40)
    assert row.n_removed == thinned.n_messages > 10
    assert thinned.n_bytes == 3 * thinned.n_messages
    assert volumes_apart(RAMP, done) == 1
    wider = lighter(RAMP, Lighter(tolerances=Tolerances(by_parameter={"channel.volume": 4})))
    assert done_to(wider).thinned[0].n_messages > thinned.n_messages
    assert 1 < volumes_apart(RAMP, wider) <= 4


def volumes_apart(before: bytes, after: Prepared) -> int:
    """Return how far the volume under a note is from what the song says, at most."""
    pairs = zip(states(before), states(after.data), strict=True)
    return max(abs(number(mine[7]) - number(other[7])) for mine, other in pairs)


def states(data: bytes) -> list[dict[object, object]]:
    heard = Heard()
    found = (heard.take(row.message) for row in played(data))
    return [state for state in found if state is not None]


def number(value: object) -> int:
    assert isinstance(value, int)
    return value


def freedoom(name: str) -> bytes:
    midifile.require("freedoom")
    return {row.partition(":")[2]: data for row, data in midifile.songs("freedoom")}[name]


def test_a_real_song_loses_half_its_messages_and_no_note_moves_out_of_tune() -> None:
    data = freedoom("D_E1M2")
    done = lighter(data, Lighter(tolerances=Tolerances()))
    thinned = done_to(done).thinned[0]
    assert thinned.n_messages > 3000
    assert thinned.after.worst_ns < thinned.before.worst_ns
    assert list(notes(data)) == [row for row in music(done) if is_note(row[2])]
    for mine, there in zip(states(data), states(done.data), strict=True):
        for controller in (7, 10, 11):
            if controller in mine:
                assert abs(number(mine[controller]) - number(there[controller])) <= 1
        assert abs(cents(mine) - cents(there)) <= 5


def cents(state: dict[object, object]) -> float:
    """Return the bend that a note begins under (MIDI 1.0, page 18; range: RPN 0)."""
    bend = state.get(0xE00, b"\x00\x40")
    assert isinstance(bend, bytes)
    semitones = number(state.get((100, 0, 0, 6), 2))
    return ((bend[0] | bend[1] << 7) - 8192) * semitones * 100 / 8192


def notes(data: bytes) -> list[tuple[int, int, bytes]]:
    return [(r.tick, r.track, r.message) for r in played(data) if is_note(r.message)]


def test_a_real_song_is_mended_until_no_note_is_cut() -> None:
    data = freedoom("D_E3M1")
    done = lighter(data, Lighter(("doubled", "thinner"), Tolerances()))
    mended = done_to(done).mended[0]
    assert (mended.before.n_cut, mended.after.n_cut) == (103, 0)
    gone = Counter(notes(data)) - Counter(row for row in music(done) if is_note(row[2]))
    assert not Counter(row for row in music(done) if is_note(row[2])) - Counter(notes(data))
    # A note that goes takes its note-off with it.
    assert sum(gone.values()) == sum(step.n_events for step in mended.steps)
    begun = sum(message[0] >> 4 == 9 and message[2] > 0 for _, _, message in gone.elements())
    assert 2 * begun == sum(gone.values())
    assert done_to(done).prepared[0].voices.n_cut == 0
    assert done_to(done).words().endswith("mended and thinned, not as it came")


@pytest.mark.parametrize("name", ["D_E3M1", "D_E3M8", "D_E2M4"])
def test_voices_are_counted_as_the_mapping_makes_the_module_hear_them(name: str) -> None:
    rows = tuple(ProgramRow(n, None, Choice(16 if n % 2 else 9, (n % 2 ^ 1, 0)))
                 for n in range(1, 129))  # fmt: skip
    mapping = Mapping(rows, {57: 49, 52: 49})
    data = freedoom(name)
    prepared = lighter(data, Lighter(("doubled",)), mapping)
    mended, came = done_to(prepared).mended[0], done_to(prepared).prepared[0]
    assert mended.before.n_cut > 103  # two voices a note and three, where one was counted
    assert came.voices.n_cut == mended.after.n_cut
    assert came.voices.peak == mended.after.peak


def test_a_mapped_program_gives_the_song_its_own_bank_back() -> None:
    # Bank 1 and program 49 (mapped to three voices), then program 1, which no row maps: it is that
    # of bank 1 (two voices on the Larkfield).
    data = made.song("00 B0 00 01 00 C0 30 00 90 3C 40 10 80 3C 40 00 C0 00 00 90 3E 40 10 80 3E 40"
                     + made.END)  # fmt: skip
    table = Mapping((ProgramRow(49, None, Choice(9, (1, 0))),))
    play = play_of(read_song(data))
    module = polyphony(larkfield().sheet)
    heard = mapped_play(play, table, general_midi(), Names(larkfield().sheet))
    assert measure(heard, module).notes.sounds.voices.tolist() == [3, 2]
    assert measure(play, module).notes.sounds.voices.tolist() == [1, 2]
    assert mapped_play(play, Mapping(), general_midi(), Names(larkfield().sheet)) is play


def test_only_suggestions_about_the_module_change_nothing_in_a_song() -> None:
    song = read_song(freedoom("D_E3M1"))
    module = polyphony(larkfield().sheet, Choices(tail_ms=800))
    play = mapped_play(play_of(song), STRINGS, general_midi(), Names(larkfield().sheet))
    heavy = {(0, 0, number): cost._replace(voices=2)
             for (_, _, number), cost in module.programs.items()}  # fmt: skip
    voices: Voices = measure(play, module._replace(programs=heavy))
    seen = {
        name: {proposal.change.is_empty for proposal in row.make(voices)}
        for name, row in SUGGESTIONS.items()
    }
    for name, kinds in seen.items():
        assert kinds <= {name in ON_THE_MODULE}, name
    assert {name for name, kinds in seen.items() if kinds} >= ON_THE_MODULE


def test_each_pattern_is_a_song_of_its_own() -> None:
    body = STRUCK + LET_GO + made.END
    volumes = "".join(f"02 B0 07 {value:02X} " for value in range(10, 50)) + made.END
    data = made.song(body, volumes, body, song_format=2)
    done = done_to(lighter(data, Lighter(("doubled",), Tolerances())))
    assert [(row.pattern, row.after.n_cut) for row in done.mended] == [(1, 0), (2, 0), (3, 0)]
    assert [len(row.steps) for row in done.mended] == [1, 0, 1]
    assert [row.n_messages > 0 for row in done.thinned] == [False, True, False]
    assert "mended in pattern 3: notes cut 12 -> 0" in "\n".join(lighter_lines(done))


def test_a_packed_song_is_mended_as_a_plain_one() -> None:
    asked = Lighter(("doubled",), Tolerances())
    assert lighter(gzip.compress(DOUBLED), asked).data == lighter(DOUBLED, asked).data


def test_tracks_that_can_not_be_read_whole_are_left_alone_or_refused() -> None:
    # A data byte above 7F: the reader keeps the event as unreadable.
    broken = made.song("00 B0 07 C0 " + RAMP[22:-4].hex() + made.END)
    thinned = done_to(lighter(broken, Lighter(tolerances=Tolerances()))).thinned[0]
    assert (thinned.n_messages, thinned.untouched) == (0, (1,))
    with pytest.raises(InputError, match=r"can't be mended: track 1 has an event") as caught:
        lighter(made.song("00 B0 07 C0 " + STRUCK + LET_GO + made.END), Lighter(("doubled",)))
    assert "prepare it without --mend" in caught.value.hint


def test_what_can_not_be_mended_is_refused() -> None:
    song = read_song(DOUBLED, "a.mid")
    with pytest.raises(InputError, match="shorter-tails is done on the module"):
        lighten(song, against(), Lighter(("shorter-tails",)))
    with pytest.raises(NamingError, match="nothing called 'louder'"):
        lighten(song, against(), Lighter(("louder",)))
    silent = codec_of('format = 1\n[module]\nname = "Moss"\nmaker_id = "7D"\n')
    with pytest.raises(InputError, match="does not say how many voices"):
        lighten(song, against()._replace(codec=silent), Lighter(("doubled",)))


def test_the_proof_notices_whatever_else_was_changed() -> None:
    song = read_song(made.song("00 FF 01 01 41 00 B0 07 40 00 90 3C 40 10 B0 07 41 00 80 3C 40"
                               + made.END))  # fmt: skip

    def changed(text: str) -> Song:
        return read_song(made.song(text + made.END))

    no_volume = changed("00 FF 01 01 41 00 B0 07 40 00 90 3C 40 10 80 3C 40")
    no_note = changed("00 FF 01 01 41 00 B0 07 40 00 90 3C 40 10 B0 07 41")
    no_text = changed("00 B0 07 40 00 90 3C 40 10 80 3C 40")
    swapped = changed("00 FF 01 01 41 00 90 3C 40 00 B0 07 40 10 80 3C 40")
    assert only_thinned(song, no_volume, 1) == []
    assert only_thinned(song, no_volume, 2) == ["1 messages are gone, and 2 should be"]
    assert only_thinned(song, no_note, 1) == ["80 3C 40 at tick 16 is no value"]
    assert only_thinned(song, no_text, 1) == ["a meta event is different"]
    assert "stands in another order" in only_thinned(song, swapped, 1)[0]
    note_off = Change(frozenset((4,)))
    assert only_mended(song, no_note, note_off) == []
    assert "should stay are missing" in only_mended(song, no_volume, note_off)[0]
    assert only_mended(song, no_volume, Change(frozenset((3,)))) == [
        "B0 07 41 at tick 16 is neither note nor pedal"
    ]
    pedal = Change(added=(Added(0, 16, bytes.fromhex("B0 40 00")),))
    assert "should stay are missing" in only_mended(song, song, pedal)[0]


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("bend=3", Tolerances(bend_cents=3)),
        ("Bend = 3.5 cents", Tolerances(bend_cents=3.5)),
        ("pressure=0", Tolerances(pressure_steps=0)),
        ("controllers=2 steps", Tolerances(steps=2)),
        ("controller 12=4", Tolerances(by_controller={12: 4})),
        ("controller 44=4", Tolerances(by_controller={12: 4})),  # the low half of 12
        ("tone.brightness=2", Tolerances(by_parameter={"tone.brightness": 2})),
        ("Brightness=2", Tolerances(by_parameter={"tone.brightness": 2})),
    ],
)
def test_a_tolerance_is_read_in_its_unit(text: str, wanted: Tolerances) -> None:
    assert read_tolerances([text], larkfield()) == wanted


@pytest.mark.parametrize(
    ("texts", "said"),
    [
        (["bend"], "NAME=VALUE"),
        (["=3"], "NAME=VALUE"),
        (["bend=-1"], "a number, 0 or more"),
        (["bend=nan"], "a number, 0 or more"),
        (["bend=3 ms"], "counted in cents"),
        (["brightness=2 ms"], "it has no unit"),
        (["bend=3", "bend=4"], "second one"),
        (["controller 7=2"], "channel.volume"),
        (["controller 64=2"], "no continuous value"),
        (["controller 900=2"], "no continuous value"),
        (["channel.hold=2"], "no continuous value"),
        (["channel.bend-range=1"], "no continuous value"),
        (["channel.pitch-bend=3"], "in cents"),
        (["louder=3"], "louder"),
    ],
)
def test_a_tolerance_that_would_mean_nothing_is_refused(texts: list[str], said: str) -> None:
    with pytest.raises(InputError, match=said):
        read_tolerances(texts, larkfield())


def test_the_outcome_is_measured_on_the_bytes_that_are_written() -> None:
    done = lighter(RAMP, Lighter(tolerances=Tolerances()))
    assert outcome(done.data, "a.mid", against()) == done_to(done).prepared
    free, longest = 0.0, 0.0
    exclusive_free = 0.0
    for row in played(done.data):
        due, n_bytes = float(row.time_s) * 1000, len(row.message)
        start = max(free, due, exclusive_free if row.message[0] == 0xF0 else 0)
        free = start + 0.32 * n_bytes
        if row.message[0] == 0xF0:
            exclusive_free = free + 20
        longest = max(longest, free - due)
    assert done_to(done).prepared[0].line.worst_ns / 1e6 == pytest.approx(longest, abs=0.001)
