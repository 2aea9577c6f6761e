"""Packings of dumps: published examples, sizes, inverses."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.codec.packings import PACKINGS
from knobwright.core.errors import DecodeError, EncodeError

# packing -> (bytes, packed)
VECTORS = {
    "none": [("00 7F 40", "00 7F 40"), ("", "")],
    # MIDI 1.0 Detailed Specification 4.2.1, p. 43, File Dump: one byte of top bits, first byte's in
    # bit 6, then seven bytes; a short group fills from bit 6 down. FF 00 80 has top bits 1, 0, 1.
    "7-in-8": [
        ("FF 00 80", "50 7F 00 00"),
        ("80", "40 00"),
        ("01 02 03 04 05 06 07", "00 01 02 03 04 05 06 07"),
        ("81 02 03 04 05 06 87 88", "41 01 02 03 04 05 06 07 40 08"),
        ("", ""),
    ],
    # Common practice, no source.
    "nibbles": [("4A", "04 0A"), ("FF 00", "0F 0F 00 00"), ("", "")],
    # The MTC cueing messages of the same specification send low nibbles first (RP-004).
    "nibbles-low-first": [("4A", "0A 04"), ("12 34", "02 01 04 03"), ("", "")],
}
ROWS = [(name, *row) for name, rows in VECTORS.items() for row in rows]


def test_every_packing_has_vectors() -> None:
    assert VECTORS.keys() == PACKINGS.keys()


@pytest.mark.parametrize("name, data, packed", ROWS)
def test_bytes_are_packed_and_unpacked(name: str, data: str, packed: str) -> None:
    packing = PACKINGS[name]
    assert packing.pack(bytes.fromhex(data)) == bytes.fromhex(packed)
    assert packing.unpack(bytes.fromhex(packed)) == bytes.fromhex(data)


# MIDI 1.0 Detailed Specification 4.2.1, p. 43: 64 file bytes give 74, 112 fill a packet of 128.
@pytest.mark.parametrize(
    "n_bytes, n_packed", [(64, 74), (112, 128), (0, 0), (1, 2), (7, 8), (8, 10)]
)
def test_seven_bytes_take_eight(n_bytes: int, n_packed: int) -> None:
    packing = PACKINGS["7-in-8"]
    assert packing.packed_size(n_bytes) == n_packed
    assert len(packing.pack(bytes(n_bytes))) == n_packed


@given(st.sampled_from(sorted(PACKINGS)), st.binary(max_size=300))
def test_whatever_is_packed_travels_as_data_bytes_and_comes_back(name: str, data: bytes) -> None:
    packing = PACKINGS[name]
    sent = bytes(byte & 0x7F for byte in data) if name == "none" else data
    packed = packing.pack(sent)
    assert all(byte <= 0x7F for byte in packed)
    assert len(packed) == packing.packed_size(len(sent))
    assert packing.unpack(packed) == sent


def test_a_high_byte_is_never_sent_unpacked() -> None:
    with pytest.raises(EncodeError, match="above 7F"):
        PACKINGS["none"].pack(b"\x80")


BAD_ROWS = [
    ("7-in-8", "50"),  # top bits without a byte
    ("7-in-8", "00 01 02 03 04 05 06 07 40"),
    ("7-in-8", "50 7F"),  # a top bit for the third byte, which is not there
    ("nibbles", "04"),
    ("nibbles", "10 04"),
    ("nibbles-low-first", "04"),
    ("nibbles-low-first", "04 10"),
]


@pytest.mark.parametrize("name, packed", BAD_ROWS)
def test_what_was_never_packed_is_refused(name: str, packed: str) -> None:
    with pytest.raises(DecodeError):
        PACKINGS[name].unpack(bytes.fromhex(packed))


@given(st.sampled_from(sorted(PACKINGS)), st.binary(max_size=40))
def test_any_data_bytes_are_unpacked_or_refused(name: str, data: bytes) -> None:
    packed = bytes(byte & 0x7F for byte in data)
    try:
        unpacked = PACKINGS[name].unpack(packed)
    except DecodeError:
        return
    assert PACKINGS[name].pack(unpacked) == packed
