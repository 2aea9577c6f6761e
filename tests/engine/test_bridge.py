"""From a control to bytes: expected bytes are worked by hand from the printed leaflet.

``examples/larkfield-t4/leaflet.txt``: brightness is ``Bn 63 05 62 12 06 vv``, hall time is
``F0 7D dd 42 30 05 vv cs F7`` with dd = 10; the checksum is 80 less the sum of the bytes after 42
(hexadecimal, low seven bits), and the leaflet works one out itself: 40 gives 0B.
"""

from __future__ import annotations

import pytest

from knobwright.core.errors import (
    EncodeError,
    InputError,
    KnobwrightError,
    NamingError,
)
from knobwright.core.state.values import SENT, UNKNOWN, Known
from knobwright.core.timing.items import KEPT, NOTE, VALUE
from knobwright.engine.told import Changed, DroppedBytes, Refused
from tests.engine.benches import SHEET, TWO_LINKS, Rig, assignment, hexed, stream
from tests.oracle.receiver import Receiver

BRIGHT = assignment("knob-1", "tone.brightness", "channels = [1]")
HALL = assignment("knob-2", "hall.time")


def test_a_knob_sends_an_nrpn() -> None:
    rig = Rig(BRIGHT)
    assert rig.play("desk", "B0 10 00") == "B0 63 05, B0 62 12, B0 06 00"
    assert rig.play("desk", "B0 10 7F") == "B0 63 05, B0 62 12, B0 06 7F"
    (item, _) = rig.links[0]
    assert (item.sort, item.channels, item.n_selection) == (VALUE, 0b1, 2)
    assert item.source == "desk/knob-1"


def test_a_knob_sends_an_exclusive_with_its_checksum() -> None:
    rig = Rig(HALL)
    # the leaflet's own example: 30 + 05 + 40 = 75, 80 - 75 = 0B
    assert rig.play("desk", "B0 11 40") == "F0 7D 10 42 30 05 40 0B F7"
    # 30 + 05 + 7F = B4, low seven bits 34, 80 - 34 = 4C
    assert rig.play("desk", "B0 11 7F") == "F0 7D 10 42 30 05 7F 4C F7"
    # 30 + 05 + 4B = 80, low seven bits 00: where the result is 80, send 00
    assert rig.play("desk", "B0 11 4B") == "F0 7D 10 42 30 05 4B 00 F7"


def test_one_knob_sets_several_parameters_on_several_channels() -> None:
    more = assignment("knob-1", "tone.resonance", "channels = [2, 3]")
    rig = Rig(BRIGHT + more)
    assert rig.play("desk", "B0 10 05") == (
        "B0 63 05, B0 62 12, B0 06 05 | B1 63 05, B1 62 13, B1 06 05 | B2 63 05, B2 62 13, B2 06 05"
    )


def test_a_14_bit_fader_reaches_both_ends_of_a_14_bit_parameter() -> None:
    rig = Rig(assignment("fader-1", "channel.fine-tune", "channels = [2]"))
    assert rig.play("desk", "B0 01 7F") == ""  # the high half alone sets nothing yet
    assert rig.play("desk", "B0 21 7F") == "B1 65 00, B1 64 01, B1 06 7F, B1 26 7F"
    assert rig.play("desk", "B0 01 00 B0 21 00") == "B1 65 00, B1 64 01, B1 06 00, B1 26 00"


def test_a_high_half_without_its_low_half_is_a_move_after_a_while() -> None:
    rig = Rig(assignment("fader-1", "channel.fine-tune", "channels = [2]"))
    rig.play("desk", "B0 01 40")
    rig.tick()
    assert stream(rig.links[0]).hex(" ").upper() == "B1 65 00 B1 64 01 B1 06 40 B1 26 00"


def test_a_knob_waits_until_it_meets_the_value() -> None:
    rig = Rig(assignment("knob-1", "tone.brightness", 'channels = [1]\nmeet = "wait"'))
    rig.bridge.set("tone.brightness", 64, 1)
    rig.hand_over()
    assert rig.play("desk", "B0 10 05") == ""
    assert rig.play("desk", "B0 10 20") == ""
    assert rig.play("desk", "B0 10 45") == "B0 63 05, B0 62 12, B0 06 45"  # it went across 64
    assert rig.play("desk", "B0 10 20") == "B0 63 05, B0 62 12, B0 06 20"


