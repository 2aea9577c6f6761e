"""What holds for any bytes in any pieces."""

from __future__ import annotations

import itertools

from hypothesis import example, given
from hypothesis import strategies as st

from knobwright.core.wire.messages import check_whole, describe
from knobwright.core.wire.stream import REASONS, Dropped, Message, Splitter
from tests.core.wire.plain_reference import split

# Plain random bytes seldom make a message; these lean towards what the rules are about.
BYTES = st.one_of(
    st.binary(max_size=200),
    st.lists(
        st.one_of(
            st.sampled_from([0x90, 0x80, 0xB3, 0xC1, 0xD2, 0xEF, 0xA0]),
            st.sampled_from([0xF0, 0xF7, 0xF7, 0xF1, 0xF2, 0xF3, 0xF6]),
            st.sampled_from([0xF8, 0xFE, 0xF9, 0xFD, 0xFF, 0xF4, 0xF5]),
            *[st.integers(0, 0x7F)] * 4,
        ),
        max_size=60,
    ).map(bytes),
)
LIMITS = st.sampled_from([3, 4, 7, 1 << 20])


def run(data: bytes, cuts: list[int], limit: int) -> tuple[list[Message | Dropped], Splitter]:
    """Return the records of the stream cut at the given places, and the splitter."""
    splitter = Splitter(max_exclusive_bytes=limit)
    records: list[Message | Dropped] = []
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    for start, end in itertools.pairwise(edges):
        records += splitter.feed(data[start:end])
    return records, splitter


@given(BYTES, st.lists(st.integers(0, 1000), max_size=8), LIMITS)
@example(bytes.fromhex("90 3C F8 40 3E FF 40"), [2, 3, 5], 3)
@example(bytes.fromhex("F0 01 02 03 04 05 F7 F7"), [1, 2, 4, 6], 3)
def test_the_pieces_a_stream_comes_in_never_matter(
    data: bytes, cuts: list[int], limit: int
) -> None:
    records, splitter = run(data, cuts, limit)
    whole, other = run(data, [], limit)
    one_by_one, _ = run(data, list(range(len(data))), limit)
    assert records == whole == one_by_one
    assert splitter.end() == other.end()


@given(BYTES, st.lists(st.integers(0, 1000), max_size=8), LIMITS)
def test_every_byte_is_in_exactly_one_record(data: bytes, cuts: list[int], limit: int) -> None:
    records, splitter = run(data, cuts, limit)
    n_out = sum(len(record.data) for record in records)
    assert n_out - splitter.n_restored + splitter.n_pending == len(data)
    ended = splitter.end()
    assert splitter.n_pending == 0
    records += ended
    assert sum(len(record.data) for record in records) - splitter.n_restored == len(data)
    # Which bytes, not only how many: no value appears or is lost but restored channel statuses.
    left = [0] * 256
    for byte in b"".join(record.data for record in records):
        left[byte] += 1
    for byte in data:
        left[byte] -= 1
    assert min(left) == 0
    assert sum(left) == sum(left[0x80:0xF0]) == splitter.n_restored


@given(BYTES, st.lists(st.integers(0, 1000), max_size=3))
def test_it_agrees_with_a_plain_reading_of_the_rules(data: bytes, cuts: list[int]) -> None:
    records, splitter = run(data, cuts, 1 << 20)
    records += splitter.end()
    plain = split(data)
    assert [(r.data, isinstance(r, Message)) for r in records] == [(d, ok) for d, ok, _ in plain]
    assert splitter.n_restored == sum(len(d) - n for d, _, n in plain)


@given(BYTES, LIMITS)
def test_what_is_delivered_is_whole_and_what_is_dropped_has_a_reason(
    data: bytes, limit: int
) -> None:
    records, splitter = run(data, [], limit)
    for record in records + splitter.end():
        if isinstance(record, Message):
            check_whole(record.data)
            assert describe(record.data).isprintable()
        else:
            assert record.reason in REASONS
            assert record.data
