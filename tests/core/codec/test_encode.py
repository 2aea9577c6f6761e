"""One row, four checks: encoded, decoded whole, decoded byte by byte, and sized."""

from __future__ import annotations

from typing import Any

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.events import ProgramSet, Setting
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import EncodeError, KnobwrightError, NamingError, QuestionError
from knobwright.core.wire import Message, Splitter
from tests.core.codec.small import HEAD, SUMS, checked, codec, hexed, memory, parameter, table

CHANNEL: dict[str, Any] = {"per": ["channel"]}
KEY: dict[str, Any] = {"per": ["key"]}
BOTH: dict[str, Any] = {"per": ["channel", "key"]}
Y = parameter("F0 7D 7C vh vl F7", "y", default=300)

# line, keys, value, channel, key number -> bytes; worked by hand from docs/reference/sheet.md
ROWS: list[tuple[Any, dict[str, Any], Any, int, int | None, str]] = [
    # MIDI 1.0 Detailed Specification 4.2.1, p. 17 and 18: selector bytes, then data entry 6 and 38
    ("Bn 63 01 62 08 06 vv", CHANNEL, 0x40, 1, None, "B0 63 01, B0 62 08, B0 06 40"),
    ("Bn 65 00 64 00 06 vv 26 00", CHANNEL, 12, 1, None, "B0 65 00, B0 64 00, B0 06 0C, B0 26 00"),
    ("Bn 64 02 65 00 06 vv", CHANNEL, 64, 16, None, "BF 64 02, BF 65 00, BF 06 40"),
    (
        "Bn 65 00 64 01 06 vh 26 vl",
        CHANNEL,
        8192,
        3,
        None,
        "B2 65 00, B2 64 01, B2 06 40, B2 26 00",
    ),
    ("Bn 65 7F 64 7F", CHANNEL, 0, 2, None, "B1 65 7F, B1 64 7F"),
    ("Bn 63 18 62 kk 06 vv", BOTH, 5, 10, 36, "B9 63 18, B9 62 24, B9 06 05"),
    (
        "Bp 63 05 62 12 06 vv",
        {**CHANNEL, "map": {"p": "part"}},
        7,
        10,
        None,
        "B0 63 05, B0 62 12, B0 06 07",
    ),
    ("Bn 07 vh 27 vl", CHANNEL, 16383, 1, None, "B0 07 7F, B0 27 7F"),
    ("Bn 4A vv", CHANNEL, 100, 5, None, "B4 4A 64"),
    ("B3 4A vv", {}, 100, 1, None, "B3 4A 64"),
    ("Bn 78 00", CHANNEL, 0, 4, None, "B3 78 00"),
    # p. 19: pitch bend, low part first; 00 40 is the centre
    ("En vl vh", CHANNEL, 8192, 1, None, "E0 00 40"),
    ("An kk vv", BOTH, 9, 1, 60, "A0 3C 09"),
    ("Dn vv", CHANNEL, 9, 16, None, "DF 09"),
    ("9n 18 vv", CHANNEL, 9, 1, None, "90 18 09"),
    # p. 57: master volume, low part first
    ("F0 7F 7F 04 01 vl vh F7", {}, 16383, 1, None, "F0 7F 7F 04 01 7F 7F F7"),
    ("F6", {}, 0, 1, None, "F6"),
    ("F3 vv", {}, 5, 1, None, "F3 05"),
    ("F0 7D id 30 vv F7", {}, 5, 1, None, "F0 7D 10 30 05 F7"),
    ("F0 7D 1i 30 vv F7", {}, 5, 1, None, "F0 7D 10 30 05 F7"),
    ("F0 7D 0n vv F7", CHANNEL, 5, 16, None, "F0 7D 0F 05 F7"),
    ("F0 7D nn vv F7", CHANNEL, 5, 16, None, "F0 7D 0F 05 F7"),
    ("F0 7D 4p vv F7", {**CHANNEL, "map": {"p": "part"}}, 5, 10, None, "F0 7D 40 05 F7"),
    ("F0 7D 4p vv F7", {**CHANNEL, "map": {"p": "part"}}, 5, 1, None, "F0 7D 41 05 F7"),
    ("F0 7D kk vv F7", KEY, 5, 1, 127, "F0 7D 7F 05 F7"),
    ("F0 7D xx vv F7", {**KEY, "map": {"x": "turned"}}, 5, 1, 127, "F0 7D 00 05 F7"),
    ("F0 7D v3 v2 v1 v0 F7", {}, 0xBEEF, 1, None, "F0 7D 0B 0E 0E 0F F7"),
    ("F0 7D 0v F7", {}, 9, 1, None, "F0 7D 09 F7"),
    ("F0 7D 5v F7", {}, 9, 1, None, "F0 7D 59 F7"),
    ("F0 7D v:9-7 v:6-0 F7", {}, 1000, 1, None, "F0 7D 07 68 F7"),
    ("F0 7D v:20-14 v:13-7 v:6-0 F7", {}, 0x45 << 14, 1, None, "F0 7D 45 00 00 F7"),
    ("F0 7D 7B vv {y:13-7} {y:6-0} F7", {}, 5, 1, None, "F0 7D 7B 05 02 2C F7"),
    (["F0 7D 01 02 F7", "F0 7D 02 vv F7"], {}, 5, 1, None, "F0 7D 01 02 F7, F0 7D 02 05 F7"),
    (["F0 7D 01 vv F7", "F0 F7"], {}, 5, 1, None, "F0 7D 01 05 F7, F0 F7"),
    (["F0 7D 01 3v F7", "F6"], {}, 5, 1, None, "F0 7D 01 35 F7, F6"),
    (
        ["F0 7D 01 vh F7", "F0 7D 4p 02 vl F7"],
        {**CHANNEL, "map": {"p": "part"}},
        300,
        10,
        None,
        "F0 7D 01 02 F7, F0 7D 40 02 2C F7",
    ),
    (
        "Bn 63 05 62 12 06 v1 26 v0",
        CHANNEL,
        0xAB,
        1,
        None,
        "B0 63 05, B0 62 12, B0 06 0A, B0 26 0B",
    ),
    (["Bn 50 01", "F0 7D 0n vv F7"], CHANNEL, 5, 2, None, "B1 50 01, F0 7D 01 05 F7"),
    ("Bn 50 vh Bn 52 vl", CHANNEL, 300, 2, None, "B1 50 02, B1 52 2C"),
    ("F0 7D t*5 F7", {"type": "text"}, "Abc", 1, None, "F0 7D 41 62 63 20 20 F7"),
    ("F0 7D t*3 F7", {"type": "list"}, (0, 64, 127), 1, None, "F0 7D 00 40 7F F7"),
    (
        "F0 7D t*3 F7",
        {"type": "list", "coding": "offset"},
        (-64, 0, 63),
        1,
        None,
        "F0 7D 00 40 7F F7",
    ),
    ("F0 7D t*2 F7", {"type": "mask"}, (1, 7, 8, 14), 1, None, "F0 7D 41 41 F7"),
    ("F0 7D t*2 F7", {"type": "mask"}, (), 1, None, "F0 7D 00 00 F7"),
]


