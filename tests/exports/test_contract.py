"""What every form of EXPORTS keeps to: read back it gives the same messages, or it is refused."""

from __future__ import annotations

import io
import json
from pathlib import Path

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import DecodeError, EncodeError
from knobwright.exports.json_messages import write_json
from knobwright.exports.smf import MAX_QUANTITY, quantity, read_quantity, read_smf, write_smf
from knobwright.exports.syx import write_syx
from knobwright.exports.table import EXPORTS, Export
from knobwright.exports.timed import Timed

GOLDEN = Path(__file__).parents[1] / "golden" / "exports"
SUFFIXES = {"hex": "hex.txt", "decimal": "decimal.txt", "json": "json", "syx": "syx", "smf": "mid"}

# What the golden files hold, worked out by hand from MIDI 1.0, RP-001 and JSON: the exclusive
# messages, and those that no .syx file may hold. In the song, 9 bytes take 2.88 ms and 20 ms of
# rest: 23 ticks (17h) rounded up; 3 or 2 bytes take one.
EXCLUSIVE = (
    Timed(bytes.fromhex("F07D1042300528 23F7"), 20, "hall.time = 1 s"),
    Timed(bytes.fromhex("F07D1042300602 48F7"), 20, "hall.kind = plate “small” \x9b"),
)
OTHERS = (
    Timed(bytes.fromhex("B00764"), 0, "volume = 100"),
    Timed(bytes.fromhex("C906"), 0, "program = Harpsichord"),
    Timed(bytes.fromhex("E0004E"), 0, "bend = 9984"),
)
FIXED = {row: EXCLUSIVE if row == "syx" else EXCLUSIVE + OTHERS for row in EXPORTS}

data_bytes = st.integers(0, 0x7F)
channel = st.one_of(
    st.tuples(st.integers(0x80, 0xBF), data_bytes, data_bytes),
    st.tuples(st.integers(0xC0, 0xDF), data_bytes),
    st.tuples(st.integers(0xE0, 0xEF), data_bytes, data_bytes),
).map(bytes)
exclusive = st.lists(data_bytes, max_size=300).map(lambda d: bytes((0xF0, *d, 0xF7)))
# MIDI 1.0 Detailed Specification 4.2.1, tables 5 and 6: what else a line of a sheet may spell.
system = st.one_of(
    st.tuples(st.just(0xF2), data_bytes, data_bytes).map(bytes),
    st.tuples(st.sampled_from((0xF1, 0xF3)), data_bytes).map(bytes),
    st.sampled_from((0xF6, 0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xFF)).map(lambda b: bytes((b,))),
)


def timed(messages: st.SearchStrategy[bytes]) -> st.SearchStrategy[list[Timed]]:
    """Return lists of messages with rests up to a minute and any words."""
    row = st.builds(Timed, messages, st.integers(0, 60_000), st.text(max_size=20))
    return st.lists(row, max_size=8)


every_form = pytest.mark.parametrize("form", EXPORTS.values(), ids=EXPORTS.keys())


@every_form
class TestEveryForm:
    """The suite that each row passes."""

    @given(messages=timed(exclusive))
    def test_exclusive_messages_come_back(self, form: Export, messages: list[Timed]) -> None:
        assert form.read(form.write(messages)) == tuple(m.data for m in messages)

    @given(messages=timed(st.one_of(channel, exclusive, system)))
    def test_any_message_comes_back_or_is_refused(
        self, form: Export, messages: list[Timed]
    ) -> None:
        if form.name == "syx" and any(m.data[0] != 0xF0 for m in messages):
            with pytest.raises(EncodeError) as caught:
                form.write(messages)
            assert caught.value.hint
        else:
            assert form.read(form.write(messages)) == tuple(m.data for m in messages)

    @given(messages=timed(exclusive))
    def test_text_is_printable_and_ends_with_a_line(
        self, form: Export, messages: list[Timed]
    ) -> None:
        written = form.write(messages)
        if form.is_text and written:
            text = written.decode("utf-8")
            assert text.endswith("\n")
            assert all(line.isprintable() for line in text.split("\n"))

    def test_nothing_to_write_is_read_as_nothing(self, form: Export) -> None:
        assert form.read(form.write([])) == ()

    def test_the_golden_file_is_written_and_read(self, form: Export) -> None:
        golden = (GOLDEN / f"messages.{SUFFIXES[form.name]}").read_bytes()
        messages = FIXED[form.name]
        assert form.write(messages) == golden
        assert form.read(golden) == tuple(m.data for m in messages)


