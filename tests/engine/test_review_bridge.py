"""Hard cases of the bridge: lost inputs, echoes, two links, resets; what goes where, exactly.

Expected bytes are worked by hand from ``examples/larkfield-t4/leaflet.txt`` as in
``test_bridge.py``: brightness is ``Bn 63 05 62 12 06 vv``, resonance ``Bn 63 05 62 13 06 vv``.
"""

from __future__ import annotations

import pytest

from knobwright.core.errors import KnobwrightError
from knobwright.core.state.values import HEARD, SENT, UNKNOWN
from knobwright.engine.told import DroppedBytes
from tests.engine.benches import TWO_LINKS, Rig, assignment, hexed, stream

BRIGHT = assignment("knob-1", "tone.brightness", "channels = [1]")
HOLD = assignment("button-1", "channel.hold", 'channels = [1]\nmode = "held"')


# -- a lost input ---------------------------------------------------------------------------------


def test_a_layer_that_was_held_ends_with_its_input() -> None:
    rig = Rig(
        BRIGHT
        + assignment("knob-1", "tone.resonance", 'channels = [1]\nlayer = "button-1"')
        + assignment("button-1", "tone.attack", "channels = [1]\nvalue = 5")
    )
    rig.play("desk", "90 24 7F")  # the layer's button is down
    assert rig.play("desk", "B0 10 20") == "B0 63 05, B0 62 13, B0 06 20"
    rig.bridge.lost_input("desk")
    rig.bridge.input_back("desk")
    # Nobody holds the button now: the knob is brightness again.
    assert rig.play("desk", "B0 10 30") == "B0 63 05, B0 62 12, B0 06 30"


def test_a_switch_that_a_button_holds_is_let_go_with_its_input() -> None:
    rig = Rig(HOLD)
    assert rig.play("desk", "90 24 7F") == "B0 40 7F"
    before = len(rig.links[0])
    rig.bridge.lost_input("desk")
    assert hexed(rig.links[0][before:]) == "B0 40 00"


def test_a_knob_meets_its_value_anew_when_its_input_was_away() -> None:
    rig = Rig(assignment("knob-1", "tone.brightness", 'channels = [1]\nmeet = "wait"'))
    rig.bridge.set("tone.brightness", 10, 1)
    rig.hand_over()
    rig.play("desk", "B0 10 05")
    assert rig.play("desk", "B0 10 0B") != ""  # met
    rig.hand_over()
    rig.bridge.lost_input("desk")
    rig.bridge.input_back("desk")
    # Turned while it was unplugged: no jump from 11 to 112.
    assert rig.play("desk", "B0 10 70") == ""


def test_what_an_input_had_selected_is_forgotten_when_it_is_lost() -> None:
    rig = Rig()
    rig.play("keys", "B0 63 05 62 12 06 40")
    rig.bridge.lost_input("keys")
    rig.bridge.input_back("keys")
    assert rig.play("keys", "B0 06 41") == ""  # nobody can say what it would set
    rig.tick()
    assert [record.source for record in rig.told_of(DroppedBytes)] == ["keys"]


def test_a_flood_of_note_ons_without_note_offs_ends_in_few_words() -> None:
    rig = Rig()
    rig.bridge.receive("keys", bytes.fromhex("90 3C 40") * 20_000, rig.now_ns)
    before = len(rig.links[0])
    rig.bridge.lost_input("keys")
    offs = rig.links[0][before:]
    # As many as the ledger of held notes counts at most.
    assert len(offs) == 255
    assert set(offs) == {offs[0]}


def test_half_a_message_of_a_lost_input_is_counted() -> None:
    rig = Rig()
    rig.play("keys", "F0 7D 10 42")
    rig.bridge.lost_input("keys")
    rig.tick()
    (dropped,) = rig.told_of(DroppedBytes)
    assert dropped.n == 4


# -- hearing --------------------------------------------------------------------------------------


def test_a_selection_made_while_a_control_is_heard_holds_afterwards() -> None:
    rig = Rig()
    assert rig.play("keys", "B0 63 05 62 12 06 40") == "B0 63 05, B0 62 12, B0 06 40"
    rig.bridge.hear("keys")
    assert rig.play("keys", "B0 62 13 06 22") == ""
    rig.bridge.hear("keys", on=False)
    assert rig.play("keys", "B0 06 23") == "B0 63 05, B0 62 13, B0 06 23"


def test_a_layer_let_go_while_a_control_is_heard_is_let_go() -> None:
    rig = Rig(BRIGHT + assignment("knob-1", "tone.resonance", 'channels = [1]\nlayer = "button-1"'))
    rig.play("desk", "90 24 7F")
    rig.bridge.hear("desk")
    rig.play("desk", "90 24 00")
    rig.bridge.hear("desk", on=False)
    assert rig.play("desk", "B0 10 30") == "B0 63 05, B0 62 12, B0 06 30"


