"""What a decoder makes of messages: selections, halves, steps, conditions, sequences, dumps."""

from __future__ import annotations

from typing import Any

import pytest

from knobwright.core.codec.events import (
    Dump,
    Event,
    Note,
    Part,
    Plain,
    ProgramSet,
    Request,
    Setting,
    Unexplained,
)
from knobwright.core.codec.plan import Codec
from tests.core.codec.small import HEAD, codec, feed, memory, parameter, settled, table, values

CHANNEL: dict[str, Any] = {"per": ["channel"]}

PANEL = (
    parameter("Bn 63 05 62 12 06 vv", "fine", **CHANNEL)
    + parameter("Bn 63 05 62 13 06 vh 26 vl", "wide", **CHANNEL)
    + parameter("Bn 65 00 64 00 06 vv 26 {cents}", "bend", range=[0, 24], default=2, **CHANNEL)
    + parameter("Bn 65 00 64 00 06 {bend} 26 vv", "cents", range=[0, 99], default=0, **CHANNEL)
    + parameter("Bn 63 05 62 20", "go", **CHANNEL)
    + parameter("Bn 63 05 62 21 06 01 26 vv", "first", **CHANNEL)
    + parameter("Bn 63 05 62 21 06 02 26 vv", "second", **CHANNEL)
    + parameter("Bn 63 05 62 22 06 vv 26 05", "closed", **CHANNEL)
    + parameter("Bn 63 05 62 23 06 vl 26 vh", "low", **CHANNEL)
    + parameter("Bn 65 7F 64 7F", "null", **CHANNEL)
    + parameter("Bn 07 vh 27 vl", "volume", **CHANNEL)
    + parameter("Bn 50 vv", "knob", range=[[0, 9], [20, 29]], **CHANNEL)
)

