"""Codings: rows worked by hand, and inverses over every width."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.codec.codings import CODINGS
from tests.core.codec.small import codec, hexed, parameter

# coding -> (bits n, zero, raw, bits)
VECTORS: dict[str, list[tuple[int, int | None, int, int]]] = {
    "plain": [(7, None, 0, 0), (7, None, 127, 127), (14, None, 8192, 8192)],
    "twos": [
        (7, None, -1, 0x7F),
        (7, None, -64, 0x40),
        (7, None, 63, 0x3F),
        (14, None, -1, 0x3FFF),
        (14, None, -8192, 0x2000),
        (4, None, -8, 8),
    ],
    "sign-magnitude": [
        (7, None, -1, 0x41),
        (7, None, 63, 0x3F),
        (7, None, -63, 0x7F),
        (4, None, -7, 15),
    ],
    "offset": [
        (7, None, -64, 0),
        (7, None, 0, 64),
        (7, None, 63, 127),
        (7, 50, -50, 0),
        (7, -3, 3, 0),
        (14, None, 0, 8192),
    ],
}
ROWS = [(name, *row) for name, rows in VECTORS.items() for row in rows]


def test_every_coding_has_vectors() -> None:
    assert VECTORS.keys() == CODINGS.keys()


@pytest.mark.parametrize("name, n, zero, raw, bits", ROWS)
def test_a_number_has_its_bits(name: str, n: int, zero: int | None, raw: int, bits: int) -> None:
    coding = CODINGS[name]
    low, high = coding.limits(n, zero)
    assert low <= raw <= high
    assert coding.to_bits(raw, n, zero) == bits
    assert coding.to_raw(bits, n, zero) == raw


@given(
    st.sampled_from(sorted(CODINGS)),
    st.integers(2, 32),
    st.none() | st.integers(-99, 99),
    st.data(),
)
def test_every_number_in_the_limits_comes_back(
    name: str, n: int, zero: int | None, data: st.DataObject
) -> None:
    coding = CODINGS[name]
    low, high = coding.limits(n, zero)
    raw = data.draw(st.integers(low, high))
    bits = coding.to_bits(raw, n, zero)
    assert 0 <= bits < 1 << n
    assert coding.to_raw(bits, n, zero) == raw


def test_the_two_zeros_of_sign_and_magnitude_are_one() -> None:
    coding = CODINGS["sign-magnitude"]
    assert coding.to_raw(0x40, 7, None) == coding.to_raw(0, 7, None) == 0


# coding, words, raw -> bytes
LINE_ROWS = [
    ("twos", "vv", -1, "7F"),
    ("twos", "vh vl", -2, "7F 7E"),
    ("twos", "v1 v0", -2, "0F 0E"),
    ("sign-magnitude", "vv", -5, "45"),
    ("offset", "vl vh", -8192, "00 00"),
    ("offset", "4v", -8, "40"),
    ("offset", "4v", 7, "4F"),
]


@pytest.mark.parametrize("name, words, raw, wanted", LINE_ROWS)
def test_a_line_sends_the_coded_bits(name: str, words: str, raw: int, wanted: str) -> None:
    ours = codec(parameter(f"F0 7D 01 {words} F7", coding=name))
    assert hexed(ours.encode("x", raw)) == f"F0 7D 01 {wanted} F7"
    (event,) = ours.decoder().feed(bytes.fromhex(f"F0 7D 01 {wanted} F7"))
    assert event.value == raw  # type: ignore[union-attr]
