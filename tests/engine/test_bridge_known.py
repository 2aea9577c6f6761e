"""Unknown, sent, heard; switched off and sent again; what the module says itself."""

from __future__ import annotations

import pytest

from knobwright.core.errors import InputError
from knobwright.core.state.values import HEARD, SENT, UNKNOWN, Known, KnownProgram
from knobwright.engine.told import (
    Changed,
    ComesBack,
    ControlHeard,
    DumpCame,
    Identified,
    Refused,
)
from tests.engine.benches import SHEET, TWO_LINKS, Rig, assignment, hexed, stream
from tests.oracle.receiver import Program, Receiver

BRIGHT = assignment("knob-1", "tone.brightness", "channels = [1]")
HALL_TIME_40 = "F0 7D 10 42 30 05 40 0B F7"  # the leaflet's own example


def heard(rig: Rig, text: str) -> None:
    """Let the module send bytes and the bridge look at them."""
    rig.bridge.receive_from_module(0, bytes.fromhex(text), rig.now_ns)
    rig.tick()


def set_up(rig: Rig) -> None:
    """Set some values and a program, and hand them over."""
    rig.bridge.set("tone.brightness", 90, 2)
    rig.play("keys", "B1 00 01 B1 20 00 C1 03")  # program 4 of bank 1, 0 on channel 2
    rig.bridge.set("hall.time", 0x40)
    rig.bridge.set("drum.level", 80, note=38)
    rig.bridge.set("channel.all-notes-off", 0, 1)  # an action is nothing to have
    rig.bridge.set("tone.brightness", 91, 2)
    rig.hand_over()


def test_switched_off_everything_is_unknown_and_resend_brings_it_back() -> None:
    rig = Rig()
    set_up(rig)
    rig.told.clear()
    rig.bridge.off()
    rig.tick()
    assert rig.bridge.known() == [()]
    told = {
        (v.key, v.state) for c in rig.told_of(Changed) for v in c.values if isinstance(v, Known)
    }
    assert ("hall.time", UNKNOWN) in told
    assert ("tone.brightness", UNKNOWN) in told
    before = len(rig.links[0])
    assert rig.bridge.resend() == 4
    assert hexed(rig.links[0][before:]) == (
        "B1 00 01, B1 20 00, C1 03 | "  # programs first
        f"{HALL_TIME_40} | "
        "B9 63 1A, B9 62 26, B9 06 50 | "  # key 38 = 26, 80 = 50
        "B1 63 05, B1 62 12, B1 06 5B"  # the last set comes last: 91 = 5B
    )
    rig.hand_over()
    assert rig.bridge.value("tone.brightness", 2).state == SENT
    receiver = Receiver(SHEET.read_text())
    receiver.receive(stream(rig.links[0][before:]))
    assert receiver.programs == {2: Program(4, (1, 0))}
    assert receiver.value("tone.brightness", 2) == 91
    assert receiver.value("drum.level", None, 38) == 80


def test_resend_with_the_setup_resets_first_and_waits_for_the_reset() -> None:
    rig = Rig()
    set_up(rig)
    before = len(rig.links[0])
    rig.bridge.resend(setup=True)
    items = rig.links[0][before:]
    assert items[0].messages == (bytes.fromhex("F0 7E 7F 09 01 F7"),)
    assert items[0].rest_ns == 100_000_000  # leave 100 ms after either reset: section 7
    assert len(items) == 5
    rig.bridge.sent(0, items[:1], rig.now_ns)  # cut off behind the reset
    assert len(rig.bridge.remembered()[0]) == 4  # nothing of it is forgotten
    rig.bridge.sent(0, items[1:], rig.now_ns)
    rig.n_taken[0] = len(rig.links[0])
    rig.hand_over()
    assert rig.bridge.value("hall.time").state == SENT  # set again behind the reset
    assert rig.bridge.remembered()[0][0] == KnownProgram(
        2, SENT, 4, (1, 0), rig.now_ns - 50_000_000
    )


