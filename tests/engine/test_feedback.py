"""Values shown back on the surface, in each control's own coding."""

from __future__ import annotations

from tests.engine.benches import Rig, assignment, hexed

BRIGHT = assignment("knob-1", "tone.brightness", "channels = [1]")
HALL = assignment("knob-2", "hall.level")


def shown(rig: Rig) -> str:
    """Return what was sent to the surface since last asked."""
    text = hexed(rig.echoes)
    rig.echoes.clear()
    return text


def test_a_value_set_on_the_page_is_shown_when_it_was_sent() -> None:
    rig = Rig(BRIGHT)
    rig.bridge.set("tone.brightness", 90, 1)
    assert shown(rig) == ""
    rig.hand_over()
    assert shown(rig) == "B0 10 5A"  # 90 = 5A: the knob's own line
    rig.bridge.set("tone.brightness", 91, 2)  # the knob is for channel 1
    rig.hand_over()
    assert shown(rig) == ""


def test_what_the_control_itself_set_is_not_shown_on_it() -> None:
    both = assignment("knob-2", "tone.brightness", "channels = [1]")
    rig = Rig(BRIGHT + both)
    rig.play("desk", "B0 10 20")
    rig.hand_over()
    assert shown(rig) == "B0 11 20"  # only on the other control of the same parameter
    rig.tick(1000)
    assert shown(rig) == ""


def test_the_light_of_a_button_follows_what_the_button_did() -> None:
    rig = Rig(assignment("button-2", "part.voice-mode", 'channels = [1]\nmode = "toggle"'))
    rig.play("desk", "90 25 7F 90 25 00")
    rig.hand_over()
    assert shown(rig) == "90 25 7F"
    rig.play("desk", "90 25 7F 90 25 00")
    rig.hand_over()
    assert shown(rig) == "90 25 00"


def test_the_ring_of_an_encoder_follows_once_the_hand_is_still() -> None:
    rig = Rig(assignment("ring-1", "tone.brightness", "channels = [1]"))
    rig.bridge.set("tone.brightness", 64, 1)
    rig.hand_over()
    assert shown(rig) == "B0 14 40"
    assert rig.play("desk", "B0 14 01") == "B0 63 05, B0 62 12, B0 06 41"  # one step up
    rig.hand_over()
    assert shown(rig) == ""
    rig.tick(400)
    assert shown(rig) == "B0 14 41"


def test_nothing_is_shown_under_a_moving_hand_and_all_of_it_afterwards() -> None:
    rig = Rig(BRIGHT)
    rig.play("desk", "B0 10 20")
    rig.bridge.set("tone.brightness", 90, 1)
    rig.hand_over()
    assert shown(rig) == ""
    rig.tick(200)
    assert shown(rig) == ""
    rig.tick(200)  # the hand has been still for 300 ms
    assert shown(rig) == "B0 10 5A"


def test_what_the_module_says_is_shown() -> None:
    rig = Rig(HALL)
    # 30 + 08 + 10 = 48, 80 - 48 = 38
    rig.bridge.receive_from_module(0, bytes.fromhex("F0 7D 10 42 30 08 10 38 F7"), rig.now_ns)
    rig.tick()
    assert shown(rig) == "B0 11 10"


def test_a_resend_shows_everything_again() -> None:
    rig = Rig(BRIGHT + HALL)
    rig.bridge.set("tone.brightness", 1, 1)
    rig.bridge.set("hall.level", 2)
    rig.hand_over()
    shown(rig)
    rig.bridge.input_back("desk")  # the surface was off: rings are dark
    assert sorted(shown(rig).split(" | ")) == ["B0 10 01", "B0 11 02"]


def test_another_layer_shows_its_own_values() -> None:
    layer = assignment("knob-2", "hall.time", 'layer = "button-1"')
    rig = Rig(HALL + layer)
    rig.bridge.set("hall.level", 2)
    rig.bridge.set("hall.time", 3)
    rig.hand_over()
    assert shown(rig) == "B0 11 02"
    rig.play("desk", "90 24 7F")
    assert shown(rig) == "B0 11 03"
    rig.play("desk", "80 24 00")
    assert shown(rig) == "B0 11 02"


def test_a_newer_value_may_take_the_place_of_one_that_waits_for_the_surface() -> None:
    rig = Rig(BRIGHT)
    rig.bridge.set("tone.brightness", 1, 1)
    rig.hand_over()
    (item,) = rig.echoes
    assert item.key == item.base == ("echo", "knob-1")
