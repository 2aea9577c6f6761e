"""Packings: how the eight-bit bytes of a dump travel in seven-bit data bytes.

To add a packing, write ``pack`` and ``unpack`` and add a row to :data:`PACKINGS`; then add rows to
``tests/core/codec/test_packings.py`` and to ``docs/reference/sheet.md``.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

from knobwright.core.errors import DecodeError, EncodeError


class Packing(NamedTuple):
    """A packing: ``pack`` and ``unpack`` are inverses; ``packed_size(n)`` is what n bytes take."""

    name: str
    pack: Callable[[bytes], bytes]
    unpack: Callable[[bytes], bytes]
    packed_size: Callable[[int], int]


def _pack_none(data: bytes) -> bytes:
    if any(byte > 0x7F for byte in data):
        raise EncodeError("a byte above 7F can't be sent unpacked")
    return data


def pack_7_in_8(data: bytes) -> bytes:
    """Return groups of one byte of top bits and up to seven low parts.

    MIDI 1.0 Detailed Specification 4.2.1, File Dump: the first byte's top bit goes to bit 6, the
    next to bit 5 and so on; a short last group fills from bit 6 down.
    """
    out = bytearray()
    for start in range(0, len(data), 7):
        group = data[start : start + 7]
        out.append(sum((byte >> 7) << (6 - i) for i, byte in enumerate(group)))
        out += bytes(byte & 0x7F for byte in group)
    return bytes(out)


def unpack_7_in_8(packed: bytes) -> bytes:
    """Return the bytes that :func:`pack_7_in_8` packed.

    Raises
    ------
    DecodeError
        A last group of one byte (top bits without a byte), or top bits for bytes that are not
        there.
    """
    out = bytearray()
    for start in range(0, len(packed), 8):
        tops, group = packed[start], packed[start + 1 : start + 8]
        if not group or tops & ((1 << (7 - len(group))) - 1):
            raise DecodeError("the packed data end inside a group of seven")
        out += bytes(byte | (tops >> (6 - i) & 1) << 7 for i, byte in enumerate(group))
    return bytes(out)


def _pack_nibbles(data: bytes) -> bytes:
    return bytes(half for byte in data for half in (byte >> 4, byte & 0x0F))


def _unpack_nibbles(packed: bytes) -> bytes:
    if len(packed) % 2 or any(half > 0x0F for half in packed):
        raise DecodeError("packed halves come in pairs of bytes 00 to 0F")
    return bytes(high << 4 | low for high, low in zip(packed[::2], packed[1::2], strict=True))


def _swapped(data: bytes) -> bytes:
    out = bytearray(data)
    out[::2], out[1::2] = data[1::2], data[::2]
    return bytes(out)


def _unpack_nibbles_low(packed: bytes) -> bytes:
    if len(packed) % 2:
        raise DecodeError("packed halves come in pairs of bytes 00 to 0F")
    return _unpack_nibbles(_swapped(packed))


PACKINGS: dict[str, Packing] = {
    row.name: row
    for row in (
        Packing("none", _pack_none, bytes, lambda n: n),
        Packing("7-in-8", pack_7_in_8, unpack_7_in_8, lambda n: n + -(-n // 7)),
        Packing("nibbles", _pack_nibbles, _unpack_nibbles, lambda n: 2 * n),
        Packing(
            "nibbles-low-first",
            lambda data: _swapped(_pack_nibbles(data)),
            _unpack_nibbles_low,
            lambda n: 2 * n,
        ),
    )
}
