"""Pass-throughs: an example of each fault worked by hand, and what holds for all of them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.adapters.ports.throughs import THROUGHS, Fault, Through, fault
from knobwright.core.errors import InputError
from knobwright.core.wire import Message, Splitter

#: The time of a byte at 31 250 baud, ten bits a byte (MIDI 1.0 Detailed Specification, page 1).
BYTE_NS = 320_000

# For each fault: its numbers, what goes in without a rest, and what comes out; by hand.
EXAMPLES: dict[str, list[tuple[dict[str, int], str, str]]] = {
    "exclusive-dropped": [
        ({}, "90 3C 40 F0 7D 01 F8 02 F7 80 3C 40", "90 3C 40 F8 80 3C 40"),
    ],
    "exclusive-cut": [
        ({"n_bytes": 4}, "F0 7D 01 02 03 04 F7 F6", "F0 7D 01 02 F7 F6"),
        ({"n_bytes": 4, "ended": 0}, "F0 7D 01 02 03 F7 F0 7D F7", "F0 7D 01 02 F0 7D F7"),
        ({"n_bytes": 4}, "F0 7D 01 F7", "F0 7D 01 F7"),
    ],
    "exclusive-too-long": [
        ({"n_bytes": 5}, "F0 7D 01 02 F7 F0 7D 01 02 03 F7 F6", "F0 7D 01 02 F7 F6"),
        ({"n_bytes": 5}, "F0 7D F8 01 F7", "F8 F0 7D 01 F7"),
    ],
    "exclusive-split": [
        ({"n_bytes": 5}, "F0 01 02 03 04 F7", "F0 01 02 03 F7 F0 04 F7"),
        ({"n_bytes": 5}, "F0 01 02 03 F7", "F0 01 02 03 F7"),
    ],
    "deaf-after-exclusive": [
        ({"rest_us": 320}, "F0 7D F7 90 3C 40 90 3E 40", "F0 7D F7 90 3E 40"),
        ({"rest_us": 320}, "F0 7D F7 F8 90 3E 40", "F0 7D F7 90 3E 40"),
        ({"rest_us": 320}, "F0 7D F7 F0 7D 01 F7 F0 7D F7", "F0 7D F7 F0 7D F7"),
    ],
    "running-status-ignored": [
        ({}, "90 3C 40 3E 40 F8 80 3C 00 3E 00", "90 3C 40 F8 80 3C 00"),
    ],
    "running-status-lost": [
        ({}, "90 3C 40 3E 40 F8 3C 00 90 3C 40", "90 3C 40 3E 40 F8 90 3C 40"),
        ({}, "90 3C F8 40 90 3E 40", "90 3C F8 40 90 3E 40"),
    ],
    "running-status-kept": [
        ({}, "90 3C 40 F0 7D F7 3E 40 3F 40", "90 3C 40 F0 7D F7 90 3E 40 90 3F 40"),
        ({}, "C3 05 F6 06 07", "C3 05 F6 C3 06 C3 07"),
    ],
    "real-time-dropped": [({}, "90 F8 3C 40 FE", "90 3C 40")],
    "real-time-moved": [
        ({}, "90 3C F8 40 F0 7D FE 01 F7 F8", "90 3C 40 F8 F0 7D 01 F7 FE F8"),
    ],
    "real-time-ends-exclusive": [
        ({}, "F0 7D 01 F8 02 F8 03 F7 90 3C 40", "F0 7D 01 F7 F8 F8 90 3C 40"),
        ({"ended": 0}, "F0 7D 01 F8 02 F7 F0 7D F7", "F0 7D 01 F8 F0 7D F7"),
    ],
    "real-time-breaks-message": [
        ({}, "90 3C F8 40 90 3E 40 F0 7D F8 01 F7", "90 3C F8 90 3E 40 F0 7D F8 01 F7"),
    ],
    "note-off-dropped": [
        ({}, "90 3C 40 80 3C 40 3E 40 90 3C 00", "90 3C 40 90 3C 00"),
    ],
    "note-on-0-dropped": [
        ({}, "90 3C 40 3C 00 3E 40 80 3C 00", "90 3C 40 3E 40 80 3C 00"),
        ({}, "90 3C 00 3E 40", "90 3E 40"),
    ],
    "channel-dropped": [
        ({"channel": 1}, "90 3C 40 91 3C 40 F8 F0 7D F7", "91 3C 40 F8 F0 7D F7"),
    ],
    "channel-moved": [
        (
            {"channel": 1, "to_channel": 2},
            "90 3C 40 3E 40 C0 05 91 3C 00",
            "91 3C 40 3E 40 C1 05 91 3C 00",
        ),
    ],
    "values-capped": [
        ({"highest": 99}, "90 3C 7F B0 07 64 C0 7F F1 7F", "90 3C 63 B0 07 63 C0 63 F1 7F"),
    ],
    "common-dropped": [
        ({}, "F1 10 F2 01 02 F3 05 F6 F8 90 3C 40 F0 7D F7", "F8 90 3C 40 F0 7D F7"),
    ],
    "echo": [
        (
            {},
            "90 3C 40 F8 F0 7D 01 F7",
            "90 3C 40 90 3C 40 F8 F8 F0 7D 01 F7 F0 7D 01 F7",
        ),
    ],
    "stuck": [
        ({"one_in": 2, "n_times": 2}, "90 3C 40 B0 07 64", "90 3C 40" + " B0 07 64" * 3),
    ],
    "exchanged": [
        ({"one_in": 2}, "90 3C 40 90 3E 40 90 40 40", "90 3C 40 90 40 40 90 3E 40"),
    ],
    "nothing": [({}, "90 3C 40 F8", "")],
    "lost-after-run": [({"n_bytes": 4}, "90 3C 40 90 3E 40", "90 3C 40 90")],
    # A byte comes every 320 us and takes 640 us to be read: the fourth and the sixth find two in
    # the buffer.
    "overrun": [({"n_bytes": 2, "percent": 50}, "01 02 03 04 05 06", "01 02 03 05")],
    "swapped": [
        ({"n_run": 1, "one_in": 1}, "90 3C 40 C0 05", "90 40 3C C0 05"),
        ({"n_run": 3, "one_in": 1}, "90 3C F8 40 3E 00", "90 3C F8 40 00 3E"),
    ],
    "bytes-lost": [({"one_in": 1}, "90 3C 40", "")],
    "bytes-changed": [({"one_in": 1 << 20}, "90 3C 40", "90 3C 40")],
    "late": [({"latency_us": 5_000, "jitter_us": 900}, "90 3C 40 F8", "90 3C 40 F8")],
    "status-left-out": [
        (
            {},
            "90 3C 40 90 3E 40 F8 90 3C 00 F0 7D F7 90 3C 40",
            "90 3C 40 3E 40 F8 3C 00 F0 7D F7 90 3C 40",
        ),
    ],
    "status-written": [({}, "90 3C 40 3E 40 F8 C0 01 02", "90 3C 40 90 3E 40 F8 C0 01 C0 02")],
}

ALL_FAULTS = st.sampled_from(sorted(THROUGHS)).map(fault)
STREAMS = st.lists(
    st.sampled_from([0x90, 0xB1, 0xC0, 0xF0, 0xF7, 0xF2, 0xF6, 0xF8, 0xFE, 1, 2, 3, 4])
    | st.integers(0, 255),
    max_size=80,
).map(bytes)


def joined(pieces: list[tuple[bytes, int]]) -> bytes:
    return b"".join(data for data, _ in pieces)


def by_byte(pieces: list[tuple[bytes, int]]) -> list[tuple[int, int]]:
    return [(byte, at_ns) for data, at_ns in pieces for byte in data]


def test_every_fault_has_an_example() -> None:
    assert EXAMPLES.keys() == THROUGHS.keys()
    assert sum(row.is_fault for row in THROUGHS.values()) >= 16


@pytest.mark.parametrize(
    ("name", "numbers", "sent", "left"),
    [(name, *example) for name, examples in EXAMPLES.items() for example in examples],
)
def test_the_examples_worked_by_hand(
    name: str, numbers: dict[str, int], sent: str, left: str
) -> None:
    through = Through([fault(name, **numbers)], seed=3)
    assert joined(through.feed(bytes.fromhex(sent), 0)).hex(" ").upper() == left


def test_a_good_one_sends_each_byte_on_a_byte_later() -> None:
    assert Through().feed(bytes.fromhex("90 3C 40"), 1_000) == [
        (b"\x90", 1_000 + 2 * BYTE_NS),
        (b"\x3c", 1_000 + 3 * BYTE_NS),
        (b"\x40", 1_000 + 4 * BYTE_NS),
    ]


def test_what_is_sent_faster_than_the_line_waits_for_it() -> None:
    through = Through()
    through.feed(bytes(100), 0)
    assert through.feed(b"\xf8", 0) == [(b"\xf8", 102 * BYTE_NS)]


def test_lines_that_take_no_time_give_all_at_once() -> None:
    assert Through(baud=0).feed(b"\x90\x3c\x40", 7) == [(b"\x90\x3c\x40", 7)]


def test_a_fault_at_full_rate_is_none_when_there_are_rests() -> None:
    for name in ("lost-after-run", "swapped", "overrun"):
        through = Through([fault(name)], seed=1)
        sent = [bytes((0x90, 60 + i % 30, 64)) for i in range(200)]
        pieces = [through.feed(message, i * 10_000_000) for i, message in enumerate(sent)]
        assert b"".join(map(joined, pieces)) == b"".join(sent), name


def test_a_fault_at_full_rate_is_there_without_rests() -> None:
    for name in ("lost-after-run", "swapped", "overrun"):
        sent = b"".join(bytes((0x90, 60 + i % 30, 64)) for i in range(200))
        assert joined(Through([fault(name)], seed=1).feed(sent, 0)) != sent, name


def test_being_deaf_after_an_exclusive_ends_with_the_rest() -> None:
    exclusive, note = bytes.fromhex("F0 7D F7"), bytes.fromhex("90 3C 40")
    for gap_us, hears in ((19_999, False), (20_000, True)):
        through = Through([fault("deaf-after-exclusive", rest_us=20_000)])
        through.feed(exclusive, 0)
        left = joined(through.feed(note, 3 * BYTE_NS + gap_us * 1_000))
        assert (left == note) is hears, gap_us


def test_faults_work_one_after_the_other() -> None:
    through = Through([fault("real-time-dropped"), fault("echo")], baud=0)
    assert joined(through.feed(bytes.fromhex("90 F8 3C 40"), 0)).hex() == "903c40903c40"


def test_lateness_lies_between_its_ends_and_never_changes_the_order() -> None:
    through = Through([fault("late", latency_us=5_000, jitter_us=2_000)], seed=5)
    late_us = []
    for i in range(200):
        at_ns = i * 20_000_000
        [(_, first_ns), *_] = through.feed(bytes((0x90, 60, 64)), at_ns)
        late_us.append((first_ns - at_ns - 2 * BYTE_NS) / 1_000)
    assert 5_000 <= min(late_us) < 5_200
    assert 6_800 < max(late_us) <= 7_000


def test_changed_bytes_stay_data_and_differ_by_one_bit() -> None:
    sent = bytes(range(128)) * 4
    left = joined(Through([fault("bytes-changed", one_in=1)], seed=2, baud=0).feed(sent, 0))
    assert len(left) == len(sent)
    assert max(left) < 0x80
    assert all((a ^ b).bit_count() == 1 for a, b in zip(sent, left, strict=True))


def test_chance_follows_the_seed() -> None:
    sent = bytes(range(128)) * 8

    def left(seed: int) -> bytes:
        return joined(Through([fault("bytes-lost", one_in=20)], seed, baud=0).feed(sent, 0))

    assert left(1) == left(1)
    assert left(1) != left(2)
    assert len(sent) * 0.9 < len(left(1)) < len(sent)


@given(STREAMS)
def test_a_good_one_changes_nothing(data: bytes) -> None:
    assert joined(Through().feed(data, 0)) == data


@given(STREAMS, st.lists(ALL_FAULTS, max_size=2), st.data())
def test_how_the_bytes_are_cut_makes_no_difference(
    data: bytes, faults: list[Fault], draw: st.DataObject
) -> None:
    cut = draw.draw(st.integers(0, len(data)))
    parts = Through(faults, 4)
    pieces = parts.feed(data[:cut], 0) + parts.feed(data[cut:], 0)
    assert by_byte(pieces) == by_byte(Through(faults, 4).feed(data, 0))


@given(STREAMS, st.lists(ALL_FAULTS, max_size=3), st.integers(0, 2**31))
def test_times_never_go_back_and_nothing_leaves_before_it_came(
    data: bytes, faults: list[Fault], seed: int
) -> None:
    pieces = Through(faults, seed).feed(data, 1_000)
    times = [at_ns for _, at_ns in pieces]
    assert times == sorted(times)
    assert all(at_ns > 1_000 for at_ns in times)
    assert all(piece for piece, _ in pieces)


# What meets even single messages that have their status and a rest.
ALWAYS = {"bytes-lost", "bytes-changed", "nothing", "exchanged", "stuck", "echo"}


@given(STREAMS, st.sampled_from(sorted(THROUGHS.keys() - ALWAYS)))
def test_after_any_stream_plain_messages_with_rests_pass_whole(data: bytes, name: str) -> None:
    through = Through([fault(name)], 1)
    left = joined(through.feed(data + b"\xf7\xbf\x00\x00", 0))
    sent = [bytes((0xBF, number, 1)) for number in range(8)]
    for i, message in enumerate(sent, 1):
        left += joined(through.feed(message, i * 50_000_000))
    found = [record.data for record in Splitter().feed(left) if isinstance(record, Message)]
    assert found[-8:] == sent


def test_a_fault_that_does_not_exist_is_refused_with_the_nearest() -> None:
    with pytest.raises(InputError, match="no fault 'exclusive-cutt'") as caught:
        fault("exclusive-cutt")
    assert caught.value.hint == "did you mean 'exclusive-cut'?"


def test_a_number_is_refused_with_its_range_or_the_nearest_name() -> None:
    with pytest.raises(InputError, match="n_bytes of exclusive-cut is 3 to 1048576, not 2"):
        fault("exclusive-cut", n_bytes=2)
    with pytest.raises(InputError, match="no number 'bytes'") as caught:
        fault("exclusive-cut", bytes=8)
    assert "n_bytes" in caught.value.hint
    with pytest.raises(InputError) as caught:
        fault("echo-echo")
    assert "echo" in caught.value.hint
    with pytest.raises(ValueError, match="baud"):
        Through(baud=-1)