def test_the_second_link_waits_for_the_reset_on_the_first() -> None:
    rig = Rig(links=TWO_LINKS)
    rig.bridge.set("tone.brightness", 5, 17)
    rig.hand_over()
    n_before = len(rig.links[1])
    assert rig.bridge.resend(setup=True) == 2
    rig.tick()
    assert len(rig.links[1]) == n_before  # the reset has not been handed over
    rig.hand_over()
    rig.tick(49)
    assert len(rig.links[1]) == n_before  # and then there is its rest
    rig.tick(60)
    assert hexed(rig.links[1][n_before:]) == "B0 63 05, B0 62 12, B0 06 05"


def test_a_reset_on_purpose_leaves_nothing_owed() -> None:
    rig = Rig()
    set_up(rig)
    rig.bridge.reset()
    rig.hand_over()
    assert rig.bridge.known() == [()]
    assert rig.bridge.remembered() == [()]
    assert rig.bridge.resend() == 0


def test_a_sheet_without_a_setup_has_no_reset() -> None:
    text = SHEET.read_text().replace('[[setup]]\nline = "F0 7E 7F 09 01 F7"\nrest_ms = 100\n', "")
    with pytest.raises(InputError, match="nothing of a reset"):
        Rig(sheet=text).bridge.reset()


def test_system_on_by_a_keyboard_makes_everything_unknown() -> None:
    """General MIDI System On (RP-003) is the sheet's setup, so the module is reset by it."""
    rig = Rig()
    set_up(rig)
    rig.play("keys", "F0 7E 7F 09 01 F7")
    rig.hand_over()
    assert rig.bridge.known() == [()]


def test_reset_all_controllers_sets_what_the_recommendation_says() -> None:
    """RP-015: modulation 0, expression 127, pedals 0, bend centre; volume and pan stay."""
    rig = Rig()
    rig.play("keys", "B0 01 20 B0 0B 20 B0 07 20 E0 00 00 B0 79 00")
    rig.hand_over()
    raws = {
        key: rig.bridge.value(f"channel.{key}", 1).raw
        for key in ("modulation", "expression", "volume", "pitch-bend", "hold")
    }
    assert raws == {
        "modulation": 0,
        "expression": 127,
        "volume": 0x20,
        "pitch-bend": 8192,
        "hold": 0,
    }


def test_what_was_remembered_survives_a_restart() -> None:
    first = Rig()
    set_up(first)
    kept = first.bridge.remembered()
    second = Rig()
    assert second.bridge.restore(kept) == 0
    assert second.bridge.known() == [()]  # the module may have been off in between
    second.bridge.resend()
    assert stream(second.links[0])[-3:] == bytes.fromhex("B1 06 5B")
    assert second.bridge.resend() == 4


def test_what_a_newer_sheet_does_not_allow_is_refused_and_told() -> None:
    rig = Rig()
    gone = Known("tone.gone", 1, None, SENT, 5)
    high = Known("tone.brightness", 1, None, SENT, 500)
    assert rig.bridge.restore([[gone, high, Known("hall.time", None, None, SENT, 0x40)]]) == 1
    assert rig.bridge.resend() == 1
    rig.tick()
    assert [record.about for record in rig.told_of(Refused)] == ["tone.brightness"]
    assert hexed(rig.links[0]) == HALL_TIME_40


def test_what_the_module_says_is_heard() -> None:
    rig = Rig()
    heard(rig, HALL_TIME_40)
    value = rig.bridge.value("hall.time")
    assert (value.state, value.raw) == (HEARD, 0x40)


def test_the_newest_value_is_what_anybody_set_last() -> None:
    rig = Rig(assignment("knob-1", "tone.brightness", 'channels = [1]\nmeet = "wait"'))
    rig.bridge.set("tone.brightness", 5, 1)
    rig.hand_over()
    rig.play("keys", "B0 4A 20")  # the same by another way
    rig.hand_over()
    assert rig.play("desk", "B0 10 05") == ""  # 32 is what must be met, not 5
    assert rig.play("desk", "B0 10 30") == "B0 63 05, B0 62 12, B0 06 30"


def test_what_is_on_its_way_is_newer_than_what_the_module_said_meanwhile() -> None:
    rig = Rig(assignment("knob-1", "hall.time", 'meet = "wait"'))
    rig.bridge.set("hall.time", 100)
    heard(rig, HALL_TIME_40)
    assert rig.bridge.value("hall.time").raw == 0x40
    assert rig.play("desk", "B0 10 30 B0 10 50") == ""  # 100 is what will be there, not 64
    rig.hand_over()
    assert rig.bridge.value("hall.time").raw == 100