# what comes in -> what it sets, key and value (MIDI 1.0 Detailed Specification 4.2.1, p. 12, 17)
STREAM_ROWS: dict[str, tuple[str, list[tuple[str, object]]]] = {
    "a selection sets nothing": ("B0 63 05, B0 62 12", []),
    "data entry": ("B0 63 05, B0 62 12, B0 06 40", [("fine", 0x40)]),
    "the other selector first": ("B0 62 12, B0 63 05, B0 06 40", [("fine", 0x40)]),
    "data again": ("B0 63 05, B0 62 12, B0 06 40, B0 06 41", [("fine", 0x40), ("fine", 0x41)]),
    "one selector alone later": (
        "B0 63 05, B0 62 12, B0 06 40, B0 62 13, B0 06 01, B0 26 02",
        [("fine", 0x40), ("wide", 0x82)],
    ),
    "half a selection": ("B0 63 05, B0 06 40", []),
    "nothing selected": ("B0 06 40", []),
    "null": ("B0 63 05, B0 62 12, B0 65 7F, B0 64 7F, B0 06 40", [("null", 0)]),
    "null leaves nothing behind": (
        "B0 63 05, B0 62 12, B0 65 7F, B0 64 7F, B0 62 12, B0 06 40",
        [("null", 0)],
    ),
    "another number": ("B0 63 05, B0 62 7A, B0 06 40", []),
    "RPN is not NRPN": ("B0 65 05, B0 64 12, B0 06 40", []),
    "back to NRPN by one half": (
        "B0 63 05, B0 62 12, B0 65 00, B0 64 00, B0 62 12, B0 06 40",
        [("fine", 0x40)],
    ),
    "channels apart": ("B0 63 05, B1 62 12, B0 06 40, B1 06 40", []),
    "both halves": ("B0 63 05, B0 62 13, B0 06 40, B0 26 05", [("wide", 0x2005)]),
    "only the low half again": (
        "B0 63 05, B0 62 13, B0 06 40, B0 26 05, B0 26 06",
        [("wide", 0x2005), ("wide", 0x2006)],
    ),
    "the high half clears the low one": (
        "B0 63 05, B0 62 13, B0 06 40, B0 26 05, B0 06 41, B0 60 00",
        [("wide", 0x2005), ("wide", 0x2081)],
    ),
    "the low half alone": ("B0 63 05, B0 62 13, B0 26 05", []),
    "a low part first is cleared by nothing": (
        "B0 63 05, B0 62 23, B0 06 10, B0 26 05, B0 06 11, B0 26 05",
        [("low", 0x290), ("low", 0x291)],
    ),
    "one message, two parameters": (
        "B0 65 00, B0 64 00, B0 06 0C, B0 26 32",
        [("bend", 12), ("cents", 0), ("cents", 50)],
    ),
    "a value out of range": ("B0 65 00, B0 64 00, B0 06 40", [("cents", 0)]),
    "an action": ("B0 63 05, B0 62 20", [("go", 0)]),
    "an action twice": ("B0 63 05, B0 62 20, B0 63 05, B0 62 20", [("go", 0), ("go", 0)]),
    "an action passed by on the way": (
        "B0 63 06, B0 62 20, B0 63 05, B0 62 12, B0 06 01",
        [("fine", 1)],
    ),
    "a fixed byte of one": ("B0 63 05, B0 62 21, B0 06 01, B0 26 07", [("first", 0), ("first", 7)]),
    "a fixed byte of another": (
        "B0 63 05, B0 62 21, B0 06 02, B0 26 07",
        [("second", 0), ("second", 7)],
    ),
    "a fixed byte of neither": ("B0 63 05, B0 62 21, B0 06 03, B0 26 07", []),
    "a fixed byte that has not come": ("B0 63 05, B0 62 21, B0 26 07", []),
    "a fixed byte behind": ("B0 63 05, B0 62 22, B0 06 07, B0 26 05", [("closed", 7)]),
    "a wrong fixed byte behind": ("B0 63 05, B0 62 22, B0 06 07, B0 26 06", []),
    "a pair of controllers": ("B0 07 40, B0 27 05", [("volume", 0x2005)]),
    "a pair, low half again": (
        "B0 07 40, B0 27 05, B0 27 06",
        [("volume", 0x2005), ("volume", 0x2006)],
    ),
    "a value in a hole": ("B0 50 0F", []),
    "a step up over a hole": (
        "B0 63 05, B0 62 12, B0 06 7E, B0 60 00, B0 60 7F",
        [("fine", 0x7E), ("fine", 0x7F), ("fine", 0x7F)],
    ),
    # RP-018: registered 0 steps its low half
    "a step of the low half": (
        "B0 65 00, B0 64 00, B0 06 0C, B0 26 32, B0 61 00",
        [("bend", 12), ("cents", 0), ("cents", 50), ("cents", 49)],
    ),
    "a step of what is not known": ("B0 63 05, B0 62 12, B0 60 00", []),
    "a step of nothing": ("B0 60 00", []),
}


@pytest.mark.parametrize("name", STREAM_ROWS)
def test_a_stream_sets(name: str) -> None:
    text, wanted = STREAM_ROWS[name]
    decoder = codec(PANEL).decoder()
    events = []
    for message in text.split(","):
        found = decoder.feed(bytes.fromhex(message))
        assert found, message
        events += found
    assert values(events) == wanted


REASON_ROWS = [
    ("B0 06 40", "nothing is selected on its channel"),
    ("B0 63 05, B0 06 40", "only half of the number is selected"),
    ("B0 63 05, B0 62 7A, B0 06 40", "the sheet has no NRPN 05 7A (hex) on this channel"),
    ("B0 63 05, B0 62 12, B0 26 40", "fine takes no data by controller 38"),
    ("B0 63 05, B0 62 12, B0 60 40", "it is a step of fine, whose value is not known"),
    ("B0 63 05, B0 62 7A, B0 60 40", "it is a step of NRPN 05 7A, not in the sheet"),
    ("B0 63 05, B0 62 21, B0 06 03", "second wants 02 here, not 03 by controller 6"),
    ("B0 50 0F", "knob would be 15, outside its range 0 to 9 and 20 to 29"),
    ("B0 51 00", "no line for controller 81"),
    ("D0 51", "no line for it"),
    ("F0 7E 00 09 01 F7", "no line for this exclusive message"),
    ("F0 41 00 F7", "another maker's id"),
    ("", "found no bytes"),
    ("05", "status byte 80 to FF first, found 05"),
    ("B0 50", "2 data bytes"),
    ("C0", "1 data byte"),
    ("B0 50 80", "80"),
    ("F0 7D 80 F7", "80"),
    ("F0 7D 01", "F7"),
    ("F0", "F7"),
    ("F4", "no message begins with F4"),
    ("F7", "no message begins with F7"),
    ("FD", "no message begins with FD"),
]


