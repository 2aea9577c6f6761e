"""One assignment: curves, ranges, steps, buttons; which values come for which moves."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.codec.check import check_sheet
from knobwright.core.sheet.records import Parameter
from knobwright.core.surface.assignment import MODES, Assignment, faults
from knobwright.core.surface.raws import Listed, Spanned
from knobwright.core.surface.recognise import Recogniser
from knobwright.core.surface.records import Control
from knobwright.core.surface.tied import Tied, Value
from tests.core.surface.surfaces import control, surface

SHEET = """
format = 1
[module]
name = "Test"
[[parameter]]
key = "cut"
per = ["channel"]
line = "Bn 4A vv"
[[parameter]]
key = "time"
line = "F0 7D 01 vh vl F7"
range = [0, 1000]
default = 300
[[parameter]]
key = "holes"
line = "F0 7D 02 vv F7"
range = [[0, 3], [10, 13]]
[[parameter]]
key = "kind"
line = "F0 7D 03 vv F7"
choices = { 0 = "room", 1 = "stage", 2 = "plate", 3 = "hall" }
default = 1
[[parameter]]
key = "reset"
line = "F0 7D 04 F7"
[[parameter]]
key = "drum"
per = ["key"]
line = "F0 7D 05 kk vv F7"
[[parameter]]
key = "text"
line = "F0 7D 06 t*8 F7"
type = "text"
[[parameter]]
key = "wipe"
line = "F0 7D 07 vv F7"
danger = "erases everything"
"""
PARAMETERS: dict[str, Parameter] = {p.key: p for p in check_sheet(SHEET).require().parameters}
SURFACE = surface(
    control('sends = "Bn 10 vv"', "knob"),
    control('sends = ["B0 01 vh", "B0 21 vl"]', "fine", "fader"),
    control('sends = "B0 11 vv"\nrelative = "twos"', "ring", "encoder"),
    control('sends = "90 24 vv"', "pad", "pad"),
    control('sends = "B0 40 vv"', "button", "button"),
    control('sends = "B0 41 vv"\naction = "toggle"', "latch", "button"),
    control('sends = "B0 42 7F"', "plain", "button"),
    control('path = "/f"', "tablet", "fader"),
)


class Rig:
    """One assignment with a recogniser; the module has what was set last, on every channel."""

    def __init__(self, assignment: Assignment, now: object = None) -> None:
        self.recogniser = Recogniser(SURFACE)
        self.parameter = PARAMETERS[assignment.parameter]
        self.tied = Tied(assignment, SURFACE.control(assignment.control), self.parameter)
        self.now = now

    def send(self, *messages: str) -> list[int]:
        """Return the raw values that messages in hex set."""
        return [raw for _, raw in self.set(*messages)]

    def set(self, *messages: str) -> list[Value]:
        found: list[Value] = []
        for message in messages:
            move = self.recogniser.feed(bytes.fromhex(message))
            assert move is not None
            values = self.tied.values(move, lambda _channel: self.now)
            for _, raw in values:
                assert self.parameter.allows(raw)
                self.now = raw
            found += values
        return found


def knob(value: int, number: int = 0x10, channel: int = 1) -> str:
    return f"{0xB0 + channel - 1:02X} {number:02X} {value:02X}"


# -- the values of a control -----------------------------------------------------------------------


def test_seven_bits_to_seven_bits_is_the_same_number() -> None:
    rig = Rig(Assignment("knob", "cut"))
    assert rig.set(*(knob(v) for v in range(128))) == [(1, v) for v in range(128)]


def test_the_same_value_is_not_sent_twice() -> None:
    rig = Rig(Assignment("knob", "cut", low=0, high=3))
    assert rig.send(*(knob(v) for v in range(128))) == [0, 1, 2, 3]


def test_low_above_high_lets_the_value_fall_and_invert_turns_the_control_round() -> None:
    assert Rig(Assignment("knob", "cut", low=100, high=20)).send(knob(0), knob(127)) == [100, 20]
    assert Rig(Assignment("knob", "cut", invert=True)).send(knob(0), knob(127)) == [127, 0]
    twice = Assignment("knob", "cut", low=100, high=20, invert=True)
    assert Rig(twice).send(knob(0), knob(127)) == [20, 100]


def test_holes_are_left_out() -> None:
    rig = Rig(Assignment("knob", "holes"))
    assert rig.send(*(knob(v) for v in range(128))) == [0, 1, 2, 3, 10, 11, 12, 13]


def test_a_curve_bends_the_way() -> None:
    # (16^(64/127) - 1) / 15 = 0.203; of 1000 that is 203.
    rig = Rig(Assignment("knob", "time", curve="exponential"))
    assert rig.send(knob(0), knob(64), knob(127)) == [0, 203, 1000]


def test_the_channel_is_that_of_the_control_or_the_ones_named() -> None:
    assert Rig(Assignment("knob", "cut")).set(knob(5, channel=7)) == [(7, 5)]
    named = Rig(Assignment("knob", "cut", channels=(2, 20)))
    assert named.set(knob(5, channel=7)) == [(2, 5), (20, 5)]
    assert Rig(Assignment("knob", "time")).set(knob(127, channel=7)) == [(None, 1000)]


def test_choices_get_equal_pieces_of_the_way() -> None:
    rig = Rig(Assignment("knob", "kind"))
    sent = {v: rig.send(knob(v)) for v in range(128)}
    assert {v: raws[0] for v, raws in sent.items() if raws} == {0: 0, 32: 1, 64: 2, 96: 3}


def test_steps_come_in_the_order_named() -> None:
    rig = Rig(Assignment("knob", "cut", steps=(90, 10, 50)))
    assert rig.send(knob(0), knob(50), knob(100)) == [90, 10, 50]


# -- meeting ---------------------------------------------------------------------------------------


def test_wait_sends_nothing_until_the_stored_value_is_met() -> None:
    rig = Rig(Assignment("knob", "cut", meet="wait"), now=64)
    assert rig.send(knob(10), knob(40), knob(62)) == []
    assert rig.send(knob(63), knob(66), knob(20)) == [63, 66, 20]


def test_a_value_changed_by_other_means_is_met_anew() -> None:
    rig = Rig(Assignment("knob", "cut", meet="wait"), now=64)
    assert rig.send(knob(63), knob(64), knob(65)) == [63, 64, 65]
    rig.now = 20
    rig.tied.changed(1)
    assert rig.send(knob(60), knob(30)) == []
    assert rig.send(knob(18)) == [18]


def test_an_unknown_value_can_not_jump_and_is_taken_at_once() -> None:
    assert Rig(Assignment("knob", "cut", meet="wait")).send(knob(10)) == [10]


@given(st.integers(0, 127), st.lists(st.integers(0, 127), min_size=1, max_size=30))
def test_wait_moves_the_value_no_further_than_the_hand_moved(now: int, hand: list[int]) -> None:
    rig = Rig(Assignment("knob", "cut", meet="wait"), now=now)
    before: int | None = None
    for value in hand:
        stored = rig.now
        assert isinstance(stored, int)
        for raw in rig.send(knob(value)):
            assert raw == value
            assert abs(raw - stored) <= (0 if before is None else abs(value - before)) + 1
        before = value


@given(st.integers(0, 1000), st.integers(0, 127), st.booleans())
def test_stretch_goes_evenly_to_the_end_with_no_jump_at_the_start(
    now: int, start: int, up: bool
) -> None:
    rig = Rig(Assignment("knob", "time", meet="stretch"), now=now)
    walk = range(start, 128) if up else range(start, -1, -1)
    sent = [now, *rig.send(*(knob(v) for v in walk))]
    ordered = sent if up else sent[::-1]
    half_step = 1000 / 127 / 2 + 1  # where the two are joined
    assert all(a <= b + half_step for a, b in itertools.pairwise(ordered))
    if len(walk) > 1:
        assert sent[-1] == (1000 if up else 0)


@given(
    st.sampled_from(["linear", "exponential", "logarithmic", "s"]),
    st.sampled_from(["cut", "time", "holes", "kind"]),
    st.booleans(),
    st.booleans(),
)
def test_the_place_of_every_value_gives_that_value(
    curve: str, key: str, invert: bool, falls: bool
) -> None:
    low, high = PARAMETERS[key].ranges[0][0], PARAMETERS[key].ranges[-1][1]
    ends = (high, low) if falls else (low, high)
    row = Assignment("knob", key, curve=curve, invert=invert, low=ends[0], high=ends[1])
    tied = Tied(row, SURFACE.control("knob"), PARAMETERS[key])
    for a, b in PARAMETERS[key].ranges:
        for raw in range(a, b + 1):
            way = tied.way_of(raw)
            assert 0.0 <= way <= 1.0
            assert tied.raw_at(way) == raw
    assert {tied.raw_at(0.0), tied.raw_at(1.0)} == {low, high}


# -- encoders --------------------------------------------------------------------------------------


def test_a_tick_moves_one_value_of_127() -> None:
    rig = Rig(Assignment("ring", "cut"), now=64)
    assert rig.send("B0 11 01", "B0 11 01", "B0 11 7F", "B0 11 7E") == [65, 66, 65, 63]


def test_a_tick_is_always_felt_and_stops_at_the_ends() -> None:
    rig = Rig(Assignment("ring", "holes"), now=2)
    assert rig.send("B0 11 01", "B0 11 01", "B0 11 7F") == [3, 10, 3]
    rig = Rig(Assignment("ring", "holes", curve="exponential", invert=True), now=11)
    assert rig.send("B0 11 7F", "B0 11 7F", "B0 11 7F") == [12, 13]


def test_127_ticks_are_the_whole_way_of_a_long_range() -> None:
    rig = Rig(Assignment("ring", "time"), now=0)
    sent = rig.send(*["B0 11 01"] * 127)
    assert sent[-1] == 1000
    assert len(sent) == 127
    assert rig.send(*["B0 11 7F"] * 127)[-1] == 0


def test_step_says_how_many_values_a_tick_moves() -> None:
    rig = Rig(Assignment("ring", "time", step=1), now=500)
    assert rig.send("B0 11 01", "B0 11 7D") == [501, 498]


def test_an_encoder_goes_through_choices_one_a_tick() -> None:
    rig = Rig(Assignment("ring", "kind"))  # unknown: from the sheet's default 1
    assert rig.send("B0 11 01", "B0 11 01", "B0 11 01", "B0 11 7F") == [2, 3, 2]
    rig = Rig(Assignment("ring", "kind", wrap=True), now=3)
    assert rig.send("B0 11 01", "B0 11 7F") == [0, 3]


def test_an_encoder_on_an_unknown_value_starts_from_the_default_or_the_low_end() -> None:
    assert Rig(Assignment("ring", "time", step=1)).send("B0 11 01") == [301]
    assert Rig(Assignment("ring", "cut")).send("B0 11 01") == [1]


# -- buttons ---------------------------------------------------------------------------------------

DOWN, UP = "B0 40 7F", "B0 40 00"


def test_held_is_high_while_the_button_is_down() -> None:
    assert Rig(Assignment("button", "cut")).send(DOWN, UP) == [127, 0]
    row = Assignment("button", "cut", low=10, high=20, invert=True)
    assert Rig(row).send(DOWN, UP) == [10, 20]


def test_toggle_changes_at_every_press() -> None:
    rig = Rig(Assignment("button", "cut", mode="toggle", low=5, high=9))
    assert rig.send(DOWN, UP, DOWN, UP, DOWN, UP) == [9, 5, 9]


def test_a_button_that_keeps_its_own_state_presses_at_every_message() -> None:
    rig = Rig(Assignment("latch", "kind", mode="next"), now=0)
    assert rig.send("B0 41 7F", "B0 41 00", "B0 41 7F") == [1, 2, 3]
    assert Rig(Assignment("latch", "cut")).send("B0 41 7F", "B0 41 00") == [127, 0]


def test_next_and_previous_go_round() -> None:
    rig = Rig(Assignment("button", "kind", mode="next"))
    assert rig.send(DOWN, DOWN, DOWN, DOWN) == [2, 3, 0, 1]
    rig = Rig(Assignment("button", "kind", mode="previous", wrap=False), now=1)
    assert rig.send(DOWN, DOWN, DOWN) == [0]


def test_next_from_a_value_that_is_none_of_the_steps_takes_the_first() -> None:
    row = Assignment("button", "cut", mode="next", steps=(10, 60, 90))
    assert Rig(row, now=33).send(DOWN, DOWN, DOWN, DOWN) == [10, 60, 90, 10]
    row = Assignment("button", "cut", mode="previous", steps=(10, 60, 90))
    assert Rig(row, now=33).send(DOWN) == [90]


def test_set_sets_one_value_and_an_action_is_done() -> None:
    assert Rig(Assignment("button", "cut", mode="set", value=42)).send(DOWN, UP, DOWN) == [42, 42]
    assert Rig(Assignment("plain", "reset")).send("B0 42 7F") == [0]


def test_a_pad_gives_its_force_and_leaves_it() -> None:
    rig = Rig(Assignment("pad", "cut", mode="follow"))
    assert rig.send("90 24 30", "80 24 40") == [0x30]
    assert Rig(Assignment("button", "cut", mode="follow")).send(DOWN, UP) == [127, 0]


def test_a_press_goes_to_every_channel_named_from_what_the_first_one_has() -> None:
    rig = Rig(Assignment("button", "cut", mode="toggle", channels=(3, 4)), now=0)
    assert rig.set(DOWN) == [(3, 127), (4, 127)]


@given(
    st.sampled_from(sorted(MODES)),
    st.sampled_from(["knob", "fine", "ring", "pad", "button", "latch", "plain"]),
    st.sampled_from(["cut", "time", "holes", "kind", "reset"]),
    st.lists(st.integers(0, 127), max_size=20),
    st.one_of(st.none(), st.integers(0, 127)),
)
def test_every_assignment_without_faults_sets_allowed_values_only(
    mode: str, name: str, key: str, values: list[int], now: int | None
) -> None:
    parameter, one = PARAMETERS[key], SURFACE.control(name)
    value = parameter.ranges[0][0] if mode == "set" and not parameter.is_action else None
    row = Assignment(name, key, mode=mode, value=value)
    if faults(row, one, parameter):
        return
    known = now if now is not None and parameter.allows(now) else None
    rig = Rig(row, now=known)
    for v in values:
        rig.send(*_messages(one, v))  # asserts that each is allowed


def _messages(one: Control, value: int) -> list[str]:
    assert one.line is not None
    head = one.line.messages[0][0].fixed
    if one.name == "fine":
        return [f"B0 01 {value:02X}", f"B0 21 {value:02X}"]
    if one.name == "plain":
        return ["B0 42 7F"]
    return [f"{head:02X} {one.line.messages[0][1].fixed:02X} {value:02X}"]


# -- what is wrong ---------------------------------------------------------------------------------

WRONG: dict[str, tuple[Assignment, str, str]] = {
    "text": (Assignment("knob", "text"), "parameter", "text is a text"),
    "danger": (Assignment("knob", "wipe"), "parameter", "marked as dangerous"),
    "key missing": (Assignment("knob", "drum"), "parameter", "one key at a time"),
    "key too much": (Assignment("knob", "cut", note=3), "note", "not set per key"),
    "channels": (Assignment("knob", "time", channels=(1,)), "channels", "the whole module"),
    "no channel": (Assignment("tablet", "cut"), "parameter", "sends no channel"),
    "low": (Assignment("knob", "holes", low=5), "low", "does not take 5"),
    "steps": (Assignment("knob", "holes", steps=(1, 5)), "steps", "does not take 5"),
    "one step": (Assignment("knob", "cut", steps=(1,)), "steps", "two or more"),
    "mode": (Assignment("knob", "cut", mode="flip"), "mode", "no mode 'flip'"),
    "mode of a button": (Assignment("knob", "cut", mode="toggle"), "mode", "does not fit"),
    "mode of a knob": (Assignment("button", "cut", mode="steps"), "mode", "does not fit"),
    "action": (Assignment("knob", "reset"), "mode", "is an action"),
    "set": (Assignment("button", "cut", mode="set"), "mode", "needs the value"),
    "value": (Assignment("knob", "cut", value=3), "value", "belongs to mode 'set'"),
    "held": (Assignment("plain", "cut"), "mode", "sends nothing when it is let go"),
    "meet": (Assignment("knob", "cut", meet="jump"), "meet", "no way to meet"),
    "curve": (Assignment("knob", "cut", curve="u"), "curve", "no curve"),
    "amount": (Assignment("knob", "cut", amount=2.0), "amount", "has no amount"),
    "points": (Assignment("knob", "cut", curve="points"), "points", "at least one point"),
    "step": (Assignment("ring", "cut", step=-1), "step", "1 or more"),
}


@pytest.mark.parametrize("name", WRONG)
def test_a_wrong_assignment_is_named_with_its_key(name: str) -> None:
    row, key, words = WRONG[name]
    found = faults(row, SURFACE.control(row.control), PARAMETERS[row.parameter])
    assert any(at == key and words in message for at, message, _ in found), found


def test_a_layer_is_something_that_can_be_held() -> None:
    row = Assignment("knob", "cut", layer="ring")
    found = faults(row, SURFACE.control("knob"), PARAMETERS["cut"], SURFACE.control("ring"))
    assert [key for key, *_ in found] == ["layer"]
    assert not faults(row, SURFACE.control("knob"), PARAMETERS["cut"], SURFACE.control("pad"))


# -- values counted --------------------------------------------------------------------------------


@given(st.lists(st.integers(-300, 300), min_size=2, max_size=12, unique=True), st.booleans())
def test_counted_values_are_those_of_a_plain_list(ends: list[int], falls: bool) -> None:
    ends = sorted(ends)[: len(ends) // 2 * 2]
    ranges = tuple(zip(ends[::2], ends[1::2], strict=True))
    plain = [raw for a, b in ranges for raw in range(a, b + 1)]
    low, high = plain[len(plain) // 4], plain[-1 - len(plain) // 4]
    inside = [raw for raw in plain if min(low, high) <= raw <= max(low, high)]
    raws = Spanned(ranges, max(low, high), min(low, high)) if falls else Spanned(ranges, low, high)
    ordered = inside[::-1] if falls else inside
    assert [raws.nth(i) for i in range(raws.n)] == ordered
    for raw in range(-310, 311):
        nearest = min(abs(raw - other) for other in inside)
        assert abs(raws.nth(raws.index(raw)) - raw) == nearest


def test_listed_values_keep_their_order() -> None:
    listed = Listed((90, 10, 50))
    nth: Callable[[int], int] = listed.nth
    assert [nth(i) for i in range(3)] == [90, 10, 50]
    assert [listed.index(raw) for raw in (0, 49, 127)] == [1, 2, 0]
