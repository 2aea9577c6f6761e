"""Which control moved: every form, halves, selections, channels.

Source: MIDI 1.0 Detailed Specification 4.2.1, pages 10 to 19; RP-015 for what 121 resets.
"""

from __future__ import annotations

from typing import NamedTuple

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.surface.moves import MOVED, PART, PRESSED, RELEASED, STEPPED, Move
from knobwright.core.surface.recognise import WAIT_NS, Recogniser
from knobwright.core.wire import Message, Splitter
from tests.core.surface.surfaces import control, every_form, heard, surface


class Row(NamedTuple):
    """Messages to an unused recogniser of the example, and the last move: name, what, value."""

    messages: tuple[str, ...]
    wanted: tuple[str, str, int] | None


ROWS: dict[str, Row] = {
    "control change": Row(("B0 10 40",), ("knob-1", MOVED, 64)),
    "control change, any channel": Row(("BF 10 7F",), ("knob-1", MOVED, 127)),
    "another controller passes": Row(("B0 07 40",), None),
    "another channel passes": Row(("B1 16 01",), None),
    "high half waits": Row(("B0 01 20",), ("fader-1", PART, 0)),
    "pair": Row(("B0 01 20", "B0 21 03"), ("fader-1", MOVED, 0x20 << 7 | 3)),
    "low half alone": Row(("B0 01 20", "B0 21 03", "B0 21 04"), ("fader-1", MOVED, 0x1004)),
    "low half first of all": Row(("B0 21 04",), ("fader-1", PART, 0)),
    "selection passes": Row(("B0 63 05",), None),
    "number": Row(("B0 63 05", "B0 62 12", "B0 06 21"), ("knob-2", MOVED, 0x21)),
    "number, low half first": Row(("B0 62 12", "B0 63 05", "B0 06 21"), ("knob-2", MOVED, 0x21)),
    "number, selected once": Row(
        ("B0 63 05", "B0 62 12", "B0 06 21", "B0 06 22"), ("knob-2", MOVED, 0x22)
    ),
    "half a selection": Row(("B0 63 05", "B0 06 21"), None),
    "another number passes": Row(("B0 63 05", "B0 62 13", "B0 06 21"), None),
    "selected on another channel": Row(("B1 63 05", "B1 62 12", "B0 06 21"), None),
    "registered after non-registered": Row(
        ("B0 63 05", "B0 62 12", "B0 65 00", "B0 64 01", "B0 06 40", "B0 26 01"),
        ("knob-3", MOVED, 0x2001),
    ),
    "null ends it": Row(("B0 63 05", "B0 62 12", "B0 65 7F", "B0 64 7F", "B0 06 21"), None),
    "121 ends it": Row(("B0 63 05", "B0 62 12", "B0 79 00", "B0 06 21"), None),
    "FF ends it": Row(("B0 63 05", "B0 62 12", "FF", "B0 06 21"), None),
    "fine part of a coarse number passes": Row(("B0 63 05", "B0 62 12", "B0 26 21"), None),
    "increment": Row(("B0 63 05", "B0 62 12", "B0 60 00"), ("knob-2", STEPPED, 1)),
    "decrement": Row(("B0 63 05", "B0 62 12", "B0 61 7F"), ("knob-2", STEPPED, -1)),
    "step up": Row(("B0 16 02",), ("ring-1", STEPPED, 2)),
    "step down": Row(("B0 16 7F",), ("ring-1", STEPPED, -1)),
    "bend": Row(("E0 01 40",), ("wheel-1", MOVED, 0x40 << 7 | 1)),
    "channel pressure": Row(("D0 11",), ("after", MOVED, 17)),
    "key pressure": Row(("A9 24 33",), ("pad-1-pressure", MOVED, 0x33)),
    "key pressure of another key passes": Row(("A9 25 33",), None),
    "note": Row(("99 24 64",), ("pad-1", PRESSED, 100)),
    "note with velocity 0": Row(("99 24 64", "99 24 00"), ("pad-1", RELEASED, 0)),
    "note off": Row(("99 24 64", "89 24 40"), ("pad-1", RELEASED, 0)),
    "another key passes": Row(("99 25 64",), None),
    "button": Row(("B0 40 7F",), ("button-1", PRESSED, 127)),
    "button at 64": Row(("B0 40 40",), ("button-1", PRESSED, 64)),
    "button at 63": Row(("B0 40 3F",), ("button-1", RELEASED, 63)),
    "fixed": Row(("B0 42 7F",), ("button-3", PRESSED, 127)),
    "fixed, let go": Row(("B0 42 00",), ("button-3", RELEASED, 0)),
    "fixed, another value passes": Row(("B0 42 01",), None),
    "start": Row(("FA",), ("play", PRESSED, 127)),
    "stop passes": Row(("FC",), None),
    "program": Row(("C0 05",), ("dial", MOVED, 5)),
    "fixed program": Row(("C1 07",), ("slot-8", PRESSED, 127)),
    "another program passes": Row(("C1 08",), None),
    "exclusive": Row(("F0 7D 01 03 05 F7",), ("strip", MOVED, 0x185)),
    "longer exclusive passes": Row(("F0 7D 01 03 05 00 F7",), None),
    "another exclusive passes": Row(("F0 7D 02 03 05 F7",), None),
    "clock passes": Row(("F8",), None),
}


