"""The stand-in against bytes worked by hand from the lines of its sheet, and from MIDI 1.0."""

from __future__ import annotations

import tracemalloc

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.codec.events import Event, Note, Plain, Setting
from knobwright.engine.ignored import MAX_BYTES, MAX_KEPT, MAX_KEPT_OF_A_REASON, MAX_REASONS
from knobwright.engine.seen import Done, ProgramSeen
from knobwright.engine.standin import StandIn
from tests.engine.small_sheets import WREN, codec_of, reasons, stand_in


def hear(module: StandIn, words: str, at_ns: int = 0) -> list[str]:
    """Feed hex bytes; return the replies as hex."""
    return [reply.hex(" ").upper() for reply in module.receive(bytes.fromhex(words), at_ns)]


# Checksums by hand: negated sum of the bracketed bytes, 30 05 40 -> 80 - 75 = 0B and so on.
ROWS = {
    "a controller": ("B2 07 50", ("volume", 3, None), 0x50),
    "a controller by running status": ("B2 07 50 51 00 07 52", ("volume", 3, None), 0x52),
    "pitch bend, low part first": ("E0 00 60", ("bend", 1, None), 0x60 << 7),
    "an NRPN": ("B0 63 05 62 12 06 21", ("brightness", 1, None), 0x21),
    "an NRPN, low number first": ("B0 62 12 63 05 06 21", ("brightness", 1, None), 0x21),
    "an NRPN stepped up": ("B0 63 05 62 12 06 21 60 00", ("brightness", 1, None), 0x22),
    "an NRPN per key": ("B9 63 1A 62 26 06 33", ("drum.level", 10, 0x26), 0x33),
    "an exclusive with checksum": ("F0 7D 10 42 30 05 40 0B F7", ("hall.time", None, None), 0x40),
    "an exclusive for the second id": ("F0 7D 11 42 30 05 41 0A F7", ("hall.time", None, None), 65),
    "clock inside an exclusive": ("F0 7D F8 10 42 30 05 40 0B F7", ("hall.time", None, None), 64),
    "checksum 00, never 80": ("F0 7D 10 42 30 05 4B 00 F7", ("hall.time", None, None), 0x4B),
}


@pytest.mark.parametrize("row", ROWS)
def test_bytes_set_a_value(row: str) -> None:
    words, (key, channel, note), value = ROWS[row]
    module = stand_in()
    assert hear(module, words) == []
    assert module.lookup(key, channel, note) == value


@pytest.mark.parametrize("row", ROWS)
def test_bytes_one_by_one_do_the_same(row: str) -> None:
    words, (key, channel, note), value = ROWS[row]
    module = stand_in()
    for byte in bytes.fromhex(words):
        module.receive(bytes((byte,)))
    assert module.lookup(key, channel, note) == value


IGNORED = {
    "a wrong checksum": ("F0 7D 10 42 30 05 40 0C F7", "checksum is 0C and should be 0B"),
    "another device": ("F0 7D 12 42 30 05 40 0B F7", "device 12"),
    "another maker": ("F0 7C 10 42 30 05 40 0B F7", "another maker"),
    "a value out of range": ("F0 7D 10 42 31 00 07 69 5F F7", "outside its range 0 to 1000"),
    "data without status": ("07 50", "data byte without a status"),
    "a cut exclusive": ("F0 7D 10 42 90 3C 40", "exclusive ended without F7"),
    "data with nothing selected": ("B0 06 40", "nothing is selected"),
    "data after null": ("B0 63 05 62 12 65 7F 64 7F 06 21", "nothing is selected"),
    "a controller that it lacks": ("B0 14 40", "no line for controller 20"),
    "a channel that it lacks": ("BC 07 50", "no channel 13"),
    "a note on a channel that it lacks": ("9C 3C 40", "no channel 13"),
    "a note off that ends nothing": ("80 3C 40", "without a note that sounds"),
    "a program that is not listed": ("C0 05", "lists no program 6 in bank 0, 0"),
    "a kit that is not listed": ("C9 05", "lists no drum kit 6 in bank 0, 0"),
    "an open question": ("F0 7D 10 42 30 07 01 48 F7", "colour: its line has an open question"),
    "a clock": ("F8", "clock: it sets nothing"),
    "system reset, not in the sheet": ("FF", "system reset: it sets nothing"),
}


@pytest.mark.parametrize("row", IGNORED)
def test_what_is_not_acted_on_is_kept_with_its_reason(row: str) -> None:
    words, reason = IGNORED[row]
    module = stand_in()
    hear(module, words, at_ns=77)
    matching = [record for record in module.ignored if reason in record.reason]
    assert matching, reasons(module)
    assert matching[0].at_ns == 77
    assert module.report().values == ()
    assert module.report().n_ignored == len(module.ignored)


