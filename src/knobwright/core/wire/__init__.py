"""Bytes on the wire: status table, stream splitter, messages in words, cost.

===============  ==========================================================
``status``       one table of all status bytes
``stream``       bytes in any pieces in, messages and dropped bytes out
``messages``     a message in plain words; what ends a note
``controllers``  names of controllers and channel mode messages
``universal``    exclusive identifiers and universal exclusive messages
``cost``         bytes with and without running status, and time
===============  ==========================================================
"""

from __future__ import annotations

from knobwright.core.wire.cost import DIN_BAUD, START_REST_US, cost_bytes, shortened, wire_time_us
from knobwright.core.wire.messages import (
    check_whole,
    describe,
    hex_words,
    is_channel_mode,
    is_note_off,
    is_note_on,
    key_name,
    release_velocity,
)
from knobwright.core.wire.status import (
    KINDS,
    N_BYTES,
    N_DATA,
    STATUS,
    Status,
    channel_of,
    is_status,
    status_of,
)
from knobwright.core.wire.stream import (
    MAX_EXCLUSIVE_BYTES,
    REASONS,
    Dropped,
    Message,
    Splitter,
    joined,
)
from knobwright.core.wire.universal import Identity, identity, maker_group, maker_id, universal

__all__ = [
    "DIN_BAUD",
    "KINDS",
    "MAX_EXCLUSIVE_BYTES",
    "N_BYTES",
    "N_DATA",
    "REASONS",
    "START_REST_US",
    "STATUS",
    "Dropped",
    "Identity",
    "Message",
    "Splitter",
    "Status",
    "channel_of",
    "check_whole",
    "cost_bytes",
    "describe",
    "hex_words",
    "identity",
    "is_channel_mode",
    "is_note_off",
    "is_note_on",
    "is_status",
    "joined",
    "key_name",
    "maker_group",
    "maker_id",
    "release_velocity",
    "shortened",
    "status_of",
    "universal",
    "wire_time_us",
]