@pytest.mark.parametrize("line, keys, value, channel, note, wanted", ROWS)
def test_one_row_four_checks(
    line: str | list[str],
    keys: dict[str, Any],
    value: Any,
    channel: int,
    note: int | None,
    wanted: str,
) -> None:
    ours = codec(parameter(line, **keys) + (Y if "{y" in str(line) else ""))
    current = memory({"y": 300})
    messages = ours.encode("x", value, channel, note, current)
    assert hexed(messages) == wanted

    x = ours.parameters["x"]
    place = (channel if "channel" in x.per else None, note if "key" in x.per else None)
    decoder = ours.decoder(current)
    events = [event for message in messages for event in decoder.feed(message)]
    ours_only = [e for e in events if isinstance(e, Setting) and e.key == "x"]
    assert [(e.value, (e.channel, e.note)) for e in ours_only][-1] == (value, place)

    splitter = Splitter()
    found = [item for byte in b"".join(messages) for item in splitter.feed(bytes((byte,)))]
    assert [item.data for item in found if isinstance(item, Message)] == list(messages)

    assert x.routes[0].template.line.n_bytes == sum(map(len, messages))


BAD_ROWS = [
    (parameter("F0 7D vv F7", range=[0, 10]), {"value": 11}, "x: 11 is outside the range 0 to 10"),
    (parameter("F0 7D vv F7", range=[0, 10]), {"value": -1}, "outside the range"),
    (parameter("F0 7D vv F7", range=[[0, 3], [8, 9]]), {"value": 5}, "0 to 3 and 8 to 9"),
    (
        parameter("F0 7D vv F7", shown={"formula": "v - 64", "unit": "dB"}),
        {"value": 128},
        "128 is outside the range 0 to 127 (shown -64 dB to +63 dB)",
    ),
    (parameter("F0 7D vv F7", choices={0: "off", 1: "on"}), {"value": 2}, "choices: 0 off, 1 on"),
    (parameter("F0 7D vv F7"), {"value": True}, "takes a whole number"),
    (parameter("F0 7D vv F7"), {"value": 1.0}, "takes a whole number"),
    (parameter("F0 7D vv F7"), {"value": "1"}, "takes a whole number"),
    (parameter("F0 7D 01 F7"), {"value": 1}, "outside the range 0"),
    (parameter("Bn 07 vv", **CHANNEL), {"value": 1, "channel": 0}, "there is no channel 0"),
    (parameter("Bn 07 vv", **CHANNEL), {"value": 1, "channel": 17}, "there is no channel 17"),
    (parameter("F0 7D kk vv F7", **KEY), {"value": 1}, "set for one key at a time"),
    (parameter("F0 7D kk vv F7", **KEY), {"value": 1, "note": 128}, "0 to 127, not 128"),
    (parameter("F0 7D 05 F7", danger="erases"), {"value": 0}, "marked as dangerous: erases"),
    (parameter("F0 7D t*3 F7", type="text"), {"value": "four"}, "4 characters, and 3 fit"),
    (parameter("F0 7D t*3 F7", type="text"), {"value": "é"}, "can't be sent"),
    (parameter("F0 7D t*3 F7", type="text"), {"value": "\x80"}, "can't be sent"),
    (parameter("F0 7D t*3 F7", type="text"), {"value": 5}, "takes a text"),
    (parameter("F0 7D t*3 F7", type="list"), {"value": (1, 2)}, "takes 3 numbers, not 2"),
    (parameter("F0 7D t*3 F7", type="list"), {"value": (1, 2, 128)}, "128 is outside"),
    (parameter("F0 7D t*3 F7", type="list"), {"value": (1, 2, "3")}, "takes whole numbers"),
    (parameter("F0 7D t*3 F7", type="list"), {"value": 5}, "takes a list"),
    (parameter("F0 7D t*1 F7", type="mask"), {"value": (8,)}, "8 is outside the range 1 to 7"),
    (parameter("F0 7D t*1 F7", type="mask"), {"value": (0,)}, "0 is outside the range 1 to 7"),
    (
        parameter("F0 7D 01 vv F7", "y") + parameter("F0 7D 02 vv {y} F7"),
        {"value": 1},
        "y, whose value is not known",
    ),
]


