"""Typed values: raw, hex, choices, shown values with their unit; what is refused and how."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import EncodeError
from tests.core.codec.small import codec, parameter

BODY = (
    parameter("F0 7D 01 vv F7", "plain")
    + parameter("F0 7D 02 vv F7", "kind", choices={0: "room", 1: "large room", 2: "stage", 9: "2"})
    + parameter("F0 7D 03 vv F7", "level", shown={"formula": "v - 64"})
    + parameter("F0 7D 04 vv F7", "gain", shown={"formula": "(v - 64) / 2", "unit": "dB"})
    + parameter("F0 7D 05 vh vl F7", "time", unit="ms", range=[0, 1000])
    + parameter("F0 7D 06 vv F7", "signed", coding="offset")
    + parameter("F0 7D 07 F7", "go")
    + parameter("F0 7D 08 t*4 F7", "name", type="text")
    + parameter("F0 7D 09 t*3 F7", "scale", type="list", coding="offset")
    + parameter("F0 7D 0A t*1 F7", "on", type="mask")
    + parameter("F0 7D 0B vv F7", "twice", choices={0: "a", 1: "A"})
    + parameter("F0 7D 0C vv F7", "digits", choices={0: "1", 1: "0"})
    + parameter("F0 7D 0D vv F7", "hexed", choices={0: "1ah", 26: "x", 5: "fade"})
)
CODEC = codec(BODY)

ROWS: list[tuple[str, str, object]] = [
    ("plain", "5", 5),
    ("plain", " 5 ", 5),
    ("plain", "40h", 64),
    ("plain", "0x40", 64),
    ("plain", "$40", 64),
    ("plain", "raw 5", 5),
    ("plain", "RAW 40h", 64),
    ("plain", "5.0", 5),
    ("kind", "room", 0),
    ("kind", "Large Room", 1),
    ("kind", "sta", 2),
    ("kind", "1", 1),
    ("kind", "raw 2", 2),
    ("level", "5", 5),
    ("level", "raw 5", 5),
    ("gain", "5", 5),
    ("gain", "+3 dB", 70),
    ("gain", "-32dB", 0),
    ("gain", "-1.5 db", 61),
    ("time", "5", 5),
    ("time", "5 ms", 5),
    ("time", "0.5 s", 500),
    ("signed", "-5", -5),
    ("signed", "+5", 5),
    ("go", "do", 0),
    ("go", "", 0),
    ("go", "0", 0),
    ("name", "Abc", "Abc"),
    ("scale", "-3, 0 5", (-3, 0, 5)),
    ("on", "1, 7", (1, 7)),
    ("on", "none", ()),
    ("on", "", ()),
]


@pytest.mark.parametrize("key, text, raw", ROWS)
def test_a_typed_value_has_its_raw_value(key: str, text: str, raw: object) -> None:
    assert CODEC.parse(key, text) == raw


REFUSED_ROWS = [
    ("plain", "128", "plain: 128 is outside the range 0 to 127"),
    ("plain", "-1", "outside the range"),
    ("plain", "x", "'x' is no value of plain"),
    ("plain", "5.5", "takes whole numbers, not 5.5"),
    ("plain", "5 ms", "its unit is no unit"),
    ("plain", "1e999", "too large"),
    ("plain", "1,000", "two ways"),
    ("plain", "raw x", "no raw number"),
    ("plain", "\x1b[2J", "no value"),
    ("kind", "r", "fits several choices: room (0), large room (1)"),
    ("kind", "2", "is the choice '2' (raw 9) and also the number 2"),
    ("kind", "hall", "choices: 0 room, 1 large room, 2 stage, 9 2"),
    ("gain", "3 s", "its unit is dB"),
    ("gain", "0.25 dB", "lies as near to"),
    ("gain", "99 dB", "gain: 99 dB is outside the range 0 to 127 (shown -32 dB to +31.5 dB)"),
    ("time", "2 s", "time: 2000 is outside the range 0 to 1000"),
    ("time", "1e999 ms", "too large"),
    ("go", "1", "is an action"),
    ("twice", "a", "names 2 choices of twice: raw 0, 1"),
    ("digits", "1", "is the choice '1' (raw 0) and also the number 1"),
    ("hexed", "1ah", "is the choice '1ah' (raw 0) and also the number 26"),
    ("scale", "1, x", "takes whole numbers parted by commas"),
]


@pytest.mark.parametrize("key, text, words", REFUSED_ROWS)
def test_what_is_no_value_is_refused(key: str, text: str, words: str) -> None:
    with pytest.raises(EncodeError) as caught:
        CODEC.parse(key, text)
    assert words in str(caught.value)


SPELL_ROWS: list[tuple[str, object, str]] = [
    ("plain", 5, "5"),
    ("kind", 1, "large room"),
    ("kind", 5, "5"),
    ("level", 70, "+6"),
    ("gain", 0, "-32 dB"),
    ("time", 5, "5 ms"),
    ("go", 0, "do"),
    ("name", "Ab", "'Ab'"),
    ("scale", (1, -2, 3), "1, -2, 3"),
    ("on", (), "none"),
]


@pytest.mark.parametrize("key, raw, text", SPELL_ROWS)
def test_a_raw_value_is_spelled(key: str, raw: int, text: str) -> None:
    assert CODEC.spell(key, raw) == text


# "kind" and "digits" have names that are numbers, "level" is raw without a sign: docs/reference.
@given(st.sampled_from(["plain", "gain", "time", "signed"]), st.integers(-64, 1000))
def test_what_is_spelled_is_understood(key: str, raw: int) -> None:
    if CODEC.parameters[key].allows(raw):
        assert CODEC.parse(key, CODEC.spell(key, raw)) == raw


@given(
    st.sampled_from(sorted(CODEC.parameters)),
    st.text(max_size=12) | st.text("0123456789.,+-eEhx$ raw", max_size=9),
)
def test_any_text_is_an_allowed_value_or_refused(key: str, text: str) -> None:
    try:
        raw = CODEC.parse(key, text)
    except EncodeError:
        return
    parameter = CODEC.parameters[key]
    assert parameter.type or (isinstance(raw, int) and parameter.allows(raw))