@pytest.mark.parametrize("text, words", REASON_ROWS)
def test_what_is_not_explained_has_its_reason(text: str, words: str) -> None:
    head = HEAD.replace("[module]", '[module]\nmaker_id = "7D"')
    events = feed(codec(PANEL, head).decoder(), text)
    assert isinstance(events[-1], Unexplained)
    assert words in events[-1].reason


def test_selections_are_kept_for_each_source() -> None:
    decoder = codec(PANEL).decoder()
    feed(decoder, "B0 63 05, B0 62 12", source=1)
    feed(decoder, "B0 65 00, B0 64 00", source=2)
    assert values(feed(decoder, "B0 06 05", source=1)) == [("fine", 5)]
    assert values(feed(decoder, "B0 06 05", source=2)) == [("bend", 5), ("cents", 0)]
    assert isinstance(feed(decoder, "B0 06 05", source=3)[0], Unexplained)
    decoder.forget()
    assert isinstance(feed(decoder, "B0 06 05", source=1)[0], Unexplained)


def test_a_step_starts_from_what_the_far_end_holds() -> None:
    decoder = codec(PANEL).decoder(memory({"fine": 10, "wide": 300, "knob": 9}))
    assert values(feed(decoder, "B0 63 05, B0 62 12, B0 60 00")) == [("fine", 11)]
    assert values(feed(decoder, "B0 62 13, B0 61 00")) == [("wide", 299)]
    (event,) = settled(feed(decoder, "B0 60 00"))
    assert isinstance(event, Setting)
    assert event.step == 1


def test_a_low_half_alone_joins_what_the_far_end_holds() -> None:
    decoder = codec(PANEL).decoder(memory({"wide": 0x2005}))
    assert values(feed(decoder, "B0 63 05, B0 62 13, B0 26 07")) == [("wide", 0x2007)]


SWITCHED = (
    parameter("F0 7D 01 vv F7", "kind")
    + parameter("F0 7D 02 vv F7", "long", when={"kind": [1, 2]})
    + parameter("F0 7D 02 vv F7", "short", when={"kind": [0]})
    + parameter("Bn 63 05 62 12 06 vv", "slow", when={"kind": [1]}, **CHANNEL)
    + parameter("Bn 63 05 62 12 06 vv", "fast", when={"kind": [0]}, **CHANNEL)
    + parameter("Bn 50 vv", "up", when={"kind": [1]}, **CHANNEL)
    + parameter("Bn 50 vv", "down", when={"kind": [0]}, **CHANNEL)
)
WHEN_ROWS = [
    ("F0 7D 02 05 F7", "long", "short"),
    ("B0 63 05, B0 62 12, B0 06 05", "slow", "fast"),
    ("B0 50 05", "up", "down"),
]


@pytest.mark.parametrize("text, first, second", WHEN_ROWS)
def test_a_condition_decides_between_two(text: str, first: str, second: str) -> None:
    ours = codec(SWITCHED)

    def found(kind: int | None) -> list[tuple[str, bool]]:
        decoder = ours.decoder(memory({} if kind is None else {"kind": kind}))
        events = feed(decoder, text)
        return [(e.key, e.sure) for e in events if isinstance(e, Setting)]

    assert found(1) == [(first, True)]
    assert found(0) == [(second, True)]
    assert found(None) == [(first, False), (second, False)]
    assert found(9) == [(first, True), (second, True)]  # neither holds: the listener must look


def test_a_condition_that_came_in_the_same_stream_is_known() -> None:
    decoder = codec(SWITCHED).decoder()
    assert values(feed(decoder, "F0 7D 01 02 F7, F0 7D 02 05 F7")) == [("kind", 2), ("long", 5)]
    assert values(feed(decoder, "F0 7D 01 00 F7, B0 50 05")) == [("kind", 0), ("down", 5)]
    decoder.forget()
    assert len(values(feed(decoder, "B0 50 05"))) == 2