def test_a_value_that_changed_by_other_means_must_be_met_anew() -> None:
    rig = Rig(assignment("knob-1", "tone.brightness", 'channels = [1]\nmeet = "wait"'))
    rig.bridge.set("tone.brightness", 64, 1)
    rig.hand_over()
    rig.play("desk", "B0 10 40")
    assert rig.play("desk", "B0 10 42") == "B0 63 05, B0 62 12, B0 06 42"
    rig.hand_over()  # what the knob itself set changes nothing for it
    assert rig.play("desk", "B0 10 44") == "B0 63 05, B0 62 12, B0 06 44"
    rig.bridge.set("tone.brightness", 10, 1)
    rig.hand_over()
    assert rig.play("desk", "B0 10 46") == ""


def test_a_keyboards_own_controller_counts_as_other_means() -> None:
    """``Bn 4A vv`` does the same as the NRPN: the leaflet's column "Also"."""
    rig = Rig(assignment("knob-1", "tone.brightness", 'channels = [1]\nmeet = "wait"'))
    rig.play("keys", "B0 4A 20")
    rig.hand_over()
    assert rig.bridge.value("tone.brightness", 1).raw == 32
    assert rig.play("desk", "B0 10 60") == ""
    assert rig.play("desk", "B0 10 10") == "B0 63 05, B0 62 12, B0 06 10"


def test_a_layer_acts_while_its_button_is_held() -> None:
    layer = assignment("knob-2", "hall.level", 'layer = "button-1"')
    rig = Rig(HALL + layer)
    assert rig.play("desk", "90 24 7F") == ""
    # 30 + 08 + 10 = 48, 80 - 48 = 38
    assert rig.play("desk", "B0 11 10") == "F0 7D 10 42 30 08 10 38 F7"
    assert rig.play("desk", "80 24 40") == ""
    # 30 + 05 + 10 = 45, 80 - 45 = 3B
    assert rig.play("desk", "B0 11 10") == "F0 7D 10 42 30 05 10 3B F7"


def test_a_button_goes_on_to_the_next_choice() -> None:
    rig = Rig(assignment("button-1", "hall.kind", 'mode = "next"'))
    rig.bridge.set("hall.kind", 2)
    rig.hand_over()
    # from plate (2) on to room (0): 30 + 06 + 00 = 36, 80 - 36 = 4A
    assert rig.play("desk", "90 24 7F 80 24 00") == "F0 7D 10 42 30 06 00 4A F7"
    assert rig.links[0][-1].sort == KEPT


def test_a_number_for_a_path_moves_its_control() -> None:
    rig = Rig(assignment("path-1", "hall.level"))
    rig.bridge.receive_number("desk", "/1/fader1", 1.0, 5)
    # 30 + 08 + 7F = B7, low seven bits 37, 80 - 37 = 49
    assert stream(rig.links[0]).hex(" ").upper() == "F0 7D 10 42 30 08 7F 49 F7"
    rig.bridge.receive_number("desk", "/nothing", 1.0, 6)
    rig.tick()
    assert [r.reason for r in rig.told_of(DroppedBytes)] == ["no control has the path '/nothing'"]


def test_what_is_no_control_passes_as_it_came() -> None:
    rig = Rig(BRIGHT)
    assert rig.play("desk", "B0 07 64 E3 00 40 C1 05") == "B0 07 64 | E3 00 40 | C1 05"
    assert rig.play("keys", "93 3C 40 3C 00") == "93 3C 40 | 93 3C 00"
    assert [item.sort for item in rig.links[0][-2:]] == [NOTE, NOTE]


def test_a_control_without_an_assignment_passes_too() -> None:
    rig = Rig(BRIGHT)
    assert rig.play("desk", "B0 11 05 90 24 7F") == "B0 11 05 | 90 24 7F"


def test_the_page_sets_and_plays() -> None:
    rig = Rig()
    rig.bridge.set("part.level", 90, 10)
    rig.bridge.play(bytes.fromhex("90 3C 40"))
    # channel 10 is block 0: 40 + 02 + 5A = 9C, low seven bits 1C, 80 - 1C = 64
    assert stream(rig.links[0]).hex(" ").upper() == "F0 7D 10 42 40 02 5A 64 F7 90 3C 40"
    assert rig.links[0][0].channels == 1 << 9