@pytest.mark.parametrize("name", ROWS)
def test_messages_are_the_move_of_their_control(name: str) -> None:
    row = ROWS[name]
    move = heard(Recogniser(every_form()), *row.messages)[-1]
    found = None if move is None else (move.control.name, move.what, move.value)
    assert found == row.wanted


def test_every_form_has_a_row() -> None:
    named = {row.wanted[0] for row in ROWS.values() if row.wanted}
    by_number = {c.name for c in every_form().controls if c.line is not None}
    assert by_number - named == {"button-2"}  # as button-1


def test_a_move_carries_place_channel_and_time() -> None:
    recogniser = Recogniser(every_form())
    first, second = heard(recogniser, "B4 10 00", "B4 10 7F", at_ns=77)
    assert first is not None
    assert second is not None
    assert (first.position, first.before) == (0.0, None)
    assert (second.position, second.before, second.channel, second.at_ns) == (1.0, 0.0, 5, 77)
    other = heard(recogniser, "B5 10 40")[0]
    assert other is not None
    assert other.before is None  # each channel has its own place


def test_a_range_is_the_whole_way_and_reverse_turns_it_round() -> None:
    recogniser = Recogniser(
        surface(
            control('sends = "B0 10 vv"\nrange = [10, 110]'),
            control('sends = "B0 11 vv"\nreverse = true', "b"),
        )
    )
    moves = heard(recogniser, "B0 10 05", "B0 10 0A", "B0 10 3C", "B0 10 6E", "B0 10 7F")
    assert [move.position for move in moves if move] == [0.0, 0.0, 0.5, 1.0, 1.0]
    moves = heard(recogniser, "B0 11 00", "B0 11 7F")
    assert [move.position for move in moves if move] == [1.0, 0.0]


def due(recogniser: Recogniser) -> int | None:
    return recogniser.next_ns


def test_a_high_half_alone_becomes_a_move_when_it_has_waited() -> None:
    recogniser = Recogniser(every_form())
    heard(recogniser, "B0 01 20", "B0 21 03", at_ns=0)
    assert due(recogniser) is None
    heard(recogniser, "B0 01 20", at_ns=5)
    assert due(recogniser) == 5 + WAIT_NS
    assert recogniser.waiting(4 + WAIT_NS) == []
    (move,) = recogniser.waiting(5 + WAIT_NS)
    assert (move.control.name, move.value) == ("fader-1", 0x20 << 7)  # page 12: low half 0
    assert due(recogniser) is None
    assert recogniser.waiting(10 * WAIT_NS) == []