def test_a_condition_that_does_not_hold_is_noted_and_sets_nothing() -> None:
    module = stand_in()
    long_time = "F0 7D 10 42 31 00 03 74 58 F7"  # 3 * 128 + 116 = 500; 80 - (31+00+03+74 = A8) = 58
    hear(module, long_time)
    assert module.lookup("echo.time", None, None) == 300
    assert reasons(module) == [
        "echo.time: it takes effect only while echo.kind is long, which is not so now"
    ]
    hear(module, "F0 7D 10 42 31 02 02 4B F7" + long_time)
    assert module.lookup("echo.time", None, None) == 500
    assert module.report().n_ignored == 1


def test_a_condition_that_is_not_known_is_noted_too() -> None:
    module = stand_in()
    hear(module, "F0 7D 10 42 31 05 10 3A F7")
    assert module.lookup("echo.rate", None, None) is None
    assert "not known" in reasons(module)[0]
    hear(module, "F0 7D 10 42 31 06 01 48 F7" + "F0 7D 10 42 31 05 10 3A F7")
    assert module.lookup("echo.rate", None, None) == 0x10


def test_what_could_be_either_of_two_is_not_applied() -> None:
    """Two parameters on the same bytes, told apart by a third whose value is not known."""
    two = """
format = 1
[module]
name = "Two"
[[parameter]]
key = "kind"
line = "F0 7D 00 vv F7"
range = [0, 1]
[[parameter]]
key = "first"
line = "F0 7D 01 vv F7"
when = { kind = [0] }
[[parameter]]
key = "second"
line = "F0 7D 01 vv F7"
when = { kind = [1] }
"""
    module = stand_in(two)
    hear(module, "F0 7D 01 22 F7")
    assert module.report().values == ()
    assert [r.split(":")[0] for r in reasons(module)] == ["first", "second"]
    hear(module, "F0 7D 00 01 F7 F0 7D 01 22 F7")
    assert [(v.key, v.raw) for v in module.report().values] == [("kind", 1), ("second", 0x22)]


def test_bank_and_program_are_kept_per_channel() -> None:
    module = stand_in()
    hear(module, "B1 00 00 20 01")
    assert module.program(2) is None  # bank select alone changes nothing (MIDI 1.0, page 13)
    hear(module, "C1 03 C0 00 C9 00")
    assert module.program(2) == ProgramSeen(2, 4, (0, 1), "Bright")
    assert module.program(1) == ProgramSeen(1, 1, (0, 0), "Plain")
    assert module.program(10) == ProgramSeen(10, 1, (0, 0), "Studio")


def test_a_selection_is_kept_per_channel_and_null_ends_it() -> None:
    module = stand_in()
    hear(module, "B0 63 05 62 12 B1 65 00 64 01")
    assert module.selected(1) == ("NRPN", 5, 0x12)
    assert module.selected(2) == ("RPN", 0, 1)
    hear(module, "B0 65 7F 64 7F")
    assert module.selected(1) is None
    assert module.selected(2) == ("RPN", 0, 1)


def test_notes_are_held_until_they_are_let_go() -> None:
    """Note on with velocity 0 ends a note like note off (MIDI 1.0, page 10)."""
    module = stand_in()
    hear(module, "90 3C 40 40 41 91 3C 40 80 3C 00")
    assert list(module.held) == [(1, 0x40), (2, 0x3C)]
    hear(module, "90 40 00")
    assert list(module.held) == [(2, 0x3C)]
    hear(module, "B1 7B 00")  # all notes off, which the sheet has
    assert list(module.held) == []


def test_a_mode_message_that_the_sheet_lacks_does_nothing() -> None:
    module = stand_in()
    hear(module, "90 3C 40 B0 78 00")
    assert module.held == ((1, 0x3C),)
    assert "no line for controller 120" in reasons(module)[0]


def test_reset_all_controllers_keeps_what_rp_015_keeps() -> None:
    """RP-015: modulation 0, expression 127, bend centre, selection null; volume, NRPNs stay."""
    module = stand_in()
    hear(module, "B0 01 11 07 12 0B 13 63 05 62 12 06 14 E0 00 00 B0 79 00")
    assert module.lookup("modulation", 1, None) == 0
    assert module.lookup("expression", 1, None) == 127
    assert module.lookup("bend", 1, None) == 8192
    assert module.lookup("volume", 1, None) == 0x12
    assert module.lookup("brightness", 1, None) == 0x14
    assert module.selected(1) is None
    hear(module, "B0 06 15")
    assert module.lookup("brightness", 1, None) == 0x14


