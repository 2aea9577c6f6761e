"""A Standard MIDI File that sets parameters: format 0, full status, rests as delta times.

Source: Standard MIDI Files 1.0 (RP-001, revised February 1996): header, tracks, variable-length
quantities, and exclusive events ``F0 length bytes``, where the length counts the bytes behind the
F0 with the closing F7. System common and real-time messages have no event of their own: they stand
in an escape, ``F7 length bytes``. 500 ticks a quarter note at 120 a minute make a tick one
millisecond.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence

from knobwright.core.errors import DecodeError, EncodeError
from knobwright.core.wire import wire_time_us
from knobwright.exports.timed import Timed

TICKS_PER_QUARTER = 500
TEMPO_US = 500_000
_HEAD = struct.Struct(">4sIHHH")
_TRACK = struct.Struct(">4sI")
#: Largest variable-length quantity, 4 bytes (RP-001).
MAX_QUANTITY = 0x0FFFFFFF


def quantity(number: int) -> bytes:
    """Return a variable-length quantity: seven bits a byte, highest first, 80 on all but the last.

    Raises
    ------
    EncodeError
        The number is negative or above 0FFFFFFF.
    """
    if not 0 <= number <= MAX_QUANTITY:
        raise EncodeError(f"{number} does not fit a variable-length quantity")
    out = [number & 0x7F]
    while number := number >> 7:
        out.append(number & 0x7F | 0x80)
    return bytes(reversed(out))


def read_quantity(data: bytes, at: int) -> tuple[int, int]:
    """Return the quantity at a place and the place behind it.

    Raises
    ------
    DecodeError
        The data end inside it, or it is longer than four bytes.
    """
    number = 0
    for i in range(4):
        if at + i >= len(data):
            raise DecodeError(f"the file ends inside a number at byte {at}")
        number = number << 7 | data[at + i] & 0x7F
        if data[at + i] < 0x80:
            return number, at + i + 1
    raise DecodeError(f"the number at byte {at} is longer than four bytes")


def write_smf(messages: Sequence[Timed]) -> bytes:
    """Return a format 0 file; each message starts when the one before has left a DIN cable and
    rested.

    Times are whole milliseconds, rounded up, so that no message comes too early.
    """
    events = bytearray(b"\x00\xff\x51\x03" + TEMPO_US.to_bytes(3, "big"))
    wait_ms = 0
    for message in messages:
        data = message.data
        events += quantity(wait_ms) + _event(data)
        wait_ms = message.rest_ms + -(-int(wire_time_us(len(data))) // 1000)
    events += quantity(wait_ms) + b"\xff\x2f\x00"
    head = _HEAD.pack(b"MThd", 6, 0, 1, TICKS_PER_QUARTER)
    return head + _TRACK.pack(b"MTrk", len(events)) + bytes(events)


def _event(data: bytes) -> bytes:
    """Return the event of a message, without its delta time."""
    if data[0] == 0xF0:
        return b"\xf0" + quantity(len(data) - 1) + data[1:]
    if data[0] > 0xF0:
        return b"\xf7" + quantity(len(data)) + data
    return data


def read_smf(data: bytes) -> tuple[bytes, ...]:
    """Return the messages of :func:`write_smf` (not of any file: that is the song reader's work).

    Raises
    ------
    DecodeError
        It is no file that :func:`write_smf` wrote.
    """
    if len(data) < 22 or data[:4] != b"MThd" or data[14:18] != b"MTrk":
        raise DecodeError("this is no Standard MIDI File of one track")
    at, found = 22, []
    while at < len(data):
        _, at = read_quantity(data, at)
        kind = data[at : at + 1]
        if kind in (b"\xf0", b"\xf7"):
            body, at = _counted(data, at + 1)
            found.append(b"\xf0" + body if kind == b"\xf0" else body)
        elif kind == b"\xff":
            _, after = _counted(data, at + 2)
            if data[at + 1] == 0x2F:
                return tuple(found)
            at = after
        else:
            size = 2 if kind and kind[0] & 0xF0 in (0xC0, 0xD0) else 3
            found.append(data[at : at + size])
            at += size
    raise DecodeError("the file ends before its end of track")


def _counted(data: bytes, at: int) -> tuple[bytes, int]:
    """Return the bytes that a quantity counts, and the place behind them."""
    length, start = read_quantity(data, at)
    if start + length > len(data):
        raise DecodeError(f"the file ends inside an event at byte {at}")
    return data[start : start + length], start + length