@pytest.mark.parametrize(
    "key, raw, channel, error",
    [
        ("tone.nothing", 1, 1, NamingError),
        ("tone.brightness", 128, 1, EncodeError),
        ("tone.brightness", 1, 17, InputError),  # there is one link
        ("tone.brightness", 1, 33, InputError),
        ("drum.level", 1, 10, EncodeError),  # which key?
    ],
)
def test_what_can_not_be_set_is_refused(
    key: str, raw: int, channel: int, error: type[KnobwrightError]
) -> None:
    rig = Rig(links=TWO_LINKS) if channel == 33 else Rig()
    with pytest.raises(error):
        rig.bridge.set(key, raw, channel)
    assert rig.links[0] == []


def test_channels_17_to_32_go_to_the_second_link() -> None:
    rig = Rig(assignment("knob-1", "tone.brightness", "channels = [1, 17, 32]"), links=TWO_LINKS)
    rig.play("desk", "B0 10 05")
    assert stream(rig.links[0]).hex(" ").upper() == "B0 63 05 B0 62 12 B0 06 05"
    second = "B0 63 05 B0 62 12 B0 06 05 BF 63 05 BF 62 12 BF 06 05"
    assert stream(rig.links[1]).hex(" ").upper() == second
    rig.hand_over()
    assert rig.bridge.value("tone.brightness", 32).raw == 5
    assert rig.bridge.value("tone.brightness", 16).state == UNKNOWN
    assert {record.link for record in rig.told_of(Changed)} == {0, 1}


def test_zones_send_notes_where_they_belong() -> None:
    zones = """
    [[keys]]
    input = "keys"
    keys = [0, 59]
    channels = [17]
    transpose = 12
    [[keys]]
    input = "keys"
    keys = [60, 127]
    channels = [3]
    """
    rig = Rig(zones, links=TWO_LINKS)
    assert rig.play("keys", "90 3C 40 90 30 41") == "92 3C 40"
    assert stream(rig.links[1]) == bytes.fromhex("90 3C 41")
    assert rig.play("other", "95 3C 40") == "95 3C 40"  # the zones are not its own
    rig.bridge.lost_input("keys")
    assert stream(rig.links[0])[-3:] == bytes.fromhex("82 3C 40")
    assert stream(rig.links[1])[-3:] == bytes.fromhex("80 3C 40")


def test_a_keyboard_that_is_lost_lets_go_of_what_it_held() -> None:
    rig = Rig()
    rig.play("keys", "90 3C 40 90 3C 41 93 40 40 B3 40 7F 90 3E 40 90 3E 00 B0 42 7F B0 42 00")
    rig.play("other", "90 30 40")
    before = len(rig.links[0])
    rig.bridge.lost_input("keys")
    assert hexed(rig.links[0][before:]) == "80 3C 40 | 80 3C 40 | 83 40 40 | B3 40 00"
    rig.bridge.lost_input("keys")  # a second time there is nothing left
    assert len(rig.links[0]) == before + 4


def test_while_a_control_is_heard_keys_that_were_held_are_let_go() -> None:
    rig = Rig()
    rig.play("desk", "90 3C 40 B0 40 7F")
    rig.bridge.hear("desk")
    assert rig.play("desk", "90 3E 40 B0 07 05 80 3C 40 B0 40 00") == "80 3C 40 | B0 40 00"


def test_a_dangerous_line_is_sent_only_when_asked_for_twice() -> None:
    text = SHEET.read_text().replace(
        'key = "hall.kind"', 'key = "hall.kind"\ndanger = "it is kept for good"'
    )
    rig = Rig(sheet=text)
    with pytest.raises(EncodeError, match="it is kept for good"):
        rig.bridge.set("hall.kind", 1)
    rig.bridge.set("hall.kind", 1, danger=True)
    assert len(rig.links[0]) == 1


# -- sources -------------------------------------------------------------------------------------


def test_running_status_is_each_sources_own() -> None:
    rig = Rig()
    assert rig.play("keys", "90 3C") == ""
    assert rig.play("other", "B0 07") == ""
    assert rig.play("keys", "40 3E 41") == "90 3C 40 | 90 3E 41"
    assert rig.play("other", "64 08 65") == "B0 07 64 | B0 08 65"


