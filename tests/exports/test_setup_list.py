"""The list of a set-up is read back; only exclusive messages go into a .syx file."""

from __future__ import annotations

from knobwright.core.fitting.bar import Placed
from knobwright.exports.setup_list import exclusive_of, read_setup_list, write_setup_list
from knobwright.exports.syx import read_syx, write_syx

ROWS = (
    Placed(0, bytes.fromhex("F0 7E 7F 09 01 F7"), "reset", 0, 1_920_000, 100),
    Placed(53, bytes.fromhex("C0 05"), "channel 1, program 6, a \x1b[2J name", 102_400_000, 0),
)


def test_a_list_tells_time_bytes_and_what_for_and_is_read_back() -> None:
    text = write_setup_list([("", ROWS[:1]), ("pattern 2", ROWS[1:])])
    assert text.splitlines() == [
        "# ms from the start; bytes in hex; what it is for",
        "     0.000  F0 7E 7F 09 01 F7  reset; then 100 ms rest",
        "# pattern 2",
        "   102.400  C0 05  channel 1, program 6, a \\x1b[2J name",
    ]
    assert read_setup_list(text) == tuple(row.message for row in ROWS)


def test_only_exclusive_messages_go_into_a_syx_file() -> None:
    timed = exclusive_of(ROWS)
    assert [(row.data, row.rest_ms) for row in timed] == [(ROWS[0].message, 100)]
    assert read_syx(write_syx(timed)) == (ROWS[0].message,)