@pytest.mark.parametrize("body, call, words", BAD_ROWS)
def test_what_can_not_be_sent_is_refused(body: str, call: dict[str, Any], words: str) -> None:
    with pytest.raises(EncodeError) as caught:
        codec(body).encode("x", **call)
    assert words in str(caught.value)


def test_a_current_value_out_of_range_is_never_sent_beside_another() -> None:
    ours = codec(parameter("F0 7D 01 vv F7", "y", range=[0, 9]) + parameter("F0 7D 02 vv {y} F7"))
    with pytest.raises(EncodeError, match="y: 10 is outside"):
        ours.encode("x", 1, current=memory({"y": 10}))


def test_a_dangerous_line_is_sent_when_asked_for_twice() -> None:
    ours = codec(parameter("F0 7D 05 F7", danger="erases"))
    assert hexed(ours.encode("x", 0, danger=True)) == "F0 7D 05 F7"


def test_the_channels_of_the_module_are_the_only_ones() -> None:
    head = 'format = 1\n[module]\nname = "A"\nchannels = "1-4, 10"\n'
    ours = codec(parameter("Bn 07 vv", **CHANNEL), head)
    assert hexed(ours.encode("x", 1, 10)) == "B9 07 01"
    with pytest.raises(EncodeError, match="no channel 5"):
        ours.encode("x", 1, 5)


def test_an_unknown_key_is_said() -> None:
    with pytest.raises(NamingError, match="no parameter has the key 'y'"):
        codec(parameter("F0 7D vv F7")).encode("y", 0)


