"""Load and queue against counting nanosecond by nanosecond on a coarse line."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import InputError
from knobwright.core.timing.load import MAX_WINDOWS, busiest, busy_until, depth, windows
from knobwright.core.timing.wire import Departures, Link, Traffic, departures, traffic_of

#: A byte takes 10 ns, so that every nanosecond can be looked at.
FAST = Link(baud=1_000_000_000)
NOTE = bytes.fromhex("90 3C 40")
ROWS = st.lists(
    st.tuples(st.integers(0, 120), st.sampled_from([NOTE, b"\xc0\x01", b"\xf0\x7d\x01\xf7"])),
    min_size=1, max_size=12,
)  # fmt: skip


def sent_on(rows: list[tuple[int, bytes]], link: Link) -> tuple[Traffic, Departures]:
    due = np.cumsum([step for step, _ in rows]).tolist()
    sent = traffic_of(due, [message for _, message in rows])
    return sent, departures(sent, link)


def busy_flags(found: Departures) -> list[bool]:
    """Return for every nanosecond whether the line is busy, with room behind the end."""
    flags = [False] * (int(found.end_ns[-1]) + 2_000)
    for start, end in zip(found.start_ns.tolist(), found.end_ns.tolist(), strict=True):
        flags[start:end] = [True] * (end - start)
    return flags


@given(rows=ROWS, width=st.integers(1, 400), gap=st.sampled_from([0, 35]))
def test_load_is_what_counting_gives(rows: list[tuple[int, bytes]], width: int, gap: int) -> None:
    sent, found = sent_on(rows, FAST._replace(gap_ns=gap, gap_holds="all"))
    flags = busy_flags(found)
    times = np.arange(0, len(flags), 7)
    assert busy_until(found, times).tolist() == [sum(flags[:t]) for t in times.tolist()]
    curve = windows(sent, found, width)
    for number, (busy, n_due) in enumerate(
        zip(curve.busy_ns.tolist(), curve.n_due_bytes.tolist(), strict=True)
    ):
        start, end = number * width, (number + 1) * width
        assert busy == sum(flags[start:end])
        inside = (sent.due_ns >= start) & (sent.due_ns < end)
        assert n_due == int(found.n_bytes[inside].sum())
    assert curve.busy_ns.sum() == sum(flags)
    assert (curve.load <= 1).all()


@given(rows=ROWS, width=st.integers(1, 400))
def test_the_busiest_window_is_the_fullest(rows: list[tuple[int, bytes]], width: int) -> None:
    sent, found = sent_on(rows, FAST)
    flags = busy_flags(found)
    best = busiest(sent, found, width)
    at_starts = [sum(flags[start : start + width]) for start in found.start_ns.tolist()]
    assert best.busy_ns == max(at_starts)
    # No window that begins elsewhere is fuller: it could be moved to the next message.
    elsewhere = range(0, int(found.end_ns[-1]), 3)
    assert max(sum(flags[t : t + width]) for t in elsewhere) <= best.busy_ns
    assert best.busy_at_ns == int(found.start_ns[at_starts.index(max(at_starts))])
    assert best.load == best.busy_ns / width
    due = sent.due_ns
    demands = [int(found.n_bytes[(due >= t) & (due < t + width)].sum()) for t in due.tolist()]
    assert best.n_due_bytes == max(demands)
    assert best.due_at_ns == int(due[demands.index(max(demands))])


@given(rows=ROWS)
def test_what_waits_is_what_is_due_and_has_not_left(rows: list[tuple[int, bytes]]) -> None:
    sent, found = sent_on(rows, FAST)
    waiting = depth(sent, found)
    assert len(set(waiting.at_ns.tolist())) == len(waiting.at_ns)
    for at, n_messages, n_bytes in zip(*(column.tolist() for column in waiting), strict=True):
        inside = (sent.due_ns <= at) & (found.end_ns > at)
        assert n_messages == int(inside.sum())
        assert n_bytes == int(found.n_bytes[inside].sum())
    assert waiting.n_messages[-1] == waiting.n_bytes[-1] == 0


def test_a_song_that_claims_to_last_for_years_has_bounded_windows() -> None:
    year_ns = 365 * 86_400 * 10**9
    sent = traffic_of([0, 100 * year_ns], [NOTE, NOTE])
    found = departures(sent, Link())
    curve = windows(sent, found)
    assert len(curve.busy_ns) <= MAX_WINDOWS + 1
    assert curve.busy_ns.sum() == 2 * 960_000
    assert curve.width_ns % 10**9 == 0


def test_nothing_sent_is_no_load() -> None:
    sent = traffic_of([], [])
    found = departures(sent, Link())
    assert busiest(sent, found).load == 0
    assert not len(windows(sent, found).busy_ns)
    assert not len(depth(sent, found).at_ns)


def test_a_window_without_width_is_refused() -> None:
    sent = traffic_of([0], [NOTE])
    found = departures(sent, Link())
    for width in (0, -5, 2 * 86_400 * 10**9):
        with pytest.raises(InputError, match=f"at most a day, found {width} ns"):
            windows(sent, found, width)
        with pytest.raises(InputError, match="wider than 0"):
            busiest(sent, found, width)