def test_a_line_with_its_low_half_first_is_complete_at_the_high_half() -> None:
    recogniser = Recogniser(surface(control('sends = ["B0 21 vl", "B0 01 vh"]')))
    moves = heard(recogniser, "B0 21 03", "B0 01 20", "B0 01 21")
    assert [(m.what, m.value) for m in moves if m] == [
        (PART, 0),
        (MOVED, 0x1003),
        (MOVED, 0x1080),  # its low half did not come again: 0
    ]
    heard(recogniser, "B0 21 05", at_ns=0)
    (move,) = recogniser.waiting(WAIT_NS)
    assert move.value == 0x21 << 7 | 5


def test_a_pad_that_tells_its_pressure_is_pressed_once() -> None:
    recogniser = Recogniser(surface(control('sends = "B0 10 vv"', kind="pad")))
    moves = heard(recogniser, "B0 10 01", "B0 10 50", "B0 10 00", "B0 10 20")
    assert [move.what for move in moves if move] == [PRESSED, MOVED, RELEASED, PRESSED]


def test_acceleration_reads_the_times() -> None:
    recogniser = Recogniser(every_form())
    at_ms = [0, 5, 25, 1000]
    moves = [recogniser.feed(b"\xb0\x16\x01", at * 1_000_000) for at in at_ms]
    assert [move.steps for move in moves if move] == [1, 8, 3, 1]
    assert [move.value for move in moves if move] == [1, 1, 1, 1]


def test_numbers_for_a_path_are_moves() -> None:
    recogniser = Recogniser(
        surface(
            control('path = "/1/f"\nnumbers = [20, -20]'), control('path = "/b"', "b", "button")
        )
    )
    moves = [recogniser.number("/1/f", n) for n in (20.0, 0.0, -20.0, 99.0)]
    assert [move.position for move in moves if move] == pytest.approx([0, 0.5, 1, 0], abs=1e-4)
    assert recogniser.number("/none", 1.0) is None
    move = recogniser.number("/1/f", float("nan"))
    assert move is not None
    assert move.what == PART  # it is this control's, and sets nothing
    pressed = [recogniser.number("/b", n) for n in (1.0, 0.0)]
    assert [move.what for move in pressed if move] == [PRESSED, RELEASED]


def test_a_control_moved_by_its_echo_stands_there() -> None:
    recogniser = Recogniser(every_form())
    recogniser.placed("fader-1", 1, 0.25)
    move = heard(recogniser, "B0 01 20", "B0 21 00")[-1]
    assert move is not None
    assert move.before == 0.25


def test_forgetting_leaves_nothing_selected_and_nothing_waiting() -> None:
    recogniser = Recogniser(every_form())
    heard(recogniser, "B0 63 05", "B0 62 12", "B0 01 20", "B0 10 33")
    recogniser.forget()
    assert recogniser.next_ns is None
    assert heard(recogniser, "B0 06 21") == [None]
    move = heard(recogniser, "B0 10 34")[0]
    assert move is not None
    assert move.before is None


@given(st.binary(max_size=120))
def test_whatever_comes_every_move_is_within_its_control(data: bytes) -> None:
    recogniser = Recogniser(every_form())
    for i, record in enumerate(Splitter().feed(data)):
        if isinstance(record, Message):
            move = recogniser.feed(record.data, i)
            if move is not None:
                _within(move)
    for move in recogniser.waiting(1 << 40):
        _within(move)


def _within(move: Move) -> None:
    assert 0.0 <= move.position <= 1.0
    assert move.what in (MOVED, STEPPED, PRESSED, RELEASED, PART)
    if move.what == MOVED:
        assert 0 <= move.value < 1 << move.control.n_bits


@given(st.lists(st.tuples(st.sampled_from([1, 33]), st.integers(0, 127)), max_size=30))
def test_halves_in_any_order_agree_with_a_plain_receiver(halves: list[tuple[int, int]]) -> None:
    """The receiver below is written from page 12 alone: a high half sets the low one to 0."""
    recogniser = Recogniser(every_form())
    high: int | None = None
    low = 0
    for number, value in halves:
        if number == 1:
            high, low = value, 0
        else:
            low = value
        move = recogniser.feed(bytes((0xB0, number, value)))
        assert move is not None
        if number == 33 and high is not None:
            assert (move.what, move.value) == (MOVED, high * 128 + low)
        else:
            assert move.what == PART