def test_a_condition_marks_its_own_parameter_only() -> None:
    body = parameter("F0 7D 01 vv F7", "kind") + parameter("F0 7D 03 vv F7", "y")
    body += parameter("F0 7D 02 vv {y} F7", when={"kind": [1]})
    events = feed(codec(body).decoder(memory({"kind": 0})), "F0 7D 02 05 06 F7")
    assert values(events) == [("x", 5), ("y", 6)]


SEQUENCE = parameter(["F0 7D 01 kk F7", "F0 7D 02 vv F7"], per=["key"]) + parameter(
    "F0 7D 01 05 F7", "five"
).replace("01 05", "03 05")


def test_a_line_of_several_messages_is_complete_at_its_last() -> None:
    decoder = codec(SEQUENCE).decoder()
    (part,) = feed(decoder, "F0 7D 01 3C F7")
    assert isinstance(part, Part)
    assert feed(decoder, "F8")[0] == Plain("clock")
    assert feed(decoder, "F0 7D 02 09 F7") == [Setting("x", 9, None, 0x3C)]
    (late,) = feed(decoder, "F0 7D 02 09 F7")
    assert isinstance(late, Unexplained)
    assert "whose start is missing" in late.reason


def test_a_line_begun_anew_forgets_its_first_start() -> None:
    decoder = codec(SEQUENCE).decoder()
    events = feed(decoder, "F0 7D 01 3C F7, F0 7D 01 3D F7, F0 7D 02 09 F7")
    assert settled(events) == [Setting("x", 9, None, 0x3D)]


def test_sources_and_channels_do_not_mix_their_sequences() -> None:
    decoder = codec(parameter("Bn 50 vh Bn 52 vl", **CHANNEL)).decoder()
    feed(decoder, "B0 50 01, B1 50 02")
    feed(decoder, "B0 50 03", source=1)
    assert settled(feed(decoder, "B1 52 00")) == [Setting("x", 0x100, 2)]
    assert settled(feed(decoder, "B0 52 00")) == [Setting("x", 0x80, 1)]
    assert settled(feed(decoder, "B0 52 00", source=1)) == [Setting("x", 0x180, 1)]


def test_the_last_controller_of_a_line_is_enough_later_while_the_others_hold() -> None:
    decoder = codec(parameter("Bn 14 7A Bn 15 01 Bn 16 vv", **CHANNEL)).decoder()
    assert values(feed(decoder, "B0 14 7A, B0 15 01, B0 16 05, B0 16 06")) == [("x", 5), ("x", 6)]
    assert values(feed(decoder, "B0 15 02, B0 16 07")) == []
    assert values(feed(decoder, "B0 15 01, B0 16 08")) == [("x", 8)]


def test_a_button_pressed_and_let_go_is_a_line_in_order() -> None:
    decoder = codec(parameter("Bn 50 7F Bn 50 00", **CHANNEL)).decoder()
    assert values(feed(decoder, "B0 50 00, B0 50 7F, B0 50 00, B0 50 00")) == [("x", 0)]


def test_another_exclusive_message_between_ends_a_line() -> None:
    decoder = codec(SEQUENCE).decoder()
    assert values(feed(decoder, "F0 7D 01 3C F7, F0 7D 09 F7, F0 7D 02 09 F7")) == []
    assert values(feed(decoder, "F0 7D 01 3C F7, B0 07 64, F0 7D 02 09 F7")) == [("x", 9)]


def test_the_same_message_twice_is_a_line_like_any_other() -> None:
    decoder = codec(parameter(["F0 7D 01 F7", "F0 7D 01 F7"])).decoder()
    events = feed(decoder, "F0 7D 01 F7, F0 7D 01 F7, F0 7D 01 F7, F0 7D 01 F7")
    assert values(events) == [("x", 0), ("x", 0)]


