"""The status table against the MIDI 1.0 Detailed Specification 4.2.1 (pages 4 to 33, table I)."""

from __future__ import annotations

import mido
import pytest

from knobwright.core.wire.status import (
    CHANNEL,
    COMMON,
    EXCLUSIVE,
    KINDS,
    N_BYTES,
    N_DATA,
    REAL_TIME,
    STATUS,
    UNDEFINED,
    channel_of,
    is_status,
    status_of,
)

# status byte of channel 1 -> name, data bytes, whole length, kind; the specification's page.
# Whole length 0: of no fixed length, or no message at all.
ROWS = {
    0x80: ("note off", 2, 3, CHANNEL),  # pages 10, 11
    0x90: ("note on", 2, 3, CHANNEL),  # page 10
    0xA0: ("polyphonic key pressure", 2, 3, CHANNEL),  # table I
    0xB0: ("control change", 2, 3, CHANNEL),  # table I
    0xC0: ("program change", 1, 2, CHANNEL),  # table I
    0xD0: ("channel pressure", 1, 2, CHANNEL),  # table I
    0xE0: ("pitch bend", 2, 3, CHANNEL),  # page 19
    0xF0: ("system exclusive", -1, 0, EXCLUSIVE),  # page 29
    0xF1: ("MTC quarter frame", 1, 2, COMMON),  # table V
    0xF2: ("song position", 2, 3, COMMON),  # page 27
    0xF3: ("song select", 1, 2, COMMON),  # table V
    0xF4: ("undefined system common F4", 0, 0, UNDEFINED),  # page A-2
    0xF5: ("undefined system common F5", 0, 0, UNDEFINED),  # page A-2
    0xF6: ("tune request", 0, 1, COMMON),  # table V
    0xF7: ("end of exclusive", 0, 0, EXCLUSIVE),  # page 29; never a message of its own
    0xF8: ("timing clock", 0, 1, REAL_TIME),  # page 30
    0xF9: ("undefined real time F9", 0, 0, UNDEFINED),  # page A-2
    0xFA: ("start", 0, 1, REAL_TIME),  # page 30
    0xFB: ("continue", 0, 1, REAL_TIME),  # page 30
    0xFC: ("stop", 0, 1, REAL_TIME),  # page 30
    0xFD: ("undefined real time FD", 0, 0, UNDEFINED),  # page A-2
    0xFE: ("active sensing", 0, 1, REAL_TIME),  # page 32
    0xFF: ("system reset", 0, 1, REAL_TIME),  # page 33
}


@pytest.mark.parametrize("byte", ROWS, ids=lambda byte: f"{byte:02X}")
def test_a_status_has_the_published_name_length_and_kind(byte: int) -> None:
    name, n_data, n_bytes, kind = ROWS[byte]
    for status in range(byte, byte + (16 if byte < 0xF0 else 1)):
        row = status_of(status)
        assert row == (status, name, n_data, kind)
        assert (N_DATA[status], N_BYTES[status], KINDS[status]) == (n_data, n_bytes, kind)


def test_every_status_byte_has_a_row_of_its_own() -> None:
    assert [row.byte for row in STATUS] == list(range(0x80, 0x100))


def test_bit_7_tells_status_bytes_from_data_bytes() -> None:
    """Page 5: a status byte has bit 7 set, a data byte has it clear."""
    assert [byte for byte in range(256) if is_status(byte)] == list(range(0x80, 0x100))
    for byte in range(0x80):
        assert status_of(byte) is None
        assert (KINDS[byte], N_DATA[byte], N_BYTES[byte]) == ("", 0, 0)
    assert status_of(256) is None


def test_the_low_half_of_a_channel_status_is_the_channel() -> None:
    assert [channel_of(0x90 | n) for n in range(16)] == list(range(1, 17))
    assert channel_of(0xF0) is None
    assert channel_of(0x3C) is None


def test_mido_knows_the_same_lengths() -> None:
    """mido as an independent reference: one message of each type it can make."""
    seen = set()
    for kind in mido.messages.specs.SPEC_BY_TYPE:
        data = mido.Message(kind).bytes()
        seen.add(data[0])
        if kind != "sysex":
            assert N_BYTES[data[0]] == len(data), kind
    assert seen == {byte for byte, row in ROWS.items() if row[3] != UNDEFINED and byte != 0xF7}
