"""When messages leave: published waits, the standard's example files, and a simulation beside it.

The worst waits of the three songs are those of the Debian package freedoom 0.12.1-2, computed apart
from this program from mido's reading: every message down one cable at 320 us a byte (MIDI 1.0
Detailed Specification 4.2.1, page 1), in mido's order.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import InputError
from knobwright.core.song.read import read_song
from knobwright.core.song.timeline import timeline
from knobwright.core.timing.load import busiest
from knobwright.core.timing.wire import (
    MAX_BAUD,
    Link,
    byte_starts,
    departures,
    traffic,
    traffic_of,
    wire_bytes,
)
from knobwright.core.wire import cost_bytes
from tests.core.song.made import EXAMPLE_0, EXAMPLE_1
from tests.core.timing.line_model import LineModel
from tests.oracle import midifile

MS = 1_000_000
# song: worst wait in ms with full and with running status.
WORST = {
    "freedoom1:D_E3M8": (446.4, 372.5),
    "freedoom1:D_E2M4": (334.1, 271.0),
    "freedoom1:D_E3M1": (329.6, 275.2),
}
NOTE, EXCLUSIVE = bytes.fromhex("90 3C 40"), bytes.fromhex("F0 7D 01 F7")


@pytest.mark.parametrize("name", WORST)
def test_the_worst_waits_of_heavy_songs_are_the_known_ones(name: str) -> None:
    midifile.require("freedoom")
    data = dict(midifile.songs("freedoom"))[name]
    sent = traffic(timeline(read_song(data, name)))
    for running, known_ms in zip((False, True), WORST[name], strict=True):
        found = departures(sent, Link(running_status=running))
        worst_ms = int((found.end_ns - sent.due_ns).max()) / MS
        assert abs(worst_ms - known_ms) < 0.1


def test_the_busiest_second_of_the_heaviest_song_has_1407_bytes() -> None:
    midifile.require("freedoom")
    data = dict(midifile.songs("freedoom"))["freedoom1:D_E3M8"]
    sent = traffic(timeline(read_song(data)))
    assert busiest(sent, departures(sent, Link())).n_due_bytes == 1407


# RP-001's two example files; the sums are worked out from the printed bytes: 11 messages, of which
# three are programs; in order of time one status (format 0) or three repeat.
@pytest.mark.parametrize(
    ("data", "full", "running"), [(EXAMPLE_0, 30, 28), (EXAMPLE_1, 30, 27)], ids=["0", "1"]
)
def test_the_standards_examples_take_their_known_time(data: bytes, full: int, running: int) -> None:
    sent = traffic(timeline(read_song(data)))
    for has_running, n_bytes in ((False, full), (True, running)):
        found = departures(sent, Link(running_status=has_running))
        assert int(found.n_bytes.sum()) == n_bytes
        assert int((found.end_ns - found.start_ns).sum()) == n_bytes * 320_000
    # At the start three programs and two notes are due together: 2 + 2 + 2 + 3 + 3 bytes.
    found = departures(sent, Link())
    at_once = sent.due_ns == 0
    assert found.end_ns[at_once].max() == 12 * 320_000


def test_a_message_starts_when_it_is_due_or_when_the_line_is_free() -> None:
    sent = traffic_of([0, 0, 500_000, 10 * MS], [NOTE, NOTE, NOTE, NOTE])
    found = departures(sent, Link())
    assert found.start_ns.tolist() == [0, 960_000, 1_920_000, 10 * MS]
    assert found.end_ns.tolist() == [960_000, 1_920_000, 2_880_000, 10_960_000]


RUNNING = {
    "a status that repeats": ("90 3C 40 | 90 3E 40", [3, 2]),
    "another channel": ("90 3C 40 | 91 3E 40", [3, 3]),
    "real time leaves it": ("90 3C 40 | F8 | 90 3E 40", [3, 1, 2]),
    "undefined real time leaves it": ("90 3C 40 | FD | 90 3E 40", [3, 1, 2]),
    "system common clears it": ("90 3C 40 | F6 | 90 3E 40", [3, 1, 3]),
    "an exclusive clears it": ("90 3C 40 | F0 7D F7 | 90 3E 40", [3, 3, 3]),
    "a reset clears it": ("90 3C 40 | FF | 90 3E 40", [3, 1, 3]),
    "clocks are never shortened": ("F8 | F8 | F8", [1, 1, 1]),
    "exclusives are never shortened": ("F0 7D F7 | F0 7D F7", [3, 3]),
    "channel mode takes part": ("B0 07 40 | B0 7B 00", [3, 2]),
    "programs": ("C0 01 | C0 02", [2, 1]),
}  # MIDI 1.0 Detailed Specification 4.2.1, pages 5, 33 and A-2


@pytest.mark.parametrize("name", RUNNING)
def test_running_status_by_the_rules_of_the_standard(name: str) -> None:
    text, sizes = RUNNING[name]
    messages = [bytes.fromhex(part) for part in text.split("|")]
    sent = traffic_of([0] * len(messages), messages)
    assert wire_bytes(sent, running_status=True).tolist() == sizes
    assert wire_bytes(sent, running_status=False).tolist() == [len(m) for m in messages]


def test_a_rest_for_exclusives_lets_notes_go_and_holds_the_next_exclusive() -> None:
    link = Link(gap_ns=20 * MS)
    sent = traffic_of([0, 0, 0, 0], [EXCLUSIVE, NOTE, EXCLUSIVE, NOTE])
    found = departures(sent, link)
    first_end = 4 * 320_000
    assert found.start_ns.tolist() == [
        0, first_end, first_end + 20 * MS, 2 * first_end + 20 * MS,
    ]  # fmt: skip


def test_a_rest_for_all_holds_notes_but_no_clock() -> None:
    link = Link(gap_ns=20 * MS, gap_holds="all")
    sent = traffic_of([0, 0, 0], [EXCLUSIVE, b"\xf8", NOTE])
    first_end = 4 * 320_000
    assert departures(sent, link).start_ns.tolist() == [0, first_end, first_end + 20 * MS]


def test_a_rest_of_one_message_holds_what_follows() -> None:
    sent = traffic_of([0, 0, 0], [EXCLUSIVE, NOTE, NOTE])
    rests = np.array([100 * MS, 0, 0])
    found = departures(sent, Link(gap_ns=20 * MS, gap_holds="all"), rest_ns=rests)
    assert found.start_ns.tolist() == [0, 101_280_000, 102_240_000]


MESSAGES = st.one_of(
    st.builds(lambda s, a, b: bytes((s, a, b)), st.integers(0x90, 0x92), st.just(60), st.just(9)),
    st.builds(lambda s, a: bytes((s, a)), st.integers(0xC0, 0xC1), st.integers(0, 3)),
    st.integers(1, 9).map(lambda n: b"\xf0" + b"\x01" * n + b"\xf7"),
    st.sampled_from([b"\xf8", b"\xfe", b"\xff", b"\xf6", b"\xf1\x00", b"\xf2\x00\x00"]),
)
SENT = st.lists(st.tuples(st.integers(0, 5 * MS), MESSAGES, st.sampled_from([0, 0, 0, 3 * MS])),
                max_size=40)  # fmt: skip


@given(
    rows=SENT,
    baud=st.sampled_from([31_250, 38_400, 115_200, 1_000_000]),
    running=st.booleans(),
    gap_ns=st.sampled_from([0, 1, 2 * MS, 20 * MS]),
    holds=st.sampled_from(["exclusive", "all"]),
    with_rests=st.booleans(),
)
def test_a_simulation_written_apart_agrees_exactly(
    rows: list[tuple[int, bytes, int]], baud: int, running: bool, gap_ns: int, holds: str,
    with_rests: bool,
) -> None:  # fmt: skip
    due = np.cumsum([step for step, _, _ in rows], dtype=np.int64).tolist()
    messages = [message for _, message, _ in rows]
    rests = [rest for _, _, rest in rows] if with_rests else []
    link = Link(baud, running, gap_ns, holds)
    model = LineModel(link.byte_ns, running=running, gap_ns=gap_ns, holds=holds, rests=rests)
    model.run(due, messages)
    rest_ns = np.array(rests, np.int64) if with_rests else None
    found = departures(traffic_of(due, messages), link, rest_ns=rest_ns)
    assert found.start_ns.tolist() == model.starts
    assert found.end_ns.tolist() == model.ends
    assert byte_starts(found, link).tolist() == model.byte_starts
    assert found.n_bytes.sum() == cost_bytes(messages, running_status=running)


def test_nothing_takes_no_time() -> None:
    sent = traffic_of([], [])
    for gap_holds in ("exclusive", "all"):
        found = departures(sent, Link(gap_ns=1, gap_holds=gap_holds, running_status=True))
        assert not len(found.start_ns)
        assert not len(byte_starts(found, Link()))


def test_a_line_without_a_limit_delays_only_by_rests() -> None:
    sent = traffic_of([0, 0, 5], [EXCLUSIVE, EXCLUSIVE, NOTE])
    found = departures(sent, Link(baud=0, gap_ns=100))
    assert found.end_ns.tolist() == [0, 100, 100]


def test_the_time_of_a_byte_is_exact_on_a_midi_cable() -> None:
    assert Link().byte_ns == 320_000  # 4.2.1, page 1: ten bits at 31.25 kbaud
    assert Link(baud=MAX_BAUD).byte_ns == 10


@pytest.mark.parametrize(
    ("link", "words"),
    [
        (Link(baud=-1), r"0 \(no limit\) to 1000000000 baud, not -1"),
        (Link(baud=MAX_BAUD + 1), "not 1000000001"),
        (Link(gap_ns=-1), "a rest is 0 to 60 s"),
        (Link(gap_ns=61 * 10**9), "found 61 s"),
        (Link(gap_holds="some"), "exclusive, all, not 'some'"),
    ],
)
def test_what_is_no_link_is_refused_with_what_would_be(link: Link, words: str) -> None:
    with pytest.raises(InputError, match=words):
        departures(traffic_of([], []), link)


def test_times_that_fall_are_refused_with_their_place() -> None:
    with pytest.raises(InputError, match="message 3 of 3"):
        traffic_of([0, 5, 4], [NOTE] * 3)
    with pytest.raises(InputError, match="2 messages need 2 times, found 1"):
        traffic_of([0], [NOTE] * 2)
