"""The splitter against ``mido.Parser``, an independent reader that knows no running status."""

from __future__ import annotations

import mido
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.wire.stream import Message, Splitter

DATA = st.integers(0, 0x7F)


def _fixed(first: int, last: int, n_data: int) -> st.SearchStrategy[bytes]:
    """Return messages with a status in a range and so many data bytes."""
    return st.builds(
        lambda status, data: bytes([status, *data]),
        st.integers(first, last),
        st.lists(DATA, min_size=n_data, max_size=n_data),
    )


REAL_TIME = st.sampled_from([b"\xf8", b"\xfa", b"\xfb", b"\xfc", b"\xfe"])
WHOLE = st.one_of(
    _fixed(0x80, 0xBF, 2),
    _fixed(0xC0, 0xDF, 1),
    _fixed(0xE0, 0xEF, 2),
    _fixed(0xF1, 0xF1, 1),
    _fixed(0xF2, 0xF2, 2),
    _fixed(0xF3, 0xF3, 1),
    st.just(b"\xf6"),
    st.just(b"\xff"),
    REAL_TIME,
    st.binary(max_size=12).map(lambda d: b"\xf0" + bytes(b & 0x7F for b in d) + b"\xf7"),
)


def ours(data: bytes, n_piece: int) -> list[bytes]:
    """Return the messages the splitter finds; fails where it drops anything."""
    splitter = Splitter()
    records = []
    for start in range(0, len(data), n_piece):
        records += splitter.feed(data[start : start + n_piece])
    records += splitter.end()
    assert all(isinstance(record, Message) for record in records)
    return [record.data for record in records]


def theirs(data: bytes) -> list[bytes]:
    """Return the messages mido finds."""
    parser = mido.Parser()
    parser.feed(data)
    return [bytes(message.bytes()) for message in parser]


@given(st.lists(WHOLE, max_size=40), st.integers(1, 9))
def test_whole_messages_come_out_as_mido_reads_them(messages: list[bytes], n_piece: int) -> None:
    stream = b"".join(messages)
    assert ours(stream, n_piece) == messages
    assert theirs(stream) == messages


@given(st.lists(st.tuples(WHOLE, st.integers(0, 20), REAL_TIME), max_size=20), st.integers(1, 9))
def test_real_time_bytes_anywhere_change_no_other_message(
    items: list[tuple[bytes, int, bytes]], n_piece: int
) -> None:
    """mido drops a message with a real-time byte inside, so it reads the stream without them.

    A system reset has nothing inside it: its place in ``items`` only takes a byte before or after.
    """
    stream = b"".join(
        message[: at % (len(message) + 1)] + byte + message[at % (len(message) + 1) :]
        for message, at, byte in items
    )
    real_time = bytes((0xF8, 0xFA, 0xFB, 0xFC, 0xFE))
    found = ours(stream, n_piece)
    assert [m for m in found if m[0] not in real_time] == theirs(stream.translate(None, real_time))
    assert b"".join(m for m in found if m[0] in real_time) == bytes(
        byte for byte in stream if byte in real_time
    )
