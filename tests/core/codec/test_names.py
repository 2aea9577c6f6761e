"""Parameters are found by what a person calls them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.codec.names import find, fold
from knobwright.core.errors import NamingError
from tests.core.codec.small import codec, parameter

BODY = (
    parameter("F0 7D 01 vv F7", "tone.brightness", label="Brightness", section="Tone")
    + parameter("F0 7D 02 vv F7", "hall.time", label="Time", section="Hall")
    + parameter("F0 7D 03 vv F7", "echo.time", label="Time", section="Echo")
    + parameter("F0 7D 04 vv F7", "hall.level", label="Hall level", section="Hall")
    + parameter("F0 7D 05 vv F7", "hall", label="Hall kind", section="Hall")
    + parameter("F0 7D 06 vv F7", "filter.q", label="Filter Güte", section="Filter")
)
CODEC = codec(BODY)

ROWS = [
    ("tone.brightness", "tone.brightness"),
    ("Tone.Brightness", "tone.brightness"),
    ("brightness", "tone.brightness"),
    ("BRIGHT", "tone.brightness"),
    ("ightn", "tone.brightness"),
    ("tone bri", "tone.brightness"),
    ("hall time", "hall.time"),
    ("echo time", "echo.time"),
    ("hall", "hall"),
    ("hall lev", "hall.level"),
    ("filter gute", "filter.q"),
    ("gu\u0308te", "filter.q"),
]


@pytest.mark.parametrize("name, key", ROWS)
def test_a_name_finds_its_parameter(name: str, key: str) -> None:
    assert CODEC.find(name).key == key


def test_a_name_that_fits_several_lists_them() -> None:
    with pytest.raises(NamingError) as caught:
        CODEC.find("time")
    assert caught.value.candidates == ("hall.time", "echo.time")
    assert "fits 2 parameters: hall.time, echo.time" in str(caught.value)


def test_a_name_that_fits_nothing_gets_a_suggestion() -> None:
    with pytest.raises(NamingError) as caught:
        CODEC.find("brihgtness")
    assert "did you mean tone.brightness?" in str(caught.value)


@pytest.mark.parametrize("name", ["", " ", "--", "\x1b[2J"])
def test_a_name_of_nothing_finds_nothing(name: str) -> None:
    with pytest.raises(NamingError) as caught:
        CODEC.find(name)
    assert "\x1b" not in str(caught.value)


@given(st.text(max_size=20))
def test_any_name_finds_one_parameter_or_a_naming_error(name: str) -> None:
    assert fold(fold(name)) == fold(name)
    try:
        said = find(CODEC.sheet.parameters, name).key
    except NamingError as error:
        said = str(error)
    assert said.isprintable()