ABOUT_ROWS = [
    ("x", ""),
    ("x/range", ""),
    ("checksum.negated", ""),
    ("map.part", ""),
    ("module", ""),
    ("block.d", ""),
    ("y", ""),
    ("nothing", "x"),
    ("nothing", "x/line"),
]


@pytest.mark.parametrize("about, also", ABOUT_ROWS)
def test_nothing_is_sent_while_a_question_is_open(about: str, also: str) -> None:
    body = table("block", {"key": "d", "line": "F0 7D 60 data* F7"})
    body += parameter("F0 7D 61 vv F7", "y", default=0)
    body += parameter(
        "F0 7D id [ 4p vv {y} ] cs F7", per=["channel"], map={"p": "part"}, checksum="negated"
    ) + parameter("F0 7D 62 vv F7", "z", at={"block": "d", "byte": 1})
    keys = {"about": about, "place": "page 4", "understood": "u", "choices": {"yes": "so"}}
    body += table("question", keys | ({"also": [also]} if also else {}))
    ours = Codec(checked(body).require())
    key = "z" if about == "block.d" else "x"
    with pytest.raises(QuestionError) as caught:
        ours.encode(key, 0)
    assert "open question: u [yes: so]" in caught.value.message
    assert caught.value.where == "page 4"


def test_programs_are_chosen_with_their_bank() -> None:
    body = '[programs]\nline = "Bn 00 bh 20 bl Cn pp"\nfirst = 1\n'
    body += table("program", {"number": 128, "name": "Last", "bank": [1, 2]})
    ours = codec(body)
    (last,) = ours.sheet.program
    assert hexed(ours.program(last, 10)) == "B9 00 01, B9 20 02, C9 7F"
    for number, bank, channel in (
        (0, (0, 0), 1),
        (129, (0, 0), 1),
        (1, (128, 0), 1),
        (1, (0, 0), 17),
    ):
        with pytest.raises(EncodeError):
            ours.program_bytes(number, bank, channel)


def test_a_fixed_bank_is_the_bank_of_every_program() -> None:
    body = '[programs]\nline = "Bn 00 57 Cn pp"\n' + table("program", {"number": 1, "name": "One"})
    ours = codec(body)
    (one,) = ours.sheet.program
    assert one.bank == (0x57, 0)
    decoder = ours.decoder()
    events = [event for message in ours.program(one) for event in decoder.feed(message)]
    assert events[-1] == ProgramSet(1, 1, (0x57, 0), "One")


def test_a_dump_is_packed_and_its_checksum_runs_where_the_sheet_says() -> None:
    body = '[checksum.inside]\nrule = "sum-7"\nover = "unpacked"\n'
    body += table(
        "block",
        {
            "key": "d",
            "line": "F0 7D id [ data* ] cs F7",
            "packing": "7-in-8",
            "size": 3,
            "checksum": "inside",
        },
    ) + table(
        "block",
        {
            "key": "e",
            "line": "F0 7D 55 [ 01 data* ] cs F7",
            "packing": "nibbles",
            "checksum": "xor",
        },
    )
    ours = codec(body)
    d, e = ours.sheet.blocks
    # FF 00 80 packs to 50 7F 00 00; FF + 00 + 80 = 383, mod 128 = 127
    assert hexed(ours.dump(d, b"\xff\x00\x80")) == "F0 7D 10 50 7F 00 00 7F F7"
    # 01 xor 04 xor 0A = 0F
    assert hexed(ours.dump(e, b"\x4a")) == "F0 7D 55 01 04 0A 0F F7"
    with pytest.raises(EncodeError, match="d has 3 bytes, not 2"):
        ours.dump(d, b"\x00\x00")


def test_a_request_and_a_setup_are_sent_as_written() -> None:
    body = table("setup", {"line": "F0 7E 7F 09 01 F7", "rest_ms": 100})
    body += table("setup", {"line": "F0 7D id 00 F7", "danger": "all"})
    body += table("block", {"key": "d", "line": "F0 7D 5B data* F7", "request": "F0 7D id 5A F7"})
    body += table("block", {"key": "e", "line": "F0 7D 5C data* F7"})
    ours = codec(body)
    assert hexed(ours.request(ours.sheet.blocks[0])) == "F0 7D 10 5A F7"
    assert ours.setup() == (((bytes.fromhex("F0 7E 7F 09 01 F7"),), 100),)
    with pytest.raises(EncodeError, match="no request for e"):
        ours.request(ours.sheet.blocks[1])


