"""All assignments of an input: several parameters, layers, meeting anew, what is shown."""

from __future__ import annotations

from knobwright.core.surface.assignment import Assignment, Shown, Wish
from knobwright.core.surface.assignments import Assignments
from knobwright.core.surface.recognise import Recogniser
from tests.core.surface.surfaces import control, surface
from tests.core.surface.test_tied import PARAMETERS

SURFACE = surface(
    control('sends = "Bn 10 vv"\necho = true', "knob"),
    control('sends = "B0 11 vv"\necho = true', "other"),
    control('sends = "B0 40 vv"', "shift", "button"),
    control('sends = "B0 41 vv"', "alt", "button"),
    control('sends = "B0 42 vv"\necho = true', "lamp", "button"),
)


class Rig:
    """The assignments of one input, and a module that has what was wished last."""

    def __init__(self, *rows: Assignment) -> None:
        self.recogniser = Recogniser(SURFACE)
        self.assignments = Assignments(SURFACE, rows, PARAMETERS)
        self.now: dict[tuple[str, int | None, int | None], object] = {}

    def current(self, key: str, channel: int | None, note: int | None) -> object | None:
        return self.now.get((key, channel, note))

    def wish(self, *messages: str) -> list[Wish]:
        found: list[Wish] = []
        for message in messages:
            move = self.recogniser.feed(bytes.fromhex(message))
            assert move is not None
            wishes = self.assignments.take(move, self.current)
            self.now |= {(w.key, w.channel, w.note): w.raw for w in wishes}
            found += wishes
        return found

    def changed(self) -> bool:
        return self.assignments.layers_changed

    def set(self, *messages: str) -> list[tuple[str, int, int | None]]:
        return [(wish.key, wish.raw, wish.channel) for wish in self.wish(*messages)]


def test_one_control_sets_several_parameters_on_several_channels() -> None:
    rig = Rig(
        Assignment("knob", "cut", channels=(1, 18)),
        Assignment("knob", "time", invert=True),
        Assignment("knob", "drum", note=36),
    )
    assert rig.set("B0 10 7F") == [
        ("cut", 127, 1),
        ("cut", 127, 18),
        ("time", 0, None),
        ("drum", 127, None),
    ]
    assert rig.wish("B0 10 00")[-1].note == 36


def test_a_held_button_is_another_layer() -> None:
    rig = Rig(
        Assignment("knob", "cut"),
        Assignment("knob", "time", layer="shift"),
        Assignment("other", "kind"),
    )
    assert rig.set("B0 10 10") == [("cut", 16, 1)]
    assert rig.set("B0 40 7F") == []
    assert rig.changed()
    assert rig.set("B0 10 7F") == [("time", 1000, None)]
    assert not rig.changed()
    assert rig.set("B0 11 7F") == [("kind", 3, None)]  # it has nothing in that layer: it stays
    assert rig.set("B0 40 00", "B0 10 20") == [("cut", 32, 1)]


def test_the_layer_held_last_wins_and_the_one_before_comes_back() -> None:
    rig = Rig(
        Assignment("knob", "cut", layer="shift"),
        Assignment("knob", "time", layer="alt"),
    )
    assert rig.set("B0 10 01") == []
    assert rig.set("B0 40 7F", "B0 41 7F", "B0 10 7F") == [("time", 1000, None)]
    assert rig.set("B0 41 00", "B0 10 02") == [("cut", 2, 1)]


def test_a_control_meets_its_value_anew_in_another_layer() -> None:
    rig = Rig(
        Assignment("knob", "cut", meet="wait"),
        Assignment("knob", "time", layer="shift", meet="wait"),
    )
    rig.now = {("cut", 1, None): 20, ("time", None, None): 900}
    assert rig.set("B0 10 14") == [("cut", 20, 1)]
    assert rig.set("B0 40 7F", "B0 10 28") == []  # 900 is further up
    assert rig.set("B0 10 7F") == [("time", 1000, None)]
    assert rig.set("B0 40 00", "B0 10 60") == []  # and the first is at 20 still
    assert rig.set("B0 10 14") == []  # there it is, and it is set to 20 already
    assert rig.set("B0 10 15") == [("cut", 21, 1)]