def test_selections_of_several_sources_are_kept_apart() -> None:
    rig = Rig()
    rig.play("keys", "B0 65 00 B0 64 00")  # bend range
    rig.play("other", "B0 65 00 B0 64 02")  # coarse tuning
    assert rig.play("keys", "B0 06 0C") == "B0 65 00, B0 64 00, B0 06 0C"
    assert rig.play("other", "B0 06 41") == "B0 65 00, B0 64 02, B0 06 41"
    assert rig.play("keys", "B0 06 05") == "B0 65 00, B0 64 00, B0 06 05"
    receiver = Receiver(SHEET.read_text())
    receiver.receive(stream(rig.links[0]))
    assert receiver.value("channel.bend-range", 1) == 5
    assert receiver.value("channel.coarse-tune", 1) == 0x41


def test_data_without_a_selection_is_dropped_and_told() -> None:
    rig = Rig()
    assert rig.play("keys", "B0 06 0C") == ""
    rig.tick()
    (record,) = rig.told_of(DroppedBytes)
    assert (record.source, record.first, record.n) == ("keys", "B0 06 0C", 1)


def test_a_flood_of_broken_bytes_is_counted_and_hardly_told() -> None:
    rig = Rig(BRIGHT + HALL)
    flood = bytes.fromhex("B0 90 10 80 F0 11 FD 7F F4 05") * 500  # a status every second byte
    for _ in range(10):
        rig.bridge.receive("desk", flood, rig.now_ns)
        rig.tick()
    assert rig.bridge.counts()["dropped"] > 10_000
    assert len(rig.told_of(DroppedBytes)) <= 12
    assert sum(record.n for record in rig.told_of(DroppedBytes)) > 1000
    assert rig.play("desk", "B0 10 05") == "B0 63 05, B0 62 12, B0 06 05"


def test_a_flood_of_5000_moves_goes_through_whole() -> None:
    rig = Rig(BRIGHT)
    for i in range(5000):
        rig.bridge.receive("desk", bytes((0xB0, 0x10, i & 127)), i * 200_000)
    assert len(rig.links[0]) == 5000
    rig.hand_over()
    assert rig.bridge.value("tone.brightness", 1).raw == 4999 & 127


def test_an_input_that_is_none_is_refused() -> None:
    with pytest.raises(NamingError, match="there is no input 'desks'"):
        Rig().bridge.receive("desks", b"\x90", 0)


def test_a_control_whose_parameter_has_a_question_is_refused_and_told_once_a_second() -> None:
    question = """
[[question]]
about = "hall.time"
place = "page 2"
understood = "F0 7D id 42 [ 30 05 vv ] cs F7"
choices = { yes = "it is", no = "it is not" }
"""
    rig = Rig(HALL, sheet=SHEET.read_text() + question)
    for i in range(100):
        assert rig.play("desk", f"B0 11 {i:02X}") == ""
        rig.tick(1)
    rig.tick(1000)
    refused = rig.told_of(Refused)
    assert [record.n for record in refused] == [1, 99]
    assert refused[0].source == "desk/knob-2"
    assert "open question" in refused[0].message


# -- unknown, sent, heard ------------------------------------------------------------------------


def test_a_value_is_sent_only_when_it_was_handed_over() -> None:
    rig = Rig(BRIGHT)
    rig.play("desk", "B0 10 05")
    rig.tick()
    assert rig.bridge.value("tone.brightness", 1) == Known("tone.brightness", 1, None)
    assert rig.told_of(Changed) == []
    rig.hand_over()
    known = rig.bridge.value("tone.brightness", 1)
    assert (known.state, known.raw) == (SENT, 5)
    assert rig.told_of(Changed) == [Changed(0, (known,))]


def test_every_move_that_is_pushed_is_what_a_receiver_holds() -> None:
    """The receiver of ``tests/oracle`` is written apart from the codec."""
    more = "".join(
        assignment(control, key, "channels = [1, 10]" if key.startswith(("tone", "part")) else "")
        for control, key in (
            ("knob-1", "tone.attack"),
            ("knob-2", "part.level"),
            ("knob-1", "echo.time"),
            ("knob-2", "master.volume"),
            ("knob-1", "chorus.rate"),
        )
    )
    rig = Rig(BRIGHT + HALL + more)
    receiver = Receiver(SHEET.read_text())
    for i in range(128):
        rig.play("desk", f"B0 {0x10 + i % 2:02X} {i:02X}")
    receiver.receive(stream(rig.links[0]))
    rig.hand_over()
    known = {
        (v.key, v.channel, v.note): v.raw for v in rig.bridge.known()[0] if isinstance(v, Known)
    }
    assert receiver.memory == known
    assert len(known) == 9
    assert known["echo.time", None, None] == round(126 / 127 * 1000)