# MIDI 1.0 Detailed Specification 4.2.1, page 40: F0 7E device 06 02 mm ff ff dd dd ss ss ss ss F7.
IDENTITY = "F0 7E 10 06 02 7D 04 00 02 00 00 01 00 00 F7"


@pytest.mark.parametrize("device", ["7F", "10", "11"])
def test_the_identity_request_is_answered(device: str) -> None:
    assert hear(stand_in(), f"F0 7E {device} 06 01 F7") == [IDENTITY]


def test_a_maker_id_of_three_bytes_makes_the_reply_17_bytes_long() -> None:
    sheet = WREN.replace('maker_id = "7D"', 'maker_id = "00 20 7F"')
    assert hear(stand_in(sheet), "F0 7E 7F 06 01 F7") == [
        "F0 7E 10 06 02 00 20 7F 04 00 02 00 00 01 00 00 F7"
    ]


def test_an_identity_request_for_another_device_is_ignored() -> None:
    module = stand_in()
    assert hear(module, "F0 7E 12 06 01 F7") == []
    assert module.report().n_ignored == 1


def test_a_module_that_does_not_reply_says_so() -> None:
    module = stand_in(WREN.replace("replies = true", "replies = false"))
    assert hear(module, "F0 7E 7F 06 01 F7 F0 7D 10 11 00 F7") == []
    assert all("does not reply" in reason for reason in reasons(module))
    assert len(reasons(module)) == 2


def test_an_identity_is_not_made_up() -> None:
    module = stand_in(WREN.replace('family = "04 00"\n', ""))
    assert hear(module, "F0 7E 7F 06 01 F7") == []
    assert "gives no family" in reasons(module)[0]


# Eight data bytes: -, hall time 40, -, echo kind 0, echo time 300 = 02 2C, -, -: sum 6E, so 12.
DUMP = "F0 7D 10 12 00 40 00 00 02 2C 00 00 12 F7"


def test_a_block_is_answered_with_the_values_held() -> None:
    module = stand_in()
    assert hear(module, "F0 7D 10 11 00 F7") == [DUMP]
    hear(module, "F0 7D 10 42 30 05 41 0A F7")
    assert hear(module, "F0 7D 10 11 00 F7") == ["F0 7D 10 12 00 41 00 00 02 2C 00 00 11 F7"]
    assert module.report().n_replies == 2


def test_a_dump_sets_what_stands_in_it() -> None:
    module = stand_in()
    # hall time 22, echo kind 2 (long), echo time 03 74 = 500: sum 22+02+03+74 = 9B, 100 - 9B = 65.
    hear(module, "F0 7D 10 12 00 22 00 02 03 74 00 00 65 F7")
    found = {value.key: value.raw for value in module.report().values}
    assert found == {"hall.time": 0x22, "echo.kind": 2, "echo.time": 500}
    assert module.report().n_ignored == 0


def test_a_dump_answered_and_heard_gives_the_same_values() -> None:
    first, second = stand_in(), stand_in()
    hear(
        first, "F0 7D 10 42 31 02 02 4B F7 F0 7D 10 42 31 00 03 74 58 F7 F0 7D 10 42 31 02 01 4C F7"
    )
    (reply,) = hear(first, "F0 7D 10 11 00 F7")
    hear(second, reply)
    for key in ("hall.time", "echo.kind", "echo.time"):
        assert second.lookup(key, None, None) == first.lookup(key, None, None), key


RESETS = {
    "General MIDI on": "F0 7E 7F 09 01 F7",
    "two messages": "F0 7D 10 01 F7 F0 7D 10 02 F7",
    "the second device id": "F0 7D 11 01 F7 F0 7D 11 02 F7",
    "clock between": "F0 7D 10 01 F7 F8 F0 7D 10 02 F7",
}
NO_RESETS = {
    "half of two": "F0 7D 10 01 F7",
    "the other half": "F0 7D 10 02 F7",
    "a note between": "F0 7D 10 01 F7 90 3C 40 F0 7D 10 02 F7",
    "another exclusive between": "F0 7D 10 01 F7 F0 7D 10 05 F7 F0 7D 10 02 F7",
    "a setup line that sets a value": "F0 7D 10 42 30 05 20 2B F7",
    "General MIDI off": "F0 7E 7F 09 02 F7",
}


@pytest.mark.parametrize("row", RESETS)
def test_a_setup_line_received_whole_brings_the_defaults(row: str) -> None:
    module = stand_in()
    hear(module, "B0 07 12 63 05 62 12 C0 00 91 3C 40" + RESETS[row])
    report = module.report()
    assert (report.values, report.programs, report.held, report.n_resets) == ((), (), (), 1)
    assert module.lookup("volume", 1, None) == 100
    assert module.selected(1) is None


