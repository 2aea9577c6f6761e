"""The follower against the splitter: both read the same rules (MIDI 1.0, pages 5, 6, 29, A-2)."""

from __future__ import annotations

from random import Random

from hypothesis import given
from hypothesis import strategies as st

from knobwright.adapters.ports.follow import (
    BODY,
    DATA,
    END,
    LOOSE,
    REAL_TIME,
    START,
    STATUS,
    ByMessage,
    Follower,
    Stage,
)
from knobwright.adapters.ports.throughs import THROUGHS, Made
from knobwright.core.wire import Dropped, Message, Splitter

# Bytes that matter often, so that short streams meet the rules.
STREAMS = st.lists(
    st.sampled_from([0x90, 0xB1, 0xC0, 0xF0, 0xF7, 0xF2, 0xF6, 0xF8, 0xFE, 0xFF, 1, 2, 3, 4])
    | st.integers(0, 255),
    max_size=60,
).map(bytes)


def passed(stage: Stage, data: bytes) -> bytes:
    return bytes(out for byte in data for _, out in stage(0, byte))


def whole(data: bytes) -> list[bytes]:
    return [record.data for record in Splitter().feed(data) if isinstance(record, Message)]


def test_each_byte_is_named() -> None:
    stream = bytes.fromhex("40 90 3C F8 40 3E 40 F0 7D F8 01 F7 3C F6")
    follower = Follower()
    expected = [LOOSE, STATUS, DATA, REAL_TIME, DATA, DATA, DATA, START, BODY, REAL_TIME, BODY, END]
    assert [follower.see(byte) for byte in stream] == [*expected, LOOSE, STATUS]


@given(STREAMS)
def test_the_follower_finds_the_same_loose_bytes_as_the_splitter(data: bytes) -> None:
    follower = Follower()
    loose = [byte for byte in data if follower.see(byte) == LOOSE]
    dropped = [record for record in Splitter().feed(data) if isinstance(record, Dropped)]
    assert loose == [
        record.data[0] for record in dropped if record.reason.startswith("data byte without")
    ]


@given(STREAMS)
def test_the_follower_counts_an_exclusive_as_the_splitter_does(data: bytes) -> None:
    follower = Follower()
    lengths = [follower.n_exclusive for byte in data if follower.see(byte) == END]
    assert lengths == [len(message) for message in whole(data) if message[0] == 0xF0]


@given(STREAMS)
def test_a_stage_that_takes_messages_in_changes_none(data: bytes) -> None:
    assert whole(passed(ByMessage(), data)) == whole(data)


@given(STREAMS, st.sampled_from(["status-left-out", "status-written"]))
def test_what_is_no_fault_changes_no_message(data: bytes, name: str) -> None:
    stage = THROUGHS[name].make(Made({}, 0, Random(0)))
    assert whole(passed(stage, data)) == whole(data)
