"""The distribution of lateness, counted a second way."""

from __future__ import annotations

import statistics

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.timing.lateness import Spread, lateness, spread
from knobwright.core.timing.wire import Link, departures, traffic_of

NOTE, OFF, BEND = (bytes.fromhex(text) for text in ("90 3C 40", "90 3C 00", "E0 00 40"))
TIMES = st.lists(st.integers(0, 10**12), min_size=1, max_size=300)


@given(TIMES)
def test_ranks_are_the_smallest_values_that_cover_their_share(times: list[int]) -> None:
    found = spread(np.array(times), np.arange(len(times)))
    for value, percent in ((found.median_ns, 50), (found.p99_ns, 99)):
        assert value in times
        assert sum(t <= value for t in times) * 100 >= percent * len(times)
        assert sum(t < value for t in times) * 100 < percent * len(times)
    assert found.median_ns == statistics.median_low(times)
    assert found.worst_ns == max(times)
    assert found.worst_due_ns == times.index(max(times))


def test_no_times_have_no_spread() -> None:
    nothing = np.zeros(0, np.int64)
    assert spread(nothing, nothing) == Spread(0, 0, 0, 0, 0)


def test_notes_are_counted_apart_from_what_they_wait_for() -> None:
    # Eleven bends before a note: 33 bytes of 320 us, and its own three.
    sent = traffic_of([0] * 13, [*[BEND] * 11, NOTE, OFF])
    found = lateness(sent, departures(sent, Link()))
    assert found.finish == Spread(13, 7 * 960_000, 13 * 960_000, 13 * 960_000, 0)
    assert found.start.worst_ns == 12 * 960_000
    assert found.notes_start == Spread(1, 10_560_000, 10_560_000, 10_560_000, 0)
    assert found.notes_finish.worst_ns == 11_520_000
    assert (found.n_late_notes, found.limit_ns) == (1, 10_000_000)


def test_a_note_on_a_free_line_is_late_by_its_own_bytes() -> None:
    sent = traffic_of([7], [NOTE])
    found = lateness(sent, departures(sent, Link()), limit_ns=960_000)
    assert found.notes_finish.worst_ns == 960_000
    assert found.notes_start.worst_ns == 0
    assert found.n_late_notes == 0