@pytest.mark.parametrize("row", NO_RESETS)
def test_what_is_no_whole_reset_leaves_values_alone(row: str) -> None:
    module = stand_in()
    hear(module, "B0 07 12" + NO_RESETS[row])
    assert module.lookup("volume", 1, None) == 0x12
    assert module.report().n_resets == 0


def test_switched_off_it_hears_nothing_and_has_forgotten_everything() -> None:
    module = stand_in()
    hear(module, "B0 07 12 F0 7D 10")
    module.off()
    assert hear(module, "B0 07 13") == []
    assert reasons(module) == ["it is switched off"]
    module.on()
    hear(module, "42 30 05 40 0B F7")  # the rest of an exclusive whose start is lost
    assert module.report().values == ()
    hear(module, "B0 07 14")
    assert module.lookup("volume", 1, None) == 0x14


def test_a_module_without_running_status_says_what_it_lost() -> None:
    module = stand_in(WREN.replace("replies = true", "running_status = false"))
    hear(module, "B0 07 12 0B 13 B0 0B 14")
    assert module.lookup("volume", 1, None) == 0x12
    assert module.lookup("expression", 1, None) == 0x14
    assert reasons(module) == ["it came by running status, which the module does not take"]
    assert module.ignored[0].data == bytes.fromhex("B0 0B 13")


def test_the_report_is_in_the_order_of_last_set_and_leaves_defaults_out() -> None:
    module = stand_in()
    hear(module, "B0 07 10 B1 07 11 B0 07 12 B2 07 64 B0 7B 00 7B 00")
    report = module.report()
    assert [(v.channel, v.raw, v.default) for v in report.values] == [(2, 17, 100), (1, 18, 100)]
    assert report.actions == (Done("notes.off", 1, None, 2),)
    assert (report.n_messages, report.n_bytes) == (6, 17)


def test_a_listener_hears_what_was_acted_on_in_order() -> None:
    heard: list[tuple[int, Event]] = []
    module = StandIn(codec_of(WREN), listener=lambda event, at_ns: heard.append((at_ns, event)))
    hear(module, "90 3C 40", 5)
    hear(module, "B0 14 40 B0 07 12", 6)
    hear(module, "80 3C 40", 7)
    hear(module, "F0 7E 7F 09 01 F7", 8)
    module.off(9)
    assert heard == [
        (5, Note(1, 60, 64)),
        (6, Setting("volume", 18, 1)),
        (7, Note(1, 60, 0)),
        (8, Plain("reset")),
        (9, Plain("reset")),
    ]


@given(st.lists(st.sampled_from([*ROWS.values()]), max_size=6), st.data())
def test_how_bytes_are_cut_never_matters(
    rows: list[tuple[str, tuple[str, int | None, int | None], int]], data: st.DataObject
) -> None:
    stream = b"".join(bytes.fromhex(words) for words, _, _ in rows) + bytes.fromhex(DUMP)
    whole, cut = stand_in(), stand_in()
    at = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=5)))
    replies = whole.receive(stream)
    pieces = [stream[a:b] for a, b in zip([0, *at], [*at, len(stream)], strict=True)]
    assert [r for piece in pieces for r in cut.receive(piece)] == replies
    assert cut.report() == whole.report()
    assert cut.ignored == whole.ignored


@given(st.binary(max_size=300))
def test_any_bytes_are_taken_without_an_error(data: bytes) -> None:
    module = stand_in()
    module.receive(data)
    report = module.report()
    assert report.n_bytes == len(data)
    assert report.n_ignored == sum(count.times for count in report.ignored)


def test_a_flood_of_one_kind_leaves_room_for_the_others() -> None:
    module = stand_in()
    module.receive(b"\xf8" * 10_000)
    hear(module, "B0 14 40")
    assert len(module.ignored) == MAX_KEPT_OF_A_REASON + 1
    assert module.report().ignored[0].times == 10_000


def test_a_hostile_stream_takes_a_bounded_amount_of_memory() -> None:
    """Long exclusives, a new reason each time, held notes everywhere: nothing may pile up."""
    module = stand_in()
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        for i in range(2_000):
            long = bytes((0xF0, 0x7D, 0x10, 0x12, *([i & 0x7F] * ((i + 300) % 700)), 0xF7))
            module.receive(long + bytes((0x90 | i % 16, i % 128, 1, 0xB0 | i % 16, i % 128, 1)))
        used = tracemalloc.get_traced_memory()[0] - before
    finally:
        tracemalloc.stop()
    assert used < 2_000_000
    assert len(module.ignored) <= MAX_KEPT
    assert len(module.report().ignored) <= MAX_REASONS + 1
    assert all(len(record.data) <= MAX_BYTES for record in module.ignored)
    assert max(record.n_bytes for record in module.ignored) > MAX_BYTES
