"""The song under the order rules: against the arithmetic of the line, and what they gain."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from knobwright.core.codec.check import check_sheet
from knobwright.core.song.read import read_song
from knobwright.core.song.timeline import timeline
from knobwright.core.timing.ordered import NEVER, compare, run_ordered
from knobwright.core.timing.places import Places
from knobwright.core.timing.wire import Link, departures, traffic, traffic_of
from tests.oracle import midifile

MS = 1_000_000
NOTE = bytes.fromhex("90 3C 40")
#: Nothing of these may change its place on one channel: notes, programs, switches, mode.
IN_ORDER = st.sampled_from(
    [NOTE, bytes.fromhex("80 3C 40"), b"\xc0\x05", b"\xb0\x40\x7f", b"\xb0\x7b\x00"]
)


@settings(max_examples=60)
@given(
    rows=st.lists(st.tuples(st.integers(0, 3 * MS), IN_ORDER), max_size=40),
    baud=st.sampled_from([31_250, 38_400]),
    running=st.booleans(),
)
def test_what_keeps_its_order_leaves_as_the_arithmetic_says(
    rows: list[tuple[int, bytes]], baud: int, running: bool
) -> None:
    due = np.cumsum([step for step, _ in rows], dtype=np.int64).tolist()
    sent = traffic_of(due, [message for _, message in rows])
    link = Link(baud, running)  # all within two seconds, so that no status is repeated
    run, plain = run_ordered(sent, link), departures(sent, link)
    assert run.number.tolist() == list(range(len(rows)))
    assert run.end_ns.tolist() == plain.end_ns.tolist()
    assert run.n_bytes.tolist() == plain.n_bytes.tolist()


def test_a_note_waits_for_the_message_on_the_line_and_no_longer() -> None:
    sweep = [bytes((0xB1, 1, value)) for value in range(50)]
    sent = traffic_of([0] * 51, [*sweep, NOTE])
    found = compare(sent, Link())
    assert found.plain_start.worst_ns == 50 * 960_000
    assert found.start.worst_ns == 960_000
    assert (found.n_replaced, found.n_overtaken, found.n_refused) == (48, 1, 0)
    assert (found.n_plain_late, found.n_late) == (1, 0)


def test_a_value_that_a_newer_one_replaced_is_never_sent() -> None:
    sent = traffic_of([0] * 3, [bytes((0xB1, 1, value)) for value in range(3)])
    run = run_ordered(sent, Link())
    assert run.end_ns.tolist() == [960_000, NEVER, 1_920_000]


def test_a_selection_goes_with_its_data() -> None:
    rows = [bytes.fromhex(text) for text in ("B0 65 00", "B0 64 00", "B0 06 0C")]
    run = run_ordered(traffic_of([0, 0, 0], rows), Link())
    assert run.number.tolist() == [2]
    assert run.end_ns.tolist() == [9 * 320_000]


@pytest.mark.parametrize("holds", ["exclusive", "all"])
def test_rests_hold_what_the_link_says(holds: str) -> None:
    sent = traffic_of([0, 0], [b"\xf0\x7d\x01\xf7", bytes.fromhex("F0 7D 02 F7")])
    run = run_ordered(sent, Link(gap_ns=20 * MS, gap_holds=holds))
    assert run.end_ns.tolist() == [1_280_000, 22_560_000]


CHOICE = """
format = 1
[module]
name = "Invented"
channels = "1-16"
[[parameter]]
key = "hall.kind"
per = ["channel"]
line = "Bn 14 vv"
choices = { 0 = "room", 1 = "stage", 2 = "plate" }
"""


def test_what_the_sheet_calls_a_choice_is_never_left_out() -> None:
    sheet = check_sheet(CHOICE).sheet
    assert sheet is not None
    rows = [bytes((0xB0, 20, value)) for value in (0, 1, 2)]
    sent = traffic_of([0, 0, 0], rows)
    assert run_ordered(sent, Link()).counts.n_replaced == 1
    run = run_ordered(sent, Link(), place_of=Places(sheet.parameters))
    assert run.end_ns.tolist() == [960_000, 1_920_000, 2_880_000]
    found = compare(sent, Link(), place_of=Places(sheet.parameters))
    assert (found.n_replaced, found.finish.n) == (0, 0)


def test_nothing_is_lost_of_a_heavy_song_and_its_worst_note_gains() -> None:
    midifile.require("freedoom")
    data = dict(midifile.songs("freedoom"))["freedoom1:D_E3M8"]
    sent = traffic(timeline(read_song(data)))
    found = compare(sent, Link())
    assert found.finish.n == found.plain_finish.n == int(sent.is_note_on.sum())
    assert found.plain_finish.worst_ns == 446_400_000  # the known worst wait is that of a note
    assert found.finish.worst_ns < found.plain_finish.worst_ns / 4
    assert found.n_refused == 0


def test_notes_that_find_no_room_are_counted() -> None:
    sent = traffic_of([0] * 30, [bytes((0x90, key, 64)) for key in range(30)])
    run = run_ordered(sent, Link(), max_items=4)
    n_sent = int((run.end_ns != NEVER).sum())
    assert n_sent + run.counts.n_refused_notes == 30
    assert run.counts.n_refused_notes > 0
    found = compare(sent, Link(), max_items=4)
    assert (found.finish.n, found.n_refused) == (n_sent, 30 - n_sent)
    assert found.finish.worst_ns == n_sent * 960_000