def test_two_digits_tell_a_channel_together_even_in_two_messages() -> None:
    half = "[0, 1, 2, 3, 0, 1, 2, 3, 0, 1, 2, 3, 0, 1, 2, 3]"
    rest = "[0, 0, 0, 0, 1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3]"
    maps = f'[map.a]\nof = "channel"\nvalues = {half}\n[map.b]\nof = "channel"\nvalues = {rest}\n'
    line = ["F0 7D 01 0p F7", "F0 7D 02 0q vv F7"]
    ours = codec(maps + parameter(line, map={"p": "a", "q": "b"}, **CHANNEL))
    for channel in range(1, 17):
        decoder = ours.decoder()
        events = [e for message in ours.encode("x", 9, channel) for e in decoder.feed(message)]
        assert settled(events) == [Setting("x", 9, channel)]


REFUSED_ROWS = [
    (
        parameter("F0 7D id vv F7"),
        "F0 7D 12 05 F7",
        "addressed to device 12, and this module is 10, 11",
    ),
    (
        parameter("F0 7D 4p vv F7", map={"p": "part"}, **CHANNEL),
        "B0 07 00",
        "no line for controller 7",
    ),
    (parameter("F0 7D 0n nn vv F7", **CHANNEL), "F0 7D 01 02 05 F7", "channel 2 and channel 3"),
    (parameter("F0 7D kk kk vv F7", per=["key"]), "F0 7D 01 02 05 F7", "key 1 and key 2"),
    (parameter("F0 7D t*2 F7", type="text"), "F0 7D 41 07 F7", "no ASCII character"),
    (
        parameter("F0 7D t*2 F7", type="list", range=[0, 9]),
        "F0 7D 09 0A F7",
        "10 is outside the range 0 to 9",
    ),
]


@pytest.mark.parametrize("body, text, words", REFUSED_ROWS)
def test_what_fits_and_can_not_be_taken_says_why(body: str, text: str, words: str) -> None:
    (event,) = feed(codec(body).decoder(), text)
    assert isinstance(event, Unexplained)
    assert words in event.reason


def test_every_device_of_the_list_is_listened_to() -> None:
    decoder = codec(parameter("F0 7D id vv F7")).decoder()
    assert values(feed(decoder, "F0 7D 10 05 F7, F0 7D 11 06 F7")) == [("x", 5), ("x", 6)]


PLAIN_ROWS: list[tuple[str, Event]] = [
    ("90 3C 40", Note(1, 60, 64)),
    ("9F 3C 00", Note(16, 60, 0)),
    ("80 3C 40", Note(1, 60, 0)),
    ("F8", Plain("clock")),
    ("FE", Plain("active sensing")),
    ("F2 10 00", Plain("song position")),
    ("F6", Plain("tune request")),
    # MIDI 1.0 Detailed Specification 4.2.1, p. 40: a device answers 7F whatever its own id
    ("F0 7E 7F 06 01 F7", Request("")),
    ("F0 7E 10 06 01 F7", Request("")),
]


@pytest.mark.parametrize("text, event", PLAIN_ROWS)
def test_messages_of_the_standard_need_no_line(text: str, event: Event) -> None:
    assert feed(codec(PANEL).decoder(), text) == [event]


def test_a_note_that_a_line_names_is_a_setting_and_others_stay_notes() -> None:
    decoder = codec(parameter("9n 18 vv", **CHANNEL)).decoder()
    assert feed(decoder, "90 18 40, 90 19 40") == [Setting("x", 64, 1), Note(1, 25, 64)]


def test_a_program_has_its_bank_and_name() -> None:
    body = '[programs]\nline = "Bn 00 bh 20 bl Cn pp"\n'
    body += table("program", {"number": 3, "name": "Reed", "bank": [1, 2]})
    decoder = codec(body).decoder()
    events = feed(decoder, "B4 00 01, B4 20 02, C4 02, C4 03, C5 02")
    assert settled(events) == [
        ProgramSet(5, 3, (1, 2), "Reed"),
        ProgramSet(5, 4, (1, 2), ""),
        ProgramSet(6, 3, (0, 0), ""),
    ]