def test_a_dump_from_the_module_is_heard() -> None:
    """Section 6 of the leaflet: place 0 is the kind, 1 the time, 4 and 5 the echo time."""
    data = bytearray(64)
    data[0], data[1], data[4], data[5] = 2, 0x40, 0x07, 0x68
    total = sum(data)  # 2 + 40 + 7 + 68 (hexadecimal) = B1: 31, and 80 - 31 = 4F
    assert -total % 128 == 0x4F
    rig = Rig()
    heard(rig, "F0 7D 10 12" + data.hex() + "4F F7")
    assert rig.bridge.value("hall.kind").raw == 2
    assert (rig.bridge.value("echo.time").state, rig.bridge.value("echo.time").raw) == (HEARD, 1000)
    assert rig.told_of(DumpCame) == [DumpCame(0, "effects", 64, 9)]


def test_an_identity_reply_is_told_with_whether_it_fits() -> None:
    rig = Rig()
    heard(rig, "F0 7E 10 06 02 7D 04 00 01 00 00 01 02 00 F7")  # section 7 of the leaflet
    heard(rig, "F0 7E 10 06 02 7D 05 00 01 00 00 01 02 00 F7")
    assert rig.told_of(Identified) == [
        Identified(0, "7D", 4, 1, "00 01 02 00", True),
        Identified(0, "7D", 5, 1, "00 01 02 00", False),
    ]


def test_what_comes_back_as_it_went_out_is_not_heard() -> None:
    rig = Rig()
    rig.bridge.set("hall.time", 0x40)
    rig.play("keys", "90 3C 40")
    # A loop brings it back before the pacer has said that it was handed over.
    rig.bridge.receive_from_module(0, bytes.fromhex(HALL_TIME_40), rig.now_ns)
    rig.bridge.receive_from_module(0, bytes.fromhex("90 3C 40"), rig.now_ns)
    rig.hand_over()
    assert rig.bridge.value("hall.time").state == SENT
    assert rig.told_of(ComesBack) == [ComesBack(0, 2)]
    rig.tick(2000)
    heard(rig, HALL_TIME_40)  # seconds later it is the module's own word
    assert rig.bridge.value("hall.time").state == HEARD


def test_garbage_from_the_module_raises_nothing() -> None:
    rig = Rig()
    heard(rig, "05 F0 12 90 F4 F7 B0 06 05 FD C0")
    assert rig.bridge.known() == [()]
    assert rig.bridge.counts()["dropped"] > 3


def test_a_setting_whose_bytes_do_not_say_the_channel_is_passed_over() -> None:
    sheet = """
format = 1
[module]
name = "Fennick S1"
[[parameter]]
key = "level"
per = ["channel"]
line = "F0 7D 01 nn vv F7"
"""
    rig = Rig(sheet=sheet)
    heard(rig, "F0 7D 01 7F 05 F7")
    assert rig.bridge.known() == [()]
    heard(rig, "F0 7D 01 03 05 F7")
    assert rig.bridge.value("level", 4).raw == 5


def test_system_reset_is_passed_only_where_the_bench_says_so() -> None:
    rig = Rig()
    set_up(rig)
    assert rig.play("keys", "FF") == ""
    assert rig.bridge.counts()["not_passed_on"] == 1
    allowed = Rig("[pass]\nreset = true\n")
    set_up(allowed)
    assert allowed.play("keys", "FF") == "FF"
    allowed.hand_over()
    assert allowed.bridge.known() == [()]
    assert len(allowed.bridge.remembered()[0]) == 4  # it is as after power-up: owed


def test_a_control_that_is_moved_is_described() -> None:
    rig = Rig(BRIGHT)
    rig.bridge.hear("desk")
    for value in [*range(0, 128, 3), 127, *range(127, -1, -4), 0]:
        assert rig.play("desk", f"B0 15 {value:02X}") == ""
    rig.tick()
    last = rig.told_of(ControlHeard)[-1]
    assert last.source == "desk"
    assert "B0 15 vv" in last.table
    rig.bridge.hear("desk", on=False)
    assert rig.play("desk", "B0 10 05") == "B0 63 05, B0 62 12, B0 06 05"
