"""Prepared songs, read by mido and heard by a receiver that shares nothing with the program."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from knobwright.adapters.files import standard
from knobwright.core.errors import InputError
from knobwright.core.fitting.mapping import Mapping, ProgramRow
from knobwright.core.fitting.parts import read_parts
from knobwright.core.fitting.prepare import Order, Prepared, prepare
from knobwright.core.fitting.programs import Choice
from knobwright.core.fitting.wanted import check_wanted
from knobwright.core.song.read import read_song
from knobwright.core.song.records import Event
from knobwright.core.song.write import new_song
from knobwright.core.timing.wire import Link
from tests.core.fitting.made import LARKFIELD, Heard, general_midi, is_note, larkfield, played
from tests.core.song import made
from tests.oracle.receiver import Receiver

#: A DIN cable and the rest that the Larkfield sheet asks for.
LINK = Link(gap_ns=20_000_000)
TEMPO = "FF 51 03 07 A1 20"
GM_ON = "F0 05 7E 7F 09 01 F7"


def hexed(text: str) -> bytes:
    return bytes.fromhex(text)


def prepared(data: bytes, **order: object) -> Prepared:
    given_order = {"link": LINK, **order}
    return prepare(read_song(data), larkfield(), general_midi(), Order(**given_order))  # type: ignore[arg-type]


def set_up_of(done: Prepared) -> list[bytes]:
    """Return the messages of the bar as mido finds them in the file."""
    bars = done.bars[0]
    end = bars.n_bars * bars.bar_ticks
    return [row.message for row in played(done.data) if row.tick < end]


def receiver() -> Receiver:
    shelf = {name: standard.text(name) for name in standard.names()}
    return Receiver(LARKFIELD.read_text(encoding="utf-8"), shelf)


def heard_by_module(done: Prepared) -> Receiver:
    module = receiver()
    for message in set_up_of(done):
        module.receive(message)
    return module


PLAIN = made.song(
    f"00 FF 03 04 54 65 73 74 00 FF 58 04 04 02 18 08 00 {TEMPO} 00 FF 2F 00",
    "00 C0 05 00 B0 07 50 00 B0 0A 20 00 90 3C 40 60 80 3C 40 00 FF 2F 00",
    "00 B1 65 00 00 B1 64 00 00 B1 06 0C 00 C1 02 30 91 40 50 60 81 40 00 00 FF 2F 00",
)


def test_every_note_comes_a_bar_later_and_is_otherwise_the_same() -> None:
    before, done = played(PLAIN), prepared(PLAIN)
    after = played(done.data)
    bars = done.bars[0]
    shift, later = bars.n_bars * bars.bar_ticks, Fraction(bars.n_bars * 2)  # 4/4 at 120: 2 s
    assert (bars.n_bars, bars.bar_ticks) == (1, 4 * 96)
    wanted = [r._replace(tick=r.tick + shift, time_s=r.time_s + later) for r in before]
    assert [r for r in after if is_note(r.message)] == [r for r in wanted if is_note(r.message)]
    assert [r.message for r in after if r.tick >= shift] == [
        r.message for r in before if is_note(r.message)
    ]


def test_the_module_hears_reset_programs_and_start_values_in_the_bar() -> None:
    done = prepared(PLAIN)
    messages = set_up_of(done)
    assert messages[0] == hexed("F0 7E 7F 09 01 F7")
    module = heard_by_module(done)
    assert module.programs[1] == (6, (0, 0))  # C0 05 is the printed program 6
    assert module.programs[2] == (3, (0, 0))
    assert module.value("channel.volume", 1) == 0x50
    assert module.value("channel.pan", 1) == 0x20
    assert module.value("channel.bend-range", 2) == 12
    # What neither song nor user says is the sheet's default, and only where a part plays.
    assert module.value("channel.volume", 2) == 100
    assert module.value("channel.hall-send", 1) == 40
    assert module.value("channel.bend-range", 1) == 2
    assert module.value("channel.volume", 3) is None


def test_the_users_values_win_over_what_the_song_sets_first() -> None:
    text = """