# -- what comes from other programs ---------------------------------------------------------------


def test_the_bytes_of_two_programs_are_kept_apart() -> None:
    rig = Rig()
    rig.bridge.play(bytes.fromhex("B0 63 05 62 12"), source="song")
    rig.bridge.play(bytes.fromhex("B0 63 05 62 13"), source="page")
    before = len(rig.links[0])
    rig.bridge.play(bytes.fromhex("B0 06 11"), source="song")
    rig.bridge.play(bytes.fromhex("B0 06 12"), source="page")
    assert hexed(rig.links[0][before:]) == (
        "B0 63 05, B0 62 12, B0 06 11 | B0 63 05, B0 62 13, B0 06 12"
    )
    assert [item.source for item in rig.links[0][before:]] == ["song", "page"]


def test_running_status_of_two_programs_is_kept_apart() -> None:
    rig = Rig()
    rig.bridge.play(bytes.fromhex("90 3C 40"), source="song")
    rig.bridge.play(bytes.fromhex("B0 07 40"), source="page")
    before = len(rig.links[0])
    rig.bridge.play(bytes.fromhex("3C 00"), source="song")  # by running status: a note-off
    assert hexed(rig.links[0][before:]) == "90 3C 00"


def test_running_status_of_two_links_is_kept_apart() -> None:
    rig = Rig(links=TWO_LINKS)
    rig.bridge.play(bytes.fromhex("90 3C 40"), link=0)
    rig.bridge.play(bytes.fromhex("B0 07 40"), link=1)
    rig.bridge.play(bytes.fromhex("3C 00"), link=0)
    assert hexed(rig.links[0]) == "90 3C 40 | 90 3C 00"


@pytest.mark.parametrize("link", [-1, 1, 2])
def test_bytes_for_a_link_that_is_not_there_are_refused(link: int) -> None:
    rig = Rig()
    with pytest.raises(KnobwrightError):
        rig.bridge.play(bytes.fromhex("90 3C 40"), link=link)
    assert rig.links == [[]]


@pytest.mark.parametrize("channel", [-3, 0, 33])
def test_a_channel_that_is_none_is_refused(channel: int) -> None:
    rig = Rig(links=TWO_LINKS)
    with pytest.raises(KnobwrightError):
        rig.bridge.set("tone.brightness", 5, channel)
    assert rig.links == [[], []]


def test_a_rest_behind_bytes_is_in_the_last_item() -> None:
    rig = Rig()
    rig.bridge.play(bytes.fromhex("90 3C 40 F0 7E 7F 09 01 F7"), rest_ns=5)
    assert [item.rest_ns for item in rig.links[0]] == [0, 5]


# -- what the module says -------------------------------------------------------------------------


def test_the_modules_own_selection_counts_also_where_ours_was_the_same() -> None:
    rig = Rig(BRIGHT)
    back = rig.bridge.receive_from_module
    back(0, bytes.fromhex("B0 63 05 62 13 06 01"), rig.now_ns)  # its resonance knob
    rig.tick()
    rig.play("desk", "B0 10 40")  # we set brightness
    rig.hand_over()
    back(0, bytes.fromhex("B0 63 05 62 12 06 33"), rig.now_ns)  # its brightness knob
    rig.tick()
    bright = rig.bridge.value("tone.brightness", 1)
    assert (bright.state, bright.raw) == (HEARD, 0x33)
    resonance = rig.bridge.value("tone.resonance", 1)
    assert (resonance.state, resonance.raw) == (HEARD, 1)


def test_the_modules_own_low_half_goes_with_a_high_half_like_ours() -> None:
    rig = Rig()
    rig.bridge.set("channel.fine-tune", 0x40 << 7 | 0x10, 1)  # B0 65 00 64 01 06 40 26 10
    rig.hand_over()
    rig.bridge.receive_from_module(0, bytes.fromhex("B0 65 00 64 01 06 40 26 11"), rig.now_ns)
    rig.tick()
    tune = rig.bridge.value("channel.fine-tune", 1)
    assert (tune.state, tune.raw) == (HEARD, 0x40 << 7 | 0x11)


# -- two links, one module ------------------------------------------------------------------------


def test_a_reset_is_the_whole_modules() -> None:
    rig = Rig(links=TWO_LINKS)
    rig.bridge.set("tone.brightness", 5, 1)
    rig.bridge.set("tone.brightness", 6, 17)
    rig.hand_over()
    assert rig.bridge.value("tone.brightness", 17).state == SENT
    rig.bridge.reset()
    rig.hand_over()
    assert rig.bridge.value("tone.brightness", 1).state == UNKNOWN
    assert rig.bridge.value("tone.brightness", 17).state == UNKNOWN
    assert rig.bridge.remembered() == [(), ()]