class TestJson:
    @given(messages=timed(st.one_of(channel, exclusive)))
    def test_rests_and_words_are_kept(self, messages: list[Timed]) -> None:
        rows = json.loads(write_json(messages))
        assert [(r["rest_ms"], r["sets"]) for r in rows] == [(m.rest_ms, m.words) for m in messages]
        assert [bytes.fromhex(r["hex"]) for r in rows] == [m.data for m in messages]


class TestSyx:
    @given(messages=timed(exclusive))
    def test_mido_reads_the_same(self, messages: list[Timed]) -> None:
        parser = mido.Parser()
        parser.feed(write_syx(messages))
        assert [bytes(m.bytes()) for m in parser] == [m.data for m in messages]

    @pytest.mark.parametrize("message", OTHERS, ids=lambda m: m.words)
    def test_what_is_not_exclusive_is_refused(self, message: Timed) -> None:
        with pytest.raises(EncodeError, match="no exclusive message"):
            write_syx([EXCLUSIVE[0], message])


class TestSmf:
    @given(messages=timed(st.one_of(channel, exclusive)))
    def test_mido_reads_the_same_messages_and_rests(self, messages: list[Timed]) -> None:
        song = mido.MidiFile(file=io.BytesIO(write_smf(messages)))
        assert (song.type, song.ticks_per_beat, len(song.tracks)) == (0, 500, 1)
        tempo, *events, end = song.tracks[0]
        # 500 ticks a quarter of half a second: a tick is a millisecond.
        assert (tempo.type, tempo.tempo, end.type) == ("set_tempo", 500_000, "end_of_track")
        assert [bytes(m.bytes()) for m in events] == [m.data for m in messages]
        # MIDI 1.0 Detailed Specification 4.2.1 p.1: 31 250 baud, 10 bits a byte: 0.32 ms a byte.
        waits = [m.time for m in (*events, end)]
        for message, wait in zip(messages, waits[1:], strict=True):
            exact_ms = message.rest_ms + 0.32 * len(message.data)
            assert exact_ms <= wait + 1e-9
            assert wait < exact_ms + 1
        assert waits[0] == 0

    def test_system_messages_stand_in_an_escape(self) -> None:
        # RP-001, "F7 <length> <all bytes to be transmitted>": song select 5.
        written = write_smf([Timed(bytes.fromhex("F305"))])
        assert bytes.fromhex("00 F7 02 F3 05") in written

    @given(messages=timed(st.one_of(channel, exclusive)), data=st.data())
    def test_a_cut_file_is_refused(self, messages: list[Timed], data: st.DataObject) -> None:
        written = write_smf(messages)
        cut = data.draw(st.integers(0, len(written) - 1))
        with pytest.raises(DecodeError):
            read_smf(written[:cut])

    @pytest.mark.parametrize(
        ("number", "spelled"),
        # The rows of the table of variable-length quantities in RP-001.
        [
            (0x00, "00"), (0x40, "40"), (0x7F, "7F"), (0x80, "81 00"), (0x2000, "C0 00"),
            (0x3FFF, "FF 7F"), (0x4000, "81 80 00"), (0x100000, "C0 80 00"),
            (0x1FFFFF, "FF FF 7F"), (0x200000, "81 80 80 00"), (0x8000000, "C0 80 80 00"),
            (0xFFFFFFF, "FF FF FF 7F"),
        ],
    )  # fmt: skip
    def test_quantities_are_those_of_the_standard(self, number: int, spelled: str) -> None:
        assert quantity(number) == bytes.fromhex(spelled)
        assert read_quantity(bytes.fromhex(spelled), 0) == (number, len(bytes.fromhex(spelled)))

    @pytest.mark.parametrize("number", [-1, MAX_QUANTITY + 1])
    def test_what_no_quantity_holds_is_refused(self, number: int) -> None:
        with pytest.raises(EncodeError):
            quantity(number)


def test_every_form_has_its_golden_file() -> None:
    assert set(SUFFIXES) == set(EXPORTS)
    assert {f"messages.{suffix}" for suffix in SUFFIXES.values()} == {
        path.name for path in GOLDEN.iterdir()
    }


def test_each_row_is_found_by_its_own_name_and_says_what_it_is() -> None:
    for name, row in EXPORTS.items():
        assert row.name == name
        assert row.words