format = 1
[module]
hall.kind = "plate"
"hall.time" = "1.8s"
[part.1]
program = "Warm pad"
channel.volume = 90
tone.brightness = "+12"
[part.2]
program = { number = 16, bank = [1, 0] }
[keys.36]
drum.level = 110
"""
    wanted = check_wanted(text, larkfield()).require()
    done = prepared(PLAIN, wanted=wanted)
    module = heard_by_module(done)
    assert module.programs[1] == (20, (0, 0))
    assert module.programs[2] == (16, (1, 0))
    assert module.value("channel.volume", 1) == 90
    assert module.value("tone.brightness", 1) == 76
    assert module.value("hall.kind") == 2
    # exp((v - 40) * 0.025) is 1.8 s at v = 63.5; 64 (1.822 s) and 63 (1.777 s): the nearer one
    assert module.value("hall.time") == 64
    assert module.value("drum.level", key_number=36) == 110
    assert done.bars[0].n_replaced == 3  # two programs and a volume
    assert not [r for r in played(done.data) if r.message[:2] == hexed("B0 07")][1:]


def departures(done: Prepared) -> list[tuple[Fraction, Fraction, bytes]]:
    """Return due time, start on a DIN cable with rests (both in s) and message of the whole song.

    Stepped through message by message: 320 us a byte (MIDI 1.0, page 1), 100 ms behind General MIDI
    On, 20 ms between exclusive messages (the sheet).
    """
    free = rested = Fraction(0)
    out = []
    for row in played(done.data):
        start = max(row.time_s, free, rested if row.message[0] == 0xF0 else Fraction(0))
        out.append((row.time_s, start, row.message))
        free = start + len(row.message) * Fraction(320, 1_000_000)
        if row.message == hexed("F0 7E 7F 09 01 F7"):
            free += Fraction(100, 1000)
        if row.message[0] == 0xF0:
            rested = free + Fraction(20, 1000)
    return out


@pytest.mark.parametrize("division", [24, 96, 480, 960, 0xE728])
def test_nothing_of_the_set_up_is_late_on_the_cable(division: int) -> None:
    text = "format = 1\n[module]\nhall.kind = 2\nhall.level = 3\necho.kind = 2\necho.time = 500\n"
    wanted = check_wanted(text, larkfield()).require()
    data = PLAIN[:12] + division.to_bytes(2, "big") + PLAIN[14:]
    done = prepared(data, wanted=wanted)
    if division >= 0x8000:  # 25 frames of 40 ticks: a tick is a millisecond (RP-001)
        assert (done.bars[0].bar_ticks, done.bars[0].n_bars) == (2000, 1)
        for row in done.bars[0].placed:
            assert row.at_ns == row.tick * 1_000_000
        return
    rows = departures(done)
    n_set_up = len(done.bars[0].placed)
    for due, start, message in rows[: n_set_up + 1]:
        assert start == due, message.hex(" ")


def test_a_long_set_up_takes_several_whole_bars() -> None:
    lines = "".join(f"[keys.{key}]\ndrum.level = 3\ndrum.pan = 9\n" for key in range(128))
    wanted = check_wanted(f"format = 1\n{lines}", larkfield()).require()
    done = prepared(PLAIN, wanted=wanted)
    bars = done.bars[0]
    # 768 messages of 0.96 ms, each at a tick of its own (500 ms / 96): 4 s, and some 20 others.
    assert bars.n_bars == 3
    assert max(row.end_ns for row in bars.placed) <= bars.length_ns == 6_000_000_000
    assert heard_by_module(done).value("drum.pan", key_number=127) == 9


def test_untrusted_exclusive_is_left_out_and_listed_unless_it_is_kept() -> None:
    data = made.song(
        "00 90 3C 40 10 F0 07 41 10 42 12 00 00 F7 10 F0 07 41 10 42 12 00 00 F7"
        "10 F0 08 7F 7F 04 01 00 50 F7 00 80 3C 40 00 FF 2F 00".replace("F0 08", "F0 07")
    )
    done = prepared(data)
    (row,) = done.left_out
    assert (row.first, row.n_bytes, row.n, row.first_tick) == ("F0 41 10 42 12 00 00 F7", 8, 2, 16)
    exclusive = [r.message for r in played(done.data) if r.message[0] == 0xF0]
    assert exclusive == [hexed("F0 7E 7F 09 01 F7"), hexed("F0 7F 7F 04 01 00 50 F7")]
    kept = prepared(data, keep=(row.keep,))
    assert not kept.left_out
    assert [r.message for r in played(kept.data)].count(hexed("F0 41 10 42 12 00 00 F7")) == 2


def test_a_reset_of_the_song_does_not_undo_the_bar() -> None:
    data = made.song(f"00 {GM_ON} 60 C0 04 60 90 3C 40 60 80 3C 00 00 FF 2F 00")
    for moves in (True, False):
        done = prepared(data, moves_start=moves)
        messages = [row.message for row in played(done.data)]
        assert messages.count(hexed("F0 7E 7F 09 01 F7")) == 1
        assert messages[0] == hexed("F0 7E 7F 09 01 F7")


def test_the_start_can_be_left_where_it_is() -> None:
    done = prepared(PLAIN, moves_start=False)
    shift = done.bars[0].n_bars * done.bars[0].bar_ticks
    after = [(r.tick - shift, r.message) for r in played(done.data) if r.tick >= shift]
    assert after == [(r.tick, r.message) for r in played(PLAIN)]
    module = heard_by_module(done)
    assert module.value("channel.volume", 1) == 100  # the default: the song's own comes later
    assert module.programs == {}


def test_format_0_has_the_bar_in_its_track() -> None:
    done = prepared(made.EXAMPLE_0)
    song = read_song(done.data)
    assert (song.format, song.n_tracks, song.faults) == (0, 1, ())
    notes = [(r.tick - 384, r.message) for r in played(done.data) if is_note(r.message)]
    assert notes == [(r.tick, r.message) for r in played(made.EXAMPLE_0) if is_note(r.message)]


def test_the_patterns_of_format_2_each_get_a_bar_of_their_own_tempo() -> None:
    data = made.song(
        "00 FF 51 03 0F 42 40 00 C0 01 00 90 3C 40 60 80 3C 40 00 FF 2F 00",
        "00 C3 02 00 93 3C 40 60 83 3C 40 00 FF 2F 00",
        song_format=2,
    )
    done = prepared(data)
    assert [(b.pattern, b.n_bars, b.length_ns) for b in done.bars] == [
        (1, 1, 4_000_000_000),
        (2, 1, 2_000_000_000),
    ]
    assert {m[0] & 15 for b in done.bars for _, m, *_ in b.placed if m[0] < 0xF0} == {0, 3}
    song = read_song(done.data)
    assert (song.format, song.n_tracks, song.faults) == (2, 2, ())


def test_a_bar_has_the_songs_signature_and_tempo() -> None:
    data = made.song(
        "00 FF 58 04 06 03 18 08 00 FF 51 03 06 1A 80 00 90 3C 40 60 80 3C 40 00 FF 2F 00"
    )
    done = prepared(data)
    assert done.bars[0].bar_ticks == 96 * 3  # 6/8 is three quarters
    # A quarter note of 400 000 us: 1.2 s a bar
    assert done.bars[0].length_ns == done.bars[0].n_bars * 1_200_000_000


@pytest.mark.parametrize("tempo", ["00 00 01", "FF FF FF"])
def test_a_bar_does_not_take_over_an_absurd_tempo(tempo: str) -> None:
    data = made.song(f"00 FF 51 03 {tempo} 00 90 3C 40 60 80 3C 40 00 FF 2F 00")
    done = prepared(data)
    before = [r for r in played(data) if is_note(r.message)]
    after = [r for r in played(done.data) if is_note(r.message)]
    assert done.bars[0].length_ns == 2_000_000_000
    assert [r.time_s - 2 for r in after] == [r.time_s for r in before]


def test_a_cut_song_begins_with_what_is_in_force_there() -> None:
    data = made.song(
        "00 FF 03 01 41 00 FF 51 03 07 A1 20 83 00 FF 51 03 0F 42 40 00 FF 2F 00",
        "00 C0 03 00 B0 07 50 60 90 3C 40 60 B0 07 60 00 E0 00 50 60 80 3C 00"
        "60 90 40 40 60 90 40 00 00 FF 2F 00",
    )
    done = prepared(data, from_ns=1_600_000_000)
    module = heard_by_module(done)
    assert module.programs[1] == (4, (0, 0))
    assert module.value("channel.volume", 1) == 0x60
    assert module.value("channel.pitch-bend", 1) == 0x50 << 7
    after = [r for r in played(done.data) if is_note(r.message)]
    # Tempo is a quarter note of 1 s from tick 384 on; the note at 384 begins with the music.
    start = Fraction(done.bars[0].length_ns, 1_000_000_000)
    assert [(r.time_s - start, r.message) for r in after] == [
        (Fraction(0), hexed("90 40 40")),
        (Fraction(1), hexed("90 40 00")),
    ]
    with pytest.raises(InputError, match="last message"):
        prepared(data, from_ns=100_000_000_000)


def test_notes_that_began_before_the_cut_are_neither_begun_nor_ended() -> None:
    data = made.song(
        "00 90 3C 40 60 90 43 40 60 80 3C 40 00 80 43 40 60 90 3C 40 60 80 3C 40 00 FF 2F 00"
    )
    done = prepared(data, from_ns=600_000_000)
    notes = [r.message for r in played(done.data) if is_note(r.message)]
    assert notes == [hexed("90 3C 40"), hexed("80 3C 40")]
    assert done.bars[0].n_not_begun == 2


def test_programs_and_drum_keys_change_by_the_table_only() -> None:
    data = made.song(
        "00 C0 05 00 C9 00 00 90 3C 40 00 99 35 40 30 C0 06 00 90 40 40 00 89 35 40 00 FF 2F 00"
    )
    plain = prepared(data)
    assert {row.message for row in played(data) if is_note(row.message)} == {
        row.message for row in played(plain.data) if is_note(row.message)
    }
    rows = (ProgramRow(6, None, Choice(16, (1, 0))), ProgramRow(7, (0, 0), Choice(3)))
    done = prepared(data, mapping=Mapping(rows, {0x35: 51}))
    module = heard_by_module(done)
    assert module.programs[1] == (16, (1, 0))
    module = receiver()
    for row in played(done.data):
        module.receive(row.message)
    assert module.programs[1] == (3, (0, 0))
    drums = [r.message for r in played(done.data) if r.message[0] & 15 == 9 and is_note(r.message)]
    assert drums == [hexed("99 33 40"), hexed("89 33 40")]
    assert [(p.channel, p.source, p.to) for p in done.bars[0].programs] == [
        (1, "program 6 Electric Piano 2", "program 16 of bank 1, 0, Strings, slow"),
        (1, "program 7 Harpsichord", "program 3, Tine piano"),
    ]


def test_only_a_mapped_song_counts_by_the_modules_own_numbers() -> None:
    """Program 6 is a music box there and a piano in General MIDI: a mapped song means the box."""
    data = made.song("00 C0 05 00 90 3C 40 30 80 3C 40 00 FF 2F 00")
    rows = (ProgramRow(99, None, Choice(1)),)
    for mapping, is_other in ((Mapping(), True), (Mapping(rows), False)):
        song = read_song(prepared(data, mapping=mapping).data)
        (part,) = read_parts(song, larkfield(), standard=general_midi()).playing
        assert part.programs[0].is_other_kind is is_other


def test_a_song_that_was_mapped_is_not_mapped_again() -> None:
    rows = Mapping((ProgramRow(6, None, Choice(1)),))
    once = prepared(PLAIN, mapping=rows)
    with pytest.raises(InputError, match="mapped to those of Larkfield T4 before"):
        prepared(once.data, mapping=rows)
    twice = prepared(once.data)
    assert any("prepared before" in note for note in twice.notes)
    notes = [(r.track, r.message) for r in played(twice.data) if is_note(r.message)]
    assert notes == [(r.track, r.message) for r in played(PLAIN) if is_note(r.message)]
    assert heard_by_module(twice).programs[1] == (1, (0, 0))


def test_a_program_behind_a_mapped_one_gets_the_songs_bank_again() -> None:
    """The song never selects a bank; the table's row does, and the next program must not get it."""
    data = made.song("00 C0 05 00 90 3C 40 30 C0 03 00 90 40 40 00 FF 2F 00")
    done = prepared(data, mapping=Mapping((ProgramRow(6, None, Choice(16, (1, 0))),)))
    module = receiver()
    for row in played(done.data):
        module.receive(row.message)
    assert module.programs[1] == (4, (0, 0))


