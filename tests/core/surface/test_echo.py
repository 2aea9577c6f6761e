"""Values shown on the surface, in each control's own coding, and never against the hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.surface.assignment import Shown
from knobwright.core.surface.echo import STILL_NS, Echo, Echoed, echo
from knobwright.core.surface.moves import MOVED, Move
from knobwright.core.surface.recognise import Recogniser
from tests.core.surface.surfaces import control, every_form, heard, surface

EXAMPLE = every_form()
KNOB = surface(control('sends = "Bn 10 vv"\necho = true'))

# The control's rows, its place, and the messages by hand.
ROWS: dict[str, tuple[str, float, int, tuple[str, ...]]] = {
    "control": ('sends = "Bn 10 vv"', 0.5, 3, ("B2 10 40",)),
    "its own channel": ('sends = "B7 10 vv"', 1.0, 3, ("B7 10 7F",)),
    "pair": ('sends = ["B0 01 vh", "B0 21 vl"]', 1.0, 1, ("B0 01 7F", "B0 21 7F")),
    "number": (
        'sends = "Bn 63 05 62 12 06 vh 26 vl"',
        0.25,
        2,
        ("B1 63 05", "B1 62 12", "B1 06 20", "B1 26 00"),
    ),
    "bend": ('sends = "En vl vh"', 0.5, 1, ("E0 00 40",)),
    "pressure": ('sends = "Dn vv"', 0.0, 1, ("D0 00",)),
    "program": ('sends = "Cn pp"', 1.0, 1, ("C0 7F",)),
    "exclusive": ('sends = "F0 7D 01 vh vl F7"\nrange = [0, 1000]', 1.0, 1, ("F0 7D 01 07 68 F7",)),
    "reverse": ('sends = "Bn 10 vv"\nreverse = true', 1.0, 1, ("B0 10 00",)),
    "range": ('sends = "Bn 10 vv"\nrange = [10, 20]', 0.5, 1, ("B0 10 0F",)),
}


@pytest.mark.parametrize("name", ROWS)
def test_a_place_is_shown_by_the_messages_of_the_control(name: str) -> None:
    rows, position, channel, wanted = ROWS[name]
    one = surface(control(rows + "\necho = true")).controls[0]
    shown = echo(one, position, channel)
    assert shown == Echoed("a", tuple(map(bytes.fromhex, wanted)))


def test_an_encoder_is_shown_by_its_own_line_and_lights() -> None:
    ring = every_form().control("ring-1")
    first, last = echo(ring, 0.0), echo(ring, 1.0)
    assert first == Echoed("ring-1", (b"\xb0\x30\x01",))
    assert last == Echoed("ring-1", (b"\xb0\x30\x0f",))


def test_a_button_is_lit_and_put_out_with_its_own_numbers() -> None:
    button = every_form().control("button-1")
    assert echo(button, 1.0) == Echoed("button-1", (b"\xb0\x40\x7f",))
    assert echo(button, 0.0) == Echoed("button-1", (b"\xb0\x40\x01",))


def test_a_path_is_shown_a_number() -> None:
    assert echo(every_form().control("tablet-1"), 0.25) == Echoed(
        "tablet-1", path="/1/fader1", number=0.25
    )


def test_a_control_without_echo_is_shown_nothing() -> None:
    assert echo(every_form().control("knob-2"), 0.5) is None
    assert Echo(every_form()).show(Shown("knob-2", 1, 0.5), 0) is None


@given(st.floats(0, 1))
def test_what_a_control_is_shown_it_would_send_from_there(position: float) -> None:
    for one in EXAMPLE.controls:
        shown = echo(one, position)
        if shown is None or one.relative or one.presses or one.line is None:
            continue
        moves = heard(Recogniser(EXAMPLE), *(message.hex() for message in shown.messages))
        move = moves[-1]
        assert move is not None
        assert (move.control.name, move.what) == (one.name, MOVED)
        assert abs(move.position - position) <= 0.5 / (one.range[1] - one.range[0]) + 1e-9


def moved(at_ns: int, position: float = 0.3) -> Move:
    return Move(KNOB.controls[0], MOVED, 1, 38, position, None, 0, at_ns)


def test_nothing_is_shown_while_the_hand_moves_and_the_newest_afterwards() -> None:
    shower = Echo(KNOB)
    shower.moved(moved(0))
    assert shower.show(Shown("a", 1, 0.5), 10) is None
    assert shower.show(Shown("a", 1, 1.0), 20) is None
    assert shower.next_ns == STILL_NS
    shower.moved(moved(100_000_000))
    assert shower.next_ns == 100_000_000 + STILL_NS
    assert shower.due(STILL_NS) == []
    assert shower.due(100_000_000 + STILL_NS) == [Echoed("a", (b"\xb0\x10\x7f",))]
    assert shower.next_ns is None


def test_another_channel_of_the_control_is_not_held_back() -> None:
    shower = Echo(KNOB)
    shower.moved(moved(0))
    assert shower.show(Shown("a", 2, 1.0), 10) == Echoed("a", (b"\xb1\x10\x7f",))


def test_the_same_is_not_shown_twice_unless_the_hand_changed_it_or_the_surface_was_away() -> None:
    shower = Echo(KNOB)
    place = Shown("a", 1, 1.0)
    assert shower.show(place, 0) is not None
    assert shower.show(place, 1) is None
    shower.moved(moved(2))
    assert shower.show(place, 3 + STILL_NS) is not None
    shower.again()
    assert shower.show(place, 4 + STILL_NS) is not None


def test_a_control_that_follows_stands_where_it_was_shown() -> None:
    recogniser = Recogniser(every_form())
    shower = Echo(every_form(), recogniser)
    assert shower.show(Shown("fader-1", 1, 0.25), 0) is not None
    move = heard(recogniser, "B0 01 20", "B0 21 00")[-1]
    assert move is not None
    assert move.before == 0.25
