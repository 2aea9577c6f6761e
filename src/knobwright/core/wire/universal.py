"""Exclusive messages: whose they are, and the universal ones by name and length.

Sources: MIDI 1.0 Detailed Specification 4.2.1, pages 34 to 57 and tables VII to X; the MIDI
Association's table of universal messages for later names; for lengths also CA-019 to CA-025 and
RP-020 (tuning), RP-004/RP-008 (time code), RP-003 and RP-024 (General MIDI), RP-034 (polyphony).

To add a universal message, give it a row in ``UNIVERSAL``.
"""

from __future__ import annotations

from typing import NamedTuple

#: Identifier of messages for schools and research, never in a product for the public (page 34).
NON_COMMERCIAL = 0x7D
#: Universal non-real-time and real-time identifiers (page 35).
NON_REAL_TIME_ID = 0x7E
REAL_TIME_ID = 0x7F
#: Device id that addresses every device (page 35).
ALL_DEVICES = 0x7F


class Universal(NamedTuple):
    """One universal exclusive message.

    Attributes
    ----------
    area : int, 0x7E or 0x7F
        Non-real-time or real-time.
    sub_1 : int, 0 to 127
        First sub-id.
    sub_2 : tuple of two ints
        First and last second sub-id; ``(-1, -1)`` where the message has none.
    name : str
        The published name.
    n_bytes : int
        Whole length from F0 to F7; 0 where it varies.
    """

    area: int
    sub_1: int
    sub_2: tuple[int, int]
    name: str
    n_bytes: int


_NONE = (-1, -1)
_ANY = (0x00, 0x7F)

_NON_REAL_TIME: tuple[tuple[int, tuple[int, int], str, int], ...] = (
    (0x01, _NONE, "sample dump header", 21),
    (0x02, _NONE, "sample data packet", 127),
    (0x03, _NONE, "sample dump request", 7),
    (0x04, (0x00, 0x0E), "time code cueing set-up", 0),
    (0x05, (0x01, 0x01), "loop points transmission", 17),
    (0x05, (0x02, 0x02), "loop points request", 10),
    (0x05, (0x03, 0x03), "sample name transmission", 0),
    (0x05, (0x04, 0x04), "sample name request", 8),
    (0x05, (0x05, 0x05), "extended dump header", 34),
    (0x05, (0x06, 0x06), "extended loop points transmission", 21),  # length from memory: CA-019
    (0x05, (0x07, 0x07), "extended loop points request", 10),  # length from memory: CA-019
    (0x06, (0x01, 0x01), "identity request", 6),
    (0x06, (0x02, 0x02), "identity reply", 0),  # 15, or 17 with a three-byte maker id
    (0x07, (0x01, 0x01), "file dump header", 0),
    (0x07, (0x02, 0x02), "file dump data packet", 0),
    (0x07, (0x03, 0x03), "file dump request", 0),
    (0x08, (0x00, 0x00), "bulk tuning dump request", 7),
    (0x08, (0x01, 0x01), "bulk tuning dump", 408),
    (0x08, (0x03, 0x03), "bulk tuning dump request with bank", 8),
    (0x08, (0x04, 0x04), "key-based tuning dump", 409),
    (0x08, (0x05, 0x05), "scale/octave tuning dump, one byte a key", 37),
    (0x08, (0x06, 0x06), "scale/octave tuning dump, two bytes a key", 49),
    (0x08, (0x07, 0x07), "single note tuning change with bank", 0),
    (0x08, (0x08, 0x08), "scale/octave tuning, one byte a key", 21),
    (0x08, (0x09, 0x09), "scale/octave tuning, two bytes a key", 33),
    (0x09, (0x01, 0x01), "General MIDI System On", 6),
    (0x09, (0x02, 0x02), "General MIDI System Off", 6),
    (0x09, (0x03, 0x03), "General MIDI 2 System On", 6),
    (0x0A, (0x01, 0x01), "Downloadable Sounds on", 6),  # lengths of 0A from memory: DLS
    (0x0A, (0x02, 0x02), "Downloadable Sounds off", 6),
    (0x0A, (0x03, 0x03), "Downloadable Sounds voice allocation off", 6),
    (0x0A, (0x04, 0x04), "Downloadable Sounds voice allocation on", 6),
    (0x0B, (0x01, 0x01), "file reference: open", 0),
    (0x0B, (0x02, 0x02), "file reference: select", 0),
    (0x0B, (0x03, 0x03), "file reference: open and select", 0),
    (0x0B, (0x04, 0x04), "file reference: close", 0),
    (0x0C, _ANY, "MIDI visual control", 0),
    (0x0D, _ANY, "MIDI capability inquiry", 0),
    (0x7B, _NONE, "end of file", 6),
    (0x7C, _NONE, "wait", 6),
    (0x7D, _NONE, "cancel", 6),
    (0x7E, _NONE, "not acknowledged", 6),
    (0x7F, _NONE, "acknowledged", 6),
)