def test_a_bank_that_the_sheets_line_can_not_say_is_sent_as_the_song_has_it() -> None:
    """The Larkfield's line has 20 00: a song with another low part keeps its own bytes."""
    data = made.song("00 B0 20 01 00 C0 00 00 90 3C 40 00 FF 2F 00")
    done = prepared(data)
    messages = set_up_of(done)
    at = messages.index(hexed("C0 00"))
    assert messages[at - 1] == hexed("B0 20 01")
    assert any("can't choose program 1 of bank 0, 1" in note for note in done.notes)


def test_packets_escapes_and_loose_bytes() -> None:
    data = made.song(
        "00 90 3C 40"
        "10 F0 03 7E 7F 09 10 F7 02 01 F7"  # a reset in the middle, in two packets
        "10 F7 03 B0 07 30"  # a controller in an escape
        "10 F7 01 F6"  # tune request
        "10 F7 02 55 66"  # bytes that are nothing
        "10 80 3C 40 00 FF 2F 00"
    )
    done = prepared(data)
    assert [(r.first, r.why) for r in done.left_out] == [
        ("55 66", "its bytes are no whole message")
    ]
    assert any("resets the module" in note for note in done.notes)
    song = read_song(done.data)
    assert song.faults == ()
    raw = done.data[-60:].hex(" ").upper()
    assert "F0 03 7E 7F 09 10 F7 02 01 F7" in raw  # packets stay packets
    assert "F7 01 F6" in raw


