"""Checksum rules against published vectors, and against the words of docs/reference/sheet.md."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.codec.checksums import CHECKSUMS
from tests.core.codec.small import codec, hexed, parameter

SEVENS = st.binary(max_size=64).map(lambda data: bytes(byte & 0x7F for byte in data))

# rule -> (covered bytes, checksum, source)
VECTORS: dict[str, list[tuple[str, int, str]]] = {
    # Additive: common practice, no source; worked by hand: (128 - sum mod 128) mod 128.
    "negated-sum-7": [
        ("00 00 00 00", 0x00, "sum 0"),
        ("40 00 7F 00", 0x41, "64 + 127 = 191; 191 mod 128 = 63; 128 - 63 = 65"),
        ("40 40", 0x00, "sum 128: 00 and never 80"),
        ("7F 01", 0x00, "sum 128: 00 and never 80"),
        ("01", 0x7F, "128 - 1"),
        ("7F", 0x01, "128 - 127"),
        ("7F 7F 7F 7F", 0x04, "508 mod 128 = 124"),
        ("", 0x00, "nothing"),
    ],
    # Common practice, no source.
    "sum-7": [
        ("01 02", 0x03, "1 + 2"),
        ("40 40", 0x00, "128 mod 128"),
        ("7F 7F", 0x7E, "254 mod 128 = 126"),
        ("", 0x00, "nothing"),
    ],
    # MIDI 1.0 Detailed Specification 4.2.1, p. 37 and 39: Sample Dump data packet, all bytes
    # between F0 and the checksum; 120 data bytes, an even number, so that equal ones cancel.
    "xor-7": [
        ("7E 00 02 00" + " 00" * 120, 0x7C, "7E xor 02 = 7C"),
        ("7E 00 02 00" + " 7F" * 120, 0x7C, "an even count cancels"),
        ("7E 00 02 01" + " 00" * 120, 0x7D, "packet 1"),
        ("7E 7F 02 00" + " 00" * 120, 0x03, "device 7F: 7E xor 7F xor 02"),
        ("", 0x00, "nothing"),
    ],
    # Common practice, no source: 127 - (sum mod 128).
    "ones-complement-7": [
        ("01 02", 0x7C, "127 - 3"),
        ("40 40", 0x7F, "127 - 0"),
        ("7F", 0x00, "127 - 127"),
        ("", 0x7F, "nothing"),
    ],
}
ROWS = [(rule, data, wanted) for rule, rows in VECTORS.items() for data, wanted, _ in rows]


def test_every_checksum_has_vectors() -> None:
    assert VECTORS.keys() == CHECKSUMS.keys()


@pytest.mark.parametrize("rule, data, wanted", ROWS)
def test_a_checksum_has_its_published_or_worked_value(rule: str, data: str, wanted: int) -> None:
    covered = bytes.fromhex(data)
    assert CHECKSUMS[rule].compute(covered) == wanted
    assert f"{wanted:02X}" in CHECKSUMS[rule].steps(covered)


@given(SEVENS)
def test_the_sum_and_its_negative_are_a_multiple_of_128(data: bytes) -> None:
    assert (sum(data) + CHECKSUMS["negated-sum-7"].compute(data)) % 128 == 0
    total = CHECKSUMS["sum-7"].compute(data)
    assert (total + CHECKSUMS["ones-complement-7"].compute(data)) == 127


@given(SEVENS)
def test_bytes_and_their_exclusive_or_cancel(data: bytes) -> None:
    compute = CHECKSUMS["xor-7"].compute
    assert compute(data + bytes((compute(data),))) == 0


@given(SEVENS)
def test_a_checksum_is_a_data_byte(data: bytes) -> None:
    for rule in CHECKSUMS.values():
        assert 0 <= rule.compute(data) <= 0x7F


# line, checksum, value -> bytes: where the checksum stands, and what it covers
LINE_ROWS = [
    ("F0 7D id [ 40 00 7F vv ] cs F7", "negated", 0, "F0 7D 10 40 00 7F 00 41 F7"),
    ("F0 7D id [ 40 vv ] cs F7", "negated", 0x40, "F0 7D 10 40 40 00 F7"),
    ("F0 7D id [ 30 05 ] cs vv F7", "negated", 9, "F0 7D 10 30 05 4B 09 F7"),
    ("F0 7D id [ 30 05 ] cs 4v F7", "negated", 9, "F0 7D 10 30 05 4B 49 F7"),
    ("F0 [ 7D id 30 vv ] cs F7", "xor", 9, "F0 7D 10 30 09 54 F7"),
    ("F0 7D [ 01 ] cs [ vv ] cs F7", ["plain", "ones"], 5, "F0 7D 01 01 05 7A F7"),
    # nested: the inner ] comes first, so the first cs is over 02 vv, the second over 01 02 vv cs
    ("F0 7D [ 01 [ 02 vv ] cs ] cs F7", ["plain", "xor"], 5, "F0 7D 01 02 05 07 01 F7"),
    ("F0 7D [ 01 v3 v2 v1 v0 ] cs 00 F7", "plain", 0x1234, "F0 7D 01 01 02 03 04 0B 00 F7"),
]


@pytest.mark.parametrize("line, names, value, wanted", LINE_ROWS)
def test_a_checksum_stands_and_covers_where_the_line_says(
    line: str, names: str | list[str], value: int, wanted: str
) -> None:
    ours = codec(parameter(line, checksum=names))
    assert hexed(ours.encode("x", value)) == wanted
    (event,) = ours.decoder().feed(bytes.fromhex(wanted))
    assert (event.key, event.value) == ("x", value)  # type: ignore[union-attr]


def test_a_wrong_checksum_is_told_with_the_right_one() -> None:
    decoder = codec(parameter("F0 7D [ 01 vv ] cs F7", checksum="negated")).decoder()
    (event,) = decoder.feed(bytes.fromhex("F0 7D 01 05 7B F7"))
    assert event.reason == "x: its checksum is 7B and should be 7A"  # type: ignore[union-attr]
