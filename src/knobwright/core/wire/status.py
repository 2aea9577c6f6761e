"""The status table of MIDI 1.0: every status byte, its name, its kind, its data bytes.

Source: MIDI 1.0 Detailed Specification 4.2.1 (1996), pages 4 to 6, 10 to 33, A-2 and table I.

To change what a status byte means, change its row in ``_ROWS``: the splitter, the words for a
message and the cost in bytes all read this table. Lookups by byte (``KINDS``, ``N_DATA``,
``N_BYTES``) are made from it once.
"""

from __future__ import annotations

from typing import NamedTuple

CHANNEL = "channel"  # channel voice and channel mode
EXCLUSIVE = "exclusive"  # F0 and the F7 that ends it
COMMON = "common"  # system common
REAL_TIME = "real-time"  # system real time
UNDEFINED = "undefined"  # F4, F5 (common) and F9, FD (real time)

#: First system status; everything below it down to 80 carries a channel.
FIRST_SYSTEM = 0xF0
#: First real-time status; from here to FF a byte may stand inside any other message.
FIRST_REAL_TIME = 0xF8
START_OF_EXCLUSIVE = 0xF0
END_OF_EXCLUSIVE = 0xF7
SYSTEM_RESET = 0xFF

#: Largest value of a data byte.
MAX_DATA = 0x7F


class Status(NamedTuple):
    """One row of the status table.

    Attributes
    ----------
    byte : int, 0x80 to 0xFF
        The status byte; for channel messages the one of channel 1.
    name : str
        The message's name in the specification, in lower case.
    n_data : int, 0 to 2, or -1
        Data bytes that follow; -1 for an exclusive message, which may have any number.
    kind : str
        ``CHANNEL``, ``EXCLUSIVE``, ``COMMON``, ``REAL_TIME`` or ``UNDEFINED``.
    """

    byte: int
    name: str
    n_data: int
    kind: str


_ROWS = (
    Status(0x80, "note off", 2, CHANNEL),
    Status(0x90, "note on", 2, CHANNEL),
    Status(0xA0, "polyphonic key pressure", 2, CHANNEL),
    Status(0xB0, "control change", 2, CHANNEL),
    Status(0xC0, "program change", 1, CHANNEL),
    Status(0xD0, "channel pressure", 1, CHANNEL),
    Status(0xE0, "pitch bend", 2, CHANNEL),
    Status(0xF0, "system exclusive", -1, EXCLUSIVE),
    Status(0xF1, "MTC quarter frame", 1, COMMON),
    Status(0xF2, "song position", 2, COMMON),
    Status(0xF3, "song select", 1, COMMON),
    Status(0xF4, "undefined system common F4", 0, UNDEFINED),
    Status(0xF5, "undefined system common F5", 0, UNDEFINED),
    Status(0xF6, "tune request", 0, COMMON),
    Status(0xF7, "end of exclusive", 0, EXCLUSIVE),
    Status(0xF8, "timing clock", 0, REAL_TIME),
    Status(0xF9, "undefined real time F9", 0, UNDEFINED),
    Status(0xFA, "start", 0, REAL_TIME),
    Status(0xFB, "continue", 0, REAL_TIME),
    Status(0xFC, "stop", 0, REAL_TIME),
    Status(0xFD, "undefined real time FD", 0, UNDEFINED),
    Status(0xFE, "active sensing", 0, REAL_TIME),
    Status(0xFF, "system reset", 0, REAL_TIME),
)

_BY_BYTE = {row.byte: row for row in _ROWS}

#: Row for each status byte, indexed by ``byte - 0x80``: 128 rows, channels written out.
STATUS: tuple[Status, ...] = tuple(
    Status(byte, *_BY_BYTE[byte if byte >= FIRST_SYSTEM else byte & 0xF0][1:])
    for byte in range(0x80, 0x100)
)

_NO_ROWS = (0,) * 0x80

#: Kind of each byte 00 to FF; the empty string for a data byte.
KINDS: tuple[str, ...] = ("",) * 0x80 + tuple(row.kind for row in STATUS)
#: Data bytes after each byte 00 to FF; 0 for a data byte, -1 for F0.
N_DATA: tuple[int, ...] = _NO_ROWS + tuple(row.n_data for row in STATUS)
#: Whole length in bytes of the message each byte 00 to FF begins; 0 where none of a fixed length
#: begins: data bytes, F0, F7 and the undefined statuses.
N_BYTES: tuple[int, ...] = _NO_ROWS + tuple(
    0 if row.kind in (EXCLUSIVE, UNDEFINED) else row.n_data + 1 for row in STATUS
)


def status_of(byte: int) -> Status | None:
    """Return the row of a status byte (0x80 to 0xFF), or ``None`` for any other number."""
    return STATUS[byte - 0x80] if 0x80 <= byte <= 0xFF else None


def is_status(byte: int) -> bool:
    """Return whether bit 7 is set: a status byte; without it, a data byte (page 5)."""
    return byte > MAX_DATA


def channel_of(status: int) -> int | None:
    """Return the channel, 1 to 16, a channel status (0x80 to 0xEF) carries, else ``None``."""
    return (status & 0x0F) + 1 if 0x80 <= status < FIRST_SYSTEM else None