def test_a_song_without_tracks_or_time_is_refused() -> None:
    with pytest.raises(InputError, match="no tracks"):
        prepared(made.head(0, song_format=1))
    with pytest.raises(InputError, match="time base"):
        prepared(made.head(1, division=0) + made.track("00 90 3C 40 00 FF 2F 00"))


# -- property: every note begins under the same settings ------------------------------------------

_CONTROLS = (0, 32, 1, 7, 10, 38, 39, 64, 6, 98, 99, 100, 101, 121, 74)


@st.composite
def messages(draw: st.DrawFn) -> bytes:
    channel = draw(st.integers(0, 1))
    kind = draw(st.sampled_from("nncccpbr"))
    if kind == "n":
        return bytes((0x90 | channel, draw(st.integers(60, 61)), draw(st.integers(0, 1)) * 64))
    if kind == "c":
        number = draw(st.sampled_from(_CONTROLS))
        value = 0 if number == 121 else draw(st.sampled_from((0, 1, 5, 127)))
        return bytes((0xB0 | channel, number, value))
    if kind == "p":
        return bytes((0xC0 | channel, draw(st.integers(0, 3))))
    if kind == "b":
        return bytes((0xE0 | channel, 0, draw(st.integers(62, 66))))
    if draw(st.integers(0, 9)):
        return bytes((0xB0 | channel, 7, 9))
    return hexed("F0 7E 7F 09 01 F7")