def test_a_button_let_go_in_another_layer_ends_what_it_began() -> None:
    rig = Rig(
        Assignment("lamp", "cut", channels=(1,)),
        Assignment("lamp", "cut", channels=(2,), layer="shift"),
    )
    assert rig.set("B0 42 7F", "B0 40 7F", "B0 42 00") == [("cut", 127, 1), ("cut", 0, 1)]
    assert rig.set("B0 42 7F") == [("cut", 127, 2)]


def test_two_controls_of_one_parameter_meet_each_others_values() -> None:
    rig = Rig(
        Assignment("knob", "time", meet="wait"),
        Assignment("other", "time", meet="wait"),
    )
    rig.now = {("time", None, None): 0}
    assert rig.set("B0 10 00", "B0 10 40")[-1] == ("time", 504, None)
    assert rig.set("B0 11 00", "B0 11 20") == []
    assert rig.set("B0 11 50") == [("time", 630, None)]
    assert rig.set("B0 10 30") == []  # left behind now


def test_changed_and_forgotten_values_are_met_anew() -> None:
    rig = Rig(Assignment("knob", "cut", meet="wait"))
    rig.now = {("cut", 1, None): 20}
    assert rig.set("B0 10 14", "B0 10 20")[-1] == ("cut", 32, 1)
    rig.now = {("cut", 1, None): 90}
    rig.assignments.changed("cut", 1, None)
    rig.assignments.changed("nothing", None, None)
    assert rig.set("B0 10 21") == []
    rig.now = {}
    rig.assignments.forget()
    assert rig.set("B0 10 22") == [("cut", 34, 1)]  # unknown: nothing to jump


def test_what_is_not_assigned_is_not_taken() -> None:
    rig = Rig(Assignment("knob", "cut", layer="shift"))
    assert rig.assignments.takes("knob")
    assert rig.assignments.takes("shift")
    assert not rig.assignments.takes("other")


def test_a_value_is_shown_on_its_controls() -> None:
    rig = Rig(
        Assignment("knob", "cut"),
        Assignment("other", "cut", channels=(3, 4), invert=True),
        Assignment("lamp", "cut", channels=(3,), mode="toggle", low=0, high=100),
    )
    shown = rig.assignments.shown
    assert shown("cut", 127, 1, None) == [Shown("knob", 1, 1.0)]
    assert shown("cut", 127, 3, None) == [
        Shown("knob", 3, 1.0),
        Shown("other", 1, 0.0),
        Shown("lamp", 1, 0.0),
    ]
    assert Shown("lamp", 1, 1.0) in shown("cut", 100, 3, None)
    assert shown("cut", 0, 4, None) == [Shown("knob", 4, 0.0)]
    assert shown("time", 0, None, None) == []


def test_only_the_layer_that_is_on_is_shown() -> None:
    rig = Rig(
        Assignment("other", "time"),
        Assignment("other", "kind", layer="shift"),
    )
    rig.now = {("time", None, None): 1000, ("kind", None, None): 0}
    assert rig.assignments.all_shown(rig.current) == [Shown("other", 1, 1.0)]
    rig.wish("B0 40 7F")
    assert rig.assignments.all_shown(rig.current) == [Shown("other", 1, 0.125)]
    assert rig.assignments.shown("time", 0, None, None) == []


def test_a_control_on_any_channel_is_shown_where_it_moved_last() -> None:
    rig = Rig(Assignment("knob", "time"))
    assert rig.assignments.shown("time", 0, None, None) == [Shown("knob", 1, 0.0)]
    rig.wish("B6 10 01")
    assert rig.assignments.shown("time", 0, None, None) == [Shown("knob", 7, 0.0)]
