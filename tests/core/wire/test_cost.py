"""Bytes and time on the wire; MIDI 1.0 Detailed Specification 4.2.1, pages 1, 5, 30, A-1, A-2."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.wire.cost import (
    DIN_BAUD,
    START_REST_US,
    cost_bytes,
    shortened,
    wire_time_us,
)
from knobwright.core.wire.stream import Splitter

# messages -> bytes on the wire with running status, size in full, size with running status
ROWS = {
    # Page A-1, worked strings.
    "C, E, G on": ("90 3C 27|90 40 2B|90 43 25", "90 3C 27 40 2B 43 25", 9, 7),
    "C on, C off as velocity 0, D on": (
        "90 3C 27|90 3C 00|90 3E 29",
        "90 3C 27 3C 00 3E 29",
        9,
        7,
    ),
    "C on, C off as 8n, D on": (
        "90 3C 27|80 3C 40|90 3E 29",
        "90 3C 27 80 3C 40 90 3E 29",
        9,
        9,
    ),
    # Calculated from the rules of pages 17, 18: RPN 0, NRPN 01 08.
    "bend range of 12 semitones": (
        "B0 65 00|B0 64 00|B0 06 0C|B0 26 00",
        "B0 65 00 64 00 06 0C 26 00",
        12,
        9,
    ),
    "NRPN 01 08 set to 64": ("B0 63 01|B0 62 08|B0 06 40", "B0 63 01 62 08 06 40", 9, 7),
    # Page A-2: what clears the sender's saving, and what leaves it.
    "clock between": ("90 3C 40|F8|90 3E 40", "90 3C 40 F8 3E 40", 7, 6),
    "tune request between": ("90 3C 40|F6|90 3E 40", "90 3C 40 F6 90 3E 40", 7, 7),
    "exclusive between": ("90 3C 40|F0 7D F7|90 3E 40", "90 3C 40 F0 7D F7 90 3E 40", 9, 9),
    "reset between": ("90 3C 40|FF|90 3E 40", "90 3C 40 FF 90 3E 40", 7, 7),  # page 33
    "two song selects": ("F3 01|F3 02", "F3 01 F3 02", 4, 4),
    "two channels": ("90 3C 40|91 3C 40", "90 3C 40 91 3C 40", 6, 6),
    "programs": ("C0 01|C0 02", "C0 01 02", 4, 3),
    "nothing": ("", "", 0, 0),
}


@pytest.mark.parametrize("name", ROWS)
def test_running_status_saves_what_the_standard_says(name: str) -> None:
    text, wire, n_full, n_running = ROWS[name]
    messages = [bytes.fromhex(part) for part in text.split("|") if part]
    sent = list(shortened(messages))
    assert b"".join(sent) == bytes.fromhex(wire)
    assert len(sent) == len(messages)
    assert cost_bytes(messages, running_status=False) == n_full
    assert cost_bytes(messages, running_status=True) == n_running


def test_null_after_a_selection_costs_four_more_bytes() -> None:
    """RPN null as a continuation of the bend range: 6 bytes in full, 4 with running status."""
    bend = [bytes.fromhex(part) for part in ("B0 65 00", "B0 64 00", "B0 06 0C", "B0 26 00")]
    null = [bytes.fromhex("B0 65 7F"), bytes.fromhex("B0 64 7F")]
    for running, n_more in ((False, 6), (True, 4)):
        before = cost_bytes(bend, running_status=running)
        assert cost_bytes(bend + null, running_status=running) - before == n_more


def test_a_byte_takes_320_us_on_a_midi_cable() -> None:
    """Page 1: 31 250 baud, ten bits a byte; a three-byte message takes 0.96 ms."""
    assert DIN_BAUD == 31_250
    assert wire_time_us(1) == 320.0
    assert wire_time_us(3) == 960.0
    assert wire_time_us(0) == 0.0
    assert wire_time_us(1, baud=38_400) == pytest.approx(260.4166667)


def test_a_clock_waits_after_start() -> None:
    """Page 30: at least 1 ms between start or continue and the next clock."""
    assert START_REST_US == 1000


@pytest.mark.parametrize(("n_bytes", "baud"), [(-1, 31_250), (1, 0), (1, -5)])
def test_impossible_lines_are_refused(n_bytes: int, baud: int) -> None:
    with pytest.raises(ValueError, match="baud positive"):
        wire_time_us(n_bytes, baud=baud)


DATA = st.integers(0, 127)
MESSAGES = st.lists(
    st.one_of(
        st.builds(
            lambda s, a, b: bytes((s, a, b)), st.sampled_from([0x90, 0x91, 0xB0]), DATA, DATA
        ),
        st.builds(lambda a: bytes((0xC0, a)), DATA),
        st.sampled_from([b"\xf8", b"\xf6", b"\xff", b"\xf0\x7d\xf7", b"\xf3\x01"]),
    ),
    max_size=30,
)


@given(MESSAGES)
def test_every_receiver_understands_both_forms(messages: list[bytes]) -> None:
    """Page A-2: running status is the sender's choice, and every receiver must understand it."""
    for sent in (messages, shortened(messages)):
        records = Splitter().feed(b"".join(sent))
        assert [record.data for record in records] == messages