@st.composite
def random_songs(draw: st.DrawFn) -> bytes:
    n_tracks = draw(st.integers(1, 2))
    tracks = []
    for _ in range(n_tracks):
        tick, events = 0, []
        for message in draw(st.lists(messages(), max_size=25)):
            tick += draw(st.sampled_from((0, 0, 0, 24)))
            events.append(Event(tick, message))
        tracks.append(events)
    return new_song(tracks, song_format=int(n_tracks > 1), division=96)


def states(data: bytes) -> list[tuple[bytes, dict[object, object]]]:
    """Return each note with what its channel was set to: see ``made.Heard``."""
    heard = Heard()
    out = []
    for row in played(data):
        state = heard.take(row.message)
        if state is not None:
            out.append((row.message, state))
    return out


@settings(max_examples=150, deadline=None)
@given(
    random_songs(), st.booleans(), st.booleans(),
    st.sampled_from((Mapping(), Mapping((ProgramRow(2, None, Choice(16, (1, 0))),)))),
)  # fmt: skip
def test_every_note_begins_under_what_the_song_set(
    data: bytes, moves: bool, drops: bool, mapping: Mapping
) -> None:
    done = prepared(data, moves_start=moves, drops_repeats=drops, mapping=mapping)
    before, after = states(data), states(done.data)
    assert [message for message, _ in before] == [message for message, _ in after]
    for (_, wanted), (message, there) in zip(before, after, strict=True):
        program = wanted.pop("program", None)
        for bank in (0, 32):
            wanted.pop(bank, None)  # the program has it
        if mapping.programs and program and program[2] == 1:  # type: ignore[index]
            program = (1, 0, 15)
        if program is not None:
            assert there["program"] == program
        for name, value in wanted.items():
            assert there.get(name) == value, (message.hex(" "), name)


@settings(max_examples=80, deadline=None)
@given(random_songs(), st.booleans(), st.sampled_from((1, 200_000_000, 400_000_000)))
def test_behind_a_cut_every_note_begins_under_what_was_set_before_it(
    data: bytes, drops: bool, from_ns: int
) -> None:
    rows = played(data)
    behind = [row for row in rows if row.time_s >= Fraction(from_ns, 1_000_000_000)]
    if not behind:
        with pytest.raises(InputError, match="last message"):
            prepared(data, from_ns=from_ns)
        return
    done = prepared(data, from_ns=from_ns, drops_repeats=drops)
    first = len([row for row in rows if row.tick < behind[0].tick])
    n_before = sum(r.message[0] >> 4 == 9 and r.message[2] > 0 for r in rows[:first])
    before, after = states(data)[n_before:], states(done.data)
    assert [message for message, _ in before] == [message for message, _ in after]
    for (_, wanted), (message, there) in zip(before, after, strict=True):
        for name, value in wanted.items():
            if name not in (0, 32):
                assert there.get(name) == value, (message.hex(" "), name)