_REAL_TIME: tuple[tuple[int, tuple[int, int], str, int], ...] = (
    (0x01, (0x01, 0x01), "time code full message", 10),
    (0x01, (0x02, 0x02), "time code user bits", 15),
    (0x02, (0x00, 0x00), "show control extension", 0),
    (0x02, (0x01, 0x7F), "show control command", 0),
    (0x03, (0x01, 0x01), "bar number", 8),
    (0x03, (0x02, 0x02), "time signature, immediate", 0),
    (0x03, (0x42, 0x42), "time signature, delayed", 0),
    (0x04, (0x01, 0x01), "master volume", 8),
    (0x04, (0x02, 0x02), "master balance", 8),
    (0x04, (0x03, 0x03), "master fine tuning", 8),
    (0x04, (0x04, 0x04), "master coarse tuning", 8),
    (0x04, (0x05, 0x05), "global parameter control", 0),
    (0x05, (0x00, 0x02), "real-time time code cueing", 0),
    (0x05, (0x05, 0x08), "real-time time code cueing", 0),
    (0x05, (0x0B, 0x0C), "real-time time code cueing", 0),
    (0x05, (0x0E, 0x0E), "real-time time code cueing", 0),
    (0x06, _ANY, "machine control command", 0),
    (0x07, _ANY, "machine control response", 0),
    (0x08, (0x02, 0x02), "single note tuning change", 0),
    (0x08, (0x07, 0x07), "single note tuning change with bank", 0),
    (0x08, (0x08, 0x08), "scale/octave tuning, one byte a key", 21),
    (0x08, (0x09, 0x09), "scale/octave tuning, two bytes a key", 33),
    (0x09, (0x01, 0x01), "controller destination, channel pressure", 0),
    (0x09, (0x02, 0x02), "controller destination, polyphonic pressure", 0),
    (0x09, (0x03, 0x03), "controller destination, control change", 0),
    (0x0A, (0x01, 0x01), "key-based instrument control", 0),
    (0x0B, (0x01, 0x01), "scalable polyphony", 0),
)

#: Every universal exclusive message.
UNIVERSAL: tuple[Universal, ...] = tuple(
    Universal(area, *row)
    for area, rows in ((NON_REAL_TIME_ID, _NON_REAL_TIME), (REAL_TIME_ID, _REAL_TIME))
    for row in rows
)


def universal(message: bytes) -> Universal | None:
    """Return the row of a universal exclusive message, or ``None`` where none is published.

    Parameters
    ----------
    message : bytes
        Whole, from F0 to F7: ``F0 7E|7F device sub-id-1 [sub-id-2] ... F7``.
    """
    if len(message) < 5 or message[0] != 0xF0 or message[1] not in (NON_REAL_TIME_ID, REAL_TIME_ID):
        return None
    sub_2 = message[4] if message[4] <= 0x7F else -1
    for row in UNIVERSAL:
        if row.area == message[1] and row.sub_1 == message[3]:
            low, high = row.sub_2
            if low < 0 or low <= sub_2 <= high:
                return row
    return None


def maker_id(message: bytes) -> bytes:
    """Return the identifier of an exclusive message: one byte, or three that begin with 00.

    Parameters
    ----------
    message : bytes
        From F0 on; the F7 may be there or not.

    Returns
    -------
    bytes, length 0, 1 or 3
        Empty where the message is no exclusive or too short to hold its identifier (page 34).
    """
    body = message[1:-1] if message[-1:] == b"\xf7" else message[1:]
    if message[:1] != b"\xf0" or not body:
        return b""
    if body[0] != 0:
        return body[:1]
    return body[:3] if len(body) >= 3 else b""


def maker_group(identifier: bytes) -> str:
    """Return which group an exclusive identifier belongs to (page 34).

    Parameters
    ----------
    identifier : bytes, length 1 or 3
        As :func:`maker_id` returns it.

    Returns
    -------
    str
        "American", "European", "Japanese", "other", "non-commercial", "universal non-real-time",
        "universal real-time", or "unused" for what the standard leaves out.
    """
    if len(identifier) == 1:
        first = identifier[0]
        special = {
            0x00: "unused",
            NON_COMMERCIAL: "non-commercial",
            NON_REAL_TIME_ID: "universal non-real-time",
            REAL_TIME_ID: "universal real-time",
        }
        return special[first] if first in special else _region(first)
    if len(identifier) == 3 and identifier[0] == 0 and identifier != b"\x00\x00\x00":
        return _region(identifier[1])
    return "unused"


def _region(number: int) -> str:
    """Return the region of a first id byte 01 to 7C, or of the second byte of a three-byte id."""
    return ("American", "European", "Japanese", "other")[number >> 5] if number < 0x80 else "unused"


class Identity(NamedTuple):
    """What an identity reply says (page 40).

    Attributes
    ----------
    device : int, 0 to 127
        The reply's device byte.
    maker : bytes, length 1 or 3
        Exclusive identifier.
    family, member : int, 0 to 16383
        Codes, sent low part first.
    version : bytes, length 4
        Software revision, in the maker's own form.
    """

    device: int
    maker: bytes
    family: int
    member: int
    version: bytes


def identity(message: bytes) -> Identity | None:
    """Return what an identity reply says, or ``None`` for anything else.

    ``F0 7E device 06 02 maker family family member member version*4 F7``: 15 bytes, or 17 with a
    maker's identifier of three bytes.
    """
    if message[:2] != b"\xf0\x7e" or message[3:5] != b"\x06\x02" or message[-1:] != b"\xf7":
        return None
    n_maker = 3 if message[5:6] == b"\x00" else 1
    if len(message) != 14 + n_maker:
        return None
    at = 5 + n_maker
    return Identity(
        message[2],
        message[5:at],
        message[at] | message[at + 1] << 7,
        message[at + 2] | message[at + 3] << 7,
        message[at + 4 : at + 8],
    )