DUMP = (
    table(
        "block",
        {
            "key": "d",
            "line": "F0 7D id 12 0n [ data* ] cs F7",
            "request": "F0 7D id 11 0n F7",
            "packing": "7-in-8",
            "size": 8,
            "checksum": "negated",
        },
    )
    + table(
        "block",
        {"key": "e", "line": "F0 7D id 12 0n [ data* ] cs F7", "size": 3, "checksum": "xor"},
    )
    + parameter("F0 7D 20 0n vv F7", "a", at={"block": "d", "byte": 0, "bits": "7-1"}, **CHANNEL)
    + parameter(
        "F0 7D 21 0n vh vl F7",
        "b",
        coding="twos",
        at=[{"block": "d", "byte": 1, "bits": "5-0"}, {"block": "d", "byte": 2, "bits": "7-0"}],
        **CHANNEL,
    )
    + parameter(
        "F0 7D 22 0n t*3 F7",
        "name",
        type="text",
        at=[{"block": "d", "byte": i, "bits": "6-0"} for i in (3, 4, 5)],
        **CHANNEL,
    )
    + parameter("F0 7D 23 0n vv F7", "g", range=[0, 9], at={"block": "d", "byte": 6}, **CHANNEL)
)
DATA = bytes([0x81, 0x3F, 0xFE, 0x41, 0x62, 0x20, 0x0A, 0x00])


def test_a_dump_is_unpacked_and_what_stands_in_it_is_told() -> None:
    ours = codec(DUMP)
    (message,) = ours.dump(ours.sheet.blocks[0], DATA, 3)
    (dump,) = ours.decoder().feed(message)
    # 81 >> 1 = 40h; 3F FE over 14 bits is -2; 41 62 20 is "Ab"; 0A is outside 0 to 9, so not told
    assert dump == Dump(
        "d", DATA, (Setting("a", 0x40, 3), Setting("b", -2, 3), Setting("name", "Ab", 3))
    )


def test_of_two_dumps_with_one_frame_the_size_decides() -> None:
    ours = codec(DUMP)
    (message,) = ours.dump(ours.sheet.blocks[1], bytes(3), 3)
    (dump,) = ours.decoder().feed(message)
    assert isinstance(dump, Dump)
    assert dump.block == "e"


DUMP_REASONS = [
    ("F0 7D 10 12 00 00 F7", "came with 0 bytes instead of"),
    ("F0 7D 10 12 00 7F 7F 7F 7F 00 F7", "the packed data end inside a group"),
    ("F0 7D 12 12 00 00 00 F7", "addressed to device 12"),
]


@pytest.mark.parametrize("text, words", DUMP_REASONS)
def test_a_dump_that_can_not_be_taken_says_why(text: str, words: str) -> None:
    events = feed(codec(DUMP).decoder(), text)
    assert all(isinstance(event, Unexplained) for event in events)
    assert any(words in event.reason for event in events if isinstance(event, Unexplained))


def test_a_dump_with_a_wrong_checksum_is_not_believed() -> None:
    ours = codec(DUMP)
    (message,) = ours.dump(ours.sheet.blocks[0], DATA)
    spoiled = bytearray(message)
    spoiled[-2] ^= 1
    reasons = [e.reason for e in ours.decoder().feed(bytes(spoiled)) if isinstance(e, Unexplained)]
    assert any("its checksum is" in reason for reason in reasons)


def test_a_request_is_told_with_its_channel() -> None:
    assert feed(codec(DUMP).decoder(), "F0 7D 10 11 02 F7") == [Request("d", 3)]


def test_unknown_selections_are_not_kept() -> None:
    """A hostile stream must not fill the memory."""
    decoder = codec(PANEL).decoder()
    for high in range(20):
        for low in range(100):
            feed(decoder, f"B0 63 {high + 0x20:02X}, B0 62 {low:02X}, B0 06 01, B0 26 01")
    assert len(decoder._controls._held) == 0


def test_a_decoder_keeps_nothing_of_another() -> None:
    ours: Codec = codec(PANEL)
    first, second = ours.decoder(), ours.decoder()
    feed(first, "B0 63 05, B0 62 12")
    assert isinstance(feed(second, "B0 06 05")[0], Unexplained)