def test_a_reset_that_passes_leaves_the_other_link_owed() -> None:
    rig = Rig(links=TWO_LINKS)
    rig.bridge.set("tone.brightness", 6, 17)
    rig.hand_over()
    rig.play("keys", "F0 7E 10 09 03 F7")  # General MIDI 2 on: the sheet does not say more
    rig.hand_over()
    assert rig.bridge.value("tone.brightness", 17).state == UNKNOWN
    assert [value.raw for value in rig.bridge.remembered()[1]] == [6]  # type: ignore[union-attr]


def test_a_resend_with_setup_brings_both_links_back() -> None:
    rig = Rig(links=TWO_LINKS)
    rig.bridge.set("tone.brightness", 5, 1)
    rig.bridge.set("tone.brightness", 6, 17)
    rig.hand_over()
    rig.bridge.resend(setup=True)
    rig.hand_over()
    rig.tick(500)
    rig.hand_over()
    assert rig.bridge.value("tone.brightness", 1).raw == 5
    assert rig.bridge.value("tone.brightness", 17).raw == 6
    assert stream(rig.links[1][-1:]).hex(" ").upper() == "B0 63 05 B0 62 12 B0 06 06"


# -- counts ---------------------------------------------------------------------------------------

ZONE = """
[[keys]]
input = "keys"
channels = [2]
takes = ["controls"]
"""


def test_data_without_a_selection_are_told_in_a_zone_too() -> None:
    rig = Rig(ZONE)
    assert rig.play("keys", "B0 06 40") == ""
    rig.tick()
    (dropped,) = rig.told_of(DroppedBytes)
    assert (dropped.source, dropped.n) == ("keys", 1)


def test_stray_note_offs_and_active_sensing_are_counted() -> None:
    rig = Rig(ZONE)
    rig.play("keys", "80 3C 40 FE FE")
    counts = rig.bridge.counts()
    assert counts["stray_note_offs"] == 1
    assert counts["sensing"] == 2


# -- what is followed -----------------------------------------------------------------------------

MODES = """
format = 1
[module]
name = "Sedge"
[[parameter]]
key = "mode"
per = ["channel"]
line = "Bn 50 vv"
range = [0, 1]
choices = { 0 = "a", 1 = "b" }
[[parameter]]
key = "cutoff"
per = ["channel"]
line = "Bn 51 vv"
when = { mode = 0 }
[[parameter]]
key = "drive"
per = ["channel"]
line = "Bn 51 vv"
when = { mode = 1 }
"""


def test_values_before_and_behind_a_choice_are_both_followed() -> None:
    rig = Rig(sheet=MODES)
    # Cutoff 5, then mode b, then the same controller is drive 7: both were really sent.
    rig.play("keys", "B0 50 00 B0 51 05 B0 50 01 B0 51 07")
    rig.hand_over()
    assert rig.bridge.value("drive", 1).raw == 7
    assert rig.bridge.value("cutoff", 1).raw == 5


def test_a_step_goes_on_from_the_value_before_it() -> None:
    rig = Rig()
    # RPN 1: 57 00; then 2D 00, a step down (2C 7F), and half a value that sets nothing yet.
    rig.play("keys", "B0 65 00 64 01 06 57 26 00 06 2D 26 00 61 00 06 5C")
    rig.hand_over()
    assert rig.bridge.value("channel.fine-tune", 1).raw == 0x2C << 7 | 0x7F


def test_both_halves_of_a_value_are_followed() -> None:
    rig = Rig()
    # 57 00, then 2D 11, then half a value that sets nothing by itself in this sheet.
    rig.play("keys", "B0 65 00 64 01 06 57 26 00")
    rig.hand_over()
    rig.play("keys", "B0 06 2D 26 11 06 5C")
    rig.hand_over()
    assert rig.bridge.value("channel.fine-tune", 1).raw == 0x2D << 7 | 0x11


# -- sending again --------------------------------------------------------------------------------


def test_a_resend_does_not_undo_what_waits_for_the_line() -> None:
    rig = Rig(BRIGHT)
    rig.play("desk", "B0 10 05")
    rig.hand_over()
    rig.play("desk", "B0 10 09")  # on its way, not handed over yet
    before = len(rig.links[0])
    rig.bridge.resend()
    assert hexed(rig.links[0][before:]) == "B0 63 05, B0 62 12, B0 06 09"


def test_a_resend_puts_no_foot_on_a_pedal() -> None:
    # A killed engine leaves "down" in what is remembered; nobody would lift the pedal again.
    rig = Rig()
    rig.play("keys", "B0 40 7F B1 40 00 B0 07 50")
    rig.hand_over()
    fresh = Rig()
    fresh.bridge.restore(rig.bridge.remembered())
    fresh.bridge.resend()
    assert hexed(fresh.links[0]) == "B1 40 00 | B0 07 50"