def test_another_device_is_addressed() -> None:
    sheet = checked(parameter("F0 7D id 1i vv F7"), HEAD).require()
    assert hexed(Codec(sheet, device=0x7F).encode("x", 1)) == "F0 7D 7F 1F 01 F7"
    with pytest.raises(EncodeError, match="a device id is 00 to 7F"):
        Codec(sheet, device=0x80)


@given(st.integers(0, 127), st.integers(1, 16))
def test_channel_messages_are_those_of_mido(value: int, channel: int) -> None:
    """mido as an independent encoder."""
    body = parameter("Bn 4A vv", "cc", **CHANNEL) + parameter("Dn vv", "touch", **CHANNEL)
    body += parameter("An 3C vv", "poly", **CHANNEL) + parameter("En vl vh", "bend", **CHANNEL)
    ours = codec(body, HEAD + SUMS)
    ch = channel - 1
    rows = [
        ("cc", value, mido.Message("control_change", channel=ch, control=74, value=value)),
        ("touch", value, mido.Message("aftertouch", channel=ch, value=value)),
        ("poly", value, mido.Message("polytouch", channel=ch, note=60, value=value)),
        ("bend", value * 128, mido.Message("pitchwheel", channel=ch, pitch=value * 128 - 8192)),
    ]
    for key, raw, message in rows:
        assert ours.encode(key, raw, channel) == (bytes(message.bytes()),)


@given(
    st.sampled_from([row[0] for row in ROWS]), st.integers() | st.text(max_size=3), st.integers()
)
def test_no_value_and_no_channel_gives_a_wrong_byte(
    line: str | list[str], value: int | str, channel: int
) -> None:
    keys = next(row[1] for row in ROWS if row[0] == line)
    ours = codec(parameter(line, **keys) + (Y if "{y" in str(line) else ""))
    try:
        messages = ours.encode("x", value, channel, channel)
    except KnobwrightError:
        return
    for message in messages:
        inside = message[1:-1] if message[0] == 0xF0 else message[1:]
        assert message[0] >= 0x80
        assert not any(byte > 0x7F for byte in inside)


_DOUBT = """
format = 1
[module]
name = "Doubt"
device_ids = ["10"]
[checksum.body]
rule = "negated-sum-7"
[[block]]
key = "sound"
request = "F0 7D id 11 00 F7"
line = "F0 7D id 12 [ data* ] cs F7"
size = 2
{danger}
{question}
"""
_QUESTION = """
[[question]]
about = "{about}"
place = "row 1"
understood = "?"
choices = {{ yes = "yes" }}
"""


@pytest.mark.parametrize("about", ["block.sound", "checksum.body", "module"])
def test_a_block_in_doubt_is_neither_asked_for_nor_sent(about: str) -> None:
    text = _DOUBT.format(danger="", question=_QUESTION.format(about=about))
    made = Codec(check_sheet(text).require())
    (block,) = made.sheet.blocks
    with pytest.raises(QuestionError, match="open question"):
        made.request(block)
    with pytest.raises(QuestionError, match="open question"):
        made.dump(block, b"\0\0")


def test_a_dangerous_block_is_not_sent() -> None:
    made = Codec(check_sheet(_DOUBT.format(danger='danger = "erases"', question="")).require())
    (block,) = made.sheet.blocks
    with pytest.raises(EncodeError, match="dangerous: erases"):
        made.dump(block, b"\0\0")


def test_a_bank_that_the_line_has_no_place_for_is_refused() -> None:
    """A fixed bank byte must not stand in silence for another one that was asked for."""
    text = SMALL_PROGRAMS
    codec = Codec(check_sheet(text).require())
    assert [m.hex() for m in codec.program_bytes(1, (3, 0))] == ["b00003", "b02000", "c000"]
    with pytest.raises(EncodeError, match="can't choose program 1 of bank 3, 1"):
        codec.program_bytes(1, (3, 1))


SMALL_PROGRAMS = """
format = 1
[module]
name = "Quince 9"
maker_id = "7D"
[programs]
line = "Bn 00 bh 20 00 Cn pp"
first = 1
"""
