"""Shown values: what a person reads for a raw value, and the way back."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.codec.shown import Scale, to_number
from knobwright.core.errors import EncodeError
from tests.core.codec.small import codec, parameter


def scale(formula: str = "v", line: str = "F0 7D vv F7", **keys: Any) -> Scale:
    shown: dict[str, Any] = {
        "formula": formula,
        **{k: keys.pop(k) for k in ("unit", "digits") if k in keys},
    }
    return codec(parameter(line, shown=shown, **keys)).scale("x")


# formula, keys, raw -> text
TEXT_ROWS = [
    ("v", {}, 5, "5"),
    ("v", {"unit": "ms"}, 5, "5 ms"),
    ("v - 64", {}, 0, "-64"),
    ("v - 64", {}, 64, "0"),
    ("v - 64", {}, 65, "+1"),
    ("v - 64", {"unit": "dB"}, 127, "+63 dB"),
    ("v / 10", {}, 5, "0.5"),
    ("v / 10", {"digits": 2}, 5, "0.50"),
    ("v / 3", {}, 1, "0.3333"),
    ("v * 1000.5", {}, 1, "1000.5"),
    ("log(v)", {}, 0, "-"),
    # RP-024 (General MIDI 2), reverb time: 40 is 1 s; 127 is 8.80 s by the formula
    ("exp((v - 40) * 0.025)", {"unit": "s", "digits": 2}, 127, "8.80 s"),
    # RP-036, default pan: the centre is 64
    ("(v - 64) * 100 / 63", {"digits": 0}, 127, "+100"),
]


@pytest.mark.parametrize("formula, keys, raw, text", TEXT_ROWS)
def test_a_raw_value_is_shown(formula: str, keys: dict[str, Any], raw: int, text: str) -> None:
    assert scale(formula, **keys).text(raw) == text


# formula, keys, value -> raw
BACK_ROWS = [
    ("v - 64", {}, -64.0, 0),
    ("v - 64", {}, -64.4, 0),
    ("v / 10", {}, 0.54, 5),
    ("v / 10", {}, 0.56, 6),
    ("exp((v - 40) * 0.025)", {}, 1.0, 40),
    ("127 - v", {}, 0.0, 127),
    ("v", {"range": [[0, 10], [20, 30]]}, 14.0, 10),
    ("v", {"range": [[0, 10], [20, 30]]}, 16.0, 20),
    ("log(v)", {}, 0.0, 1),
]


@pytest.mark.parametrize("formula, keys, value, raw", BACK_ROWS)
def test_the_nearest_allowed_raw_value_is_found(
    formula: str, keys: dict[str, Any], value: float, raw: int
) -> None:
    assert scale(formula, **keys).value_to_raw(value) == raw


REFUSED_ROWS = [
    ("v / 10", {}, 0.55, "0.55 lies as near to raw 5 (0.5) and raw 6 (0.6)"),
    ("abs(v - 64)", {}, 3.0, "raw 61 (3) and raw 67 (3)"),
    ("floor(v / 4)", {}, 1.0, "raw 4 (1) and raw 5 (1)"),
    (
        "v - 64",
        {"unit": "dB"},
        64.0,
        "64 dB is outside the range 0 to 127 (shown -64 dB to +63 dB)",
    ),
    ("v - 64", {}, -65.0, "outside the range"),
    ("v", {"range": [[0, 10], [20, 30]]}, 15.0, "raw 10 (10) and raw 20 (20)"),
    ("sqrt(v - 200)", {}, 1.0, "no value anywhere in the range"),
]


@pytest.mark.parametrize("formula, keys, value, words", REFUSED_ROWS)
def test_a_tie_and_a_value_outside_are_refused(
    formula: str, keys: dict[str, Any], value: float, words: str
) -> None:
    with pytest.raises(EncodeError) as caught:
        scale(formula, **keys).value_to_raw(value)
    assert words in caught.value.message


FORMULAS = st.sampled_from(
    ["v", "v - 64", "v / 3", "127 - v", "exp((v - 40) * 0.025)", "v ** 2", "v * 100 / 127"]
)


@given(FORMULAS, st.integers(0, 127))
def test_the_shown_value_of_every_raw_value_leads_back(formula: str, raw: int) -> None:
    ours = scale(formula)
    value = ours.raw_to_value(raw)
    assert value is not None
    assert ours.value_to_raw(value) == raw


@given(st.integers(0, 2097150))
def test_a_very_wide_range_leads_back_too(raw: int) -> None:
    """The pitch of a key in MIDI Tuning: CA-020, a step is 100/16384 cent."""
    ours = scale(
        "440 * 2 ** ((v / 16384 - 69) / 12)", "F0 7D v:20-14 v:13-7 v:6-0 F7", range=[0, 2097150]
    )
    value = ours.raw_to_value(raw)
    assert value is not None
    assert ours.value_to_raw(value) == raw


READ_ROWS = [
    ("5 ms", 5.0),
    ("5ms", 5.0),
    ("5 MS", 5.0),
    ("0.005 s", 5.0),
    ("1.001 s", 1001.0),
    ("5000 us", 5.0),
    ("2,5 ms", 2.5),
    ("-2.5e1 ms", -25.0),
    (".5 ms", 0.5),
    ("5", None),
    ("5 Hz", None),
    ("ms", None),
    ("", None),
]


@pytest.mark.parametrize("text, value", READ_ROWS)
def test_a_number_with_its_unit_is_read(text: str, value: float | None) -> None:
    assert scale("v", "F0 7D vh vl F7", unit="ms").read(text) == value


def test_a_number_that_can_be_read_in_two_ways_is_refused() -> None:
    with pytest.raises(EncodeError, match="two ways"):
        to_number("1,000")
    with pytest.raises(EncodeError, match="too large"):
        to_number("1e999")


def test_shapes_are_told() -> None:
    assert scale("v - 64").is_monotonic()
    assert scale("127 - v").is_monotonic()
    assert not scale("abs(v - 64)").is_monotonic()
    assert not scale("floor(v / 2)").is_monotonic()
    assert scale("log(v)").has_gaps()
    assert not scale("log(v + 1)").has_gaps()
