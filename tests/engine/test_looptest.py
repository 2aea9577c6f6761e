"""The link test against a catalogue of pass-throughs, in virtual time.

What each does wrong is written in its name; that the test names it, and names nothing else, is
checked here. The rules that they break are those of the MIDI 1.0 Detailed Specification 4.2.1,
pages 5, 29, 34 and A-1 to A-2.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from knobwright.adapters.ports.throughs import THROUGHS, Fault, fault
from knobwright.core.errors import PortLostError
from knobwright.core.link.faults import FAULTS
from knobwright.core.link.records import FAILS, NOT_ON_THIS_PORT, WORKS, proven
from knobwright.engine.looptest import Arrivals, LinkTest, Progress, RealTiming
from tests.engine import broken_ways as ways
from tests.engine.virtual_way import MESSAGES, ByBytes, Feeds, VirtualWay, names, run_through

#: Row of the table of pass-throughs: what the link test must say of it, and nothing else.
CATALOGUE: dict[str, set[str]] = {
    "exclusive-dropped": {"exclusive-dropped"},
    "exclusive-cut": {"exclusive-cut"},
    "exclusive-too-long": {"exclusive-too-long"},
    "exclusive-split": {"exclusive-split"},
    "deaf-after-exclusive": {"exclusive-needs-rest"},
    "running-status-ignored": {"running-status-dropped"},
    "running-status-lost": {"running-status-real-time"},
    "running-status-kept": {"running-status-kept", "running-status-kept-common"},
    "real-time-dropped": {"real-time-dropped"},
    "real-time-moved": {"real-time-moved"},
    "real-time-ends-exclusive": {"real-time-breaks-exclusive"},
    "real-time-breaks-message": {"real-time-breaks-message"},
    "note-off-dropped": {"note-off-dropped"},
    "note-on-0-dropped": {"velocity-0-dropped"},
    "channel-dropped": {"channel-dropped"},
    "channel-moved": {"channel-moved"},
    "values-capped": {"changed"},
    "common-dropped": {"kind-dropped"},
    "echo": {"echo"},
    "stuck": {"repeats"},
    "exchanged": {"order"},
    "nothing": {"nothing-back"},
    "lost-after-run": {"overrun"},
    "overrun": {"overrun"},
    "swapped": {"swapped"},
    "bytes-lost": {"lost"},
    "bytes-changed": {"changed"},
    "late": set(),
    "status-left-out": set(),
    "status-written": set(),
}

#: Ways that are written beside this file: how one is made, and what must be said of it.
OWN: dict[str, tuple[Callable[[], Feeds], set[str]]] = {
    "upside down": (ways.upside_down, {"garbled"}),
    "no active sensing": (ways.without_active_sensing, {"active-sensing-dropped"}),
    "no clock": (ways.without_clock, {"kind-dropped"}),
    "note-offs rewritten": (ways.rewriting_note_offs, {"note-off-rewritten"}),
    "bit 6 stuck": (ways.bit_6_stuck, {"changed"}),
    "all on channel 1": (ways.all_on_channel_1, {"channel-moved"}),
    "wrong running status": (ways.WrongRunningStatus, {"running-status-wrong"}),
    "forgets in pauses": (ways.ForgetsInPauses, {"running-status-pause"}),
    "leaves out too much": (ways.LeavesOutTooMuch, {"running-status-written"}),
    "real time lost inside": (ways.LosesRealTimeInside, {"real-time-lost-inside"}),
    "exclusive body changed": (ways.exclusive_body_changed, {"exclusive-changed"}),
    "changes at full rate": (ways.ChangesAtFullRate, {"changed-at-full-rate"}),
    "loses one in a run": (ways.LosesOneInRun, {"lost-at-full-rate"}),
}

GOOD: dict[str, list[Fault]] = {
    "at once": [],
    "1 ms later": [fault("late", latency_us=1_000)],
    "8 ms later": [fault("late", latency_us=8_000)],
    "3 ms, give or take 1": [fault("late", latency_us=3_000, jitter_us=1_000)],
    "status bytes left out": [fault("status-left-out")],
    "status bytes put in": [fault("status-written")],
}

#: Two faults at once: both must be named, and nothing else.
PAIRS: list[tuple[Fault, Fault]] = [
    (fault("exclusive-cut", n_bytes=48), fault("running-status-lost")),
    (fault("running-status-ignored"), fault("lost-after-run", n_bytes=96)),
    (fault("exclusive-too-long", n_bytes=200), fault("note-off-dropped")),
    (fault("real-time-dropped"), fault("channel-moved", channel=4, to_channel=9)),
    (fault("deaf-after-exclusive", rest_us=30_000), fault("real-time-moved")),
    (fault("swapped", n_run=20, one_in=3), fault("exclusive-split", n_bytes=64)),
    (fault("overrun", n_bytes=12, percent=60), fault("running-status-kept")),
    (fault("real-time-ends-exclusive"), fault("note-on-0-dropped")),
    (fault("exclusive-dropped"), fault("values-capped", highest=80)),
    (fault("running-status-lost"), fault("echo")),
]


def test_every_row_of_the_table_of_pass_throughs_is_in_the_catalogue() -> None:
    assert CATALOGUE.keys() == THROUGHS.keys()
    assert sum(bool(want) for want in CATALOGUE.values()) >= 12


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_broken_pass_through_is_named_rightly_and_nothing_else(name: str) -> None:
    assert names(run_through([fault(name)])) == CATALOGUE[name]


@pytest.mark.parametrize("name", OWN)
def test_a_way_written_apart_is_named_rightly_and_nothing_else(name: str) -> None:
    make, want = OWN[name]
    assert names(run_through(make())) == want


@pytest.mark.parametrize("name", GOOD)
@pytest.mark.parametrize("is_quick", [False, True])
def test_a_good_pass_through_passes(name: str, is_quick: bool) -> None:
    result = run_through(GOOD[name], is_quick=is_quick)
    assert result.findings == ()
    assert result.running_status == WORKS
    assert result.real_time == WORKS
    assert (result.longest_exclusive, result.rest_ms, result.longest_burst) == (0, 0, 0)
    assert result.is_whole


@pytest.mark.parametrize("pair", PAIRS, ids=lambda pair: " and ".join(f.name for f in pair))
def test_two_faults_at_once_are_both_named(pair: tuple[Fault, Fault]) -> None:
    want = CATALOGUE[pair[0].name] | CATALOGUE[pair[1].name]
    assert names(run_through(pair)) == want


def test_every_fault_of_the_table_is_shown_by_a_way() -> None:
    shown = set().union(*CATALOGUE.values(), *(want for _, want in OWN.values()))
    # These four are shown by the tests of noise and of time below.
    assert shown | {"unsent", "unsent-clock", "late", "jitter"} == FAULTS.keys()


# -- figures, not only names ---------------------------------------------------------------------


@settings(max_examples=4)
@given(n_bytes=st.integers(9, 600))
def test_the_longest_exclusive_is_found_to_the_byte(n_bytes: int) -> None:
    result = run_through([fault("exclusive-too-long", n_bytes=n_bytes)])
    assert result.longest_exclusive == n_bytes
    assert names(result) == {"exclusive-too-long"}


@settings(max_examples=4)
@given(n_bytes=st.integers(9, 600), ended=st.integers(0, 1))
def test_a_cut_exclusive_is_said_with_where_it_was_cut(n_bytes: int, ended: int) -> None:
    result = run_through([fault("exclusive-cut", n_bytes=n_bytes, ended=ended)])
    # An F7 that still comes makes the longest whole one a byte longer.
    assert result.longest_exclusive == n_bytes + ended
    assert f"cut after {n_bytes} bytes" in result.findings[0].details


@settings(max_examples=4)
@given(rest_us=st.integers(500, 120_000), seed=st.integers(0, 99))
def test_the_rest_that_is_found_is_enough_and_not_much_more(rest_us: int, seed: int) -> None:
    result = run_through([fault("deaf-after-exclusive", rest_us=rest_us)], seed=seed)
    assert names(result) == {"exclusive-needs-rest"}
    assert rest_us <= result.rest_ms * 1_000 <= rest_us * 1.7 + 1_000


@settings(max_examples=4)
@given(n_bytes=st.integers(15, 1_200))
def test_the_bytes_that_pass_without_a_rest_are_found(n_bytes: int) -> None:
    result = run_through([fault("lost-after-run", n_bytes=n_bytes)])
    assert "overrun" in names(result)
    # The message that is hurt first begins up to two bytes earlier.
    assert n_bytes - 3 <= result.longest_burst <= n_bytes


@settings(max_examples=4)
@given(seed=st.integers(0, 10_000), n_run=st.integers(3, 100), one_in=st.integers(1, 8))
def test_bytes_swapped_by_chance_are_named_whatever_the_seed(
    seed: int, n_run: int, one_in: int
) -> None:
    assert names(run_through([fault("swapped", n_run=n_run, one_in=one_in)], seed=seed)) == {
        "swapped"
    }


@settings(max_examples=4)
@given(seed=st.integers(0, 10_000), latency_us=st.integers(0, 7_000), jitter=st.integers(0, 2_000))
def test_a_good_way_passes_whatever_the_seed(seed: int, latency_us: int, jitter: int) -> None:
    way = [fault("late", latency_us=latency_us, jitter_us=jitter)]
    assert names(run_through(way, seed=seed, is_quick=True)) == set()


def test_the_evidence_says_where_and_what() -> None:
    finding = run_through([fault("channel-moved", channel=5, to_channel=7)]).findings[0]
    assert finding.details == "channel 5 comes back on 7"
    assert (finding.sent[0:2], finding.got[0:2]) == ("A4", "A6")
    finding = run_through([fault("real-time-moved")]).findings[0]
    assert finding.place.startswith("real time, message 2 of ")
    # Sent with the real-time byte inside, come with it behind.
    sent, (message, real_time) = finding.sent.split(), finding.got.split(" | ")
    assert [byte for byte in sent if byte != real_time] == message.split()


# -- time ----------------------------------------------------------------------------------------


def test_latency_is_what_the_wire_and_the_pass_through_take() -> None:
    # A byte takes 320 us at 31 250 baud (page 1): three on the first line, one on the second.
    latency = run_through([]).latency
    assert latency is not None
    assert (latency.least_us, latency.median_us, latency.worst_us) == (1_280, 1_280, 1_280)
    assert latency.wire_us == 960
    assert sum(latency.counts) == latency.n == 202


def test_a_slow_way_and_an_uneven_one_are_said() -> None:
    assert names(run_through([fault("late", latency_us=20_000)])) == {"late"}
    assert names(run_through([fault("late", latency_us=1_000, jitter_us=9_000)])) == {"jitter"}


def test_half_the_speed_is_taken_into_account() -> None:
    result = run_through([], baud=15_625)
    assert result.findings == ()
    assert result.latency is not None
    assert result.latency.wire_us == 1_920


# -- what is there besides ------------------------------------------------------------------------


def test_a_clock_that_runs_by_itself_is_a_note_and_disturbs_nothing() -> None:
    clock = [(at * 20_000_000, b"\xf8") for at in range(3_000)]
    result = run_through([], noise=clock)
    assert names(result) == {"unsent-clock"}
    assert FAULTS["unsent-clock"].is_note
    assert result.running_status == WORKS


def test_somebody_who_plays_meanwhile_is_said() -> None:
    assert names(run_through([], noise=[(100_000_000, b"\x91\x3c\x40")])) == {"unsent"}
    late = run_through([], noise=[(1_500_000_000, b"\x91\x3c\x40")])
    assert names(late) == {"unsent"}


def test_a_message_port_does_not_pass_for_running_status_that_was_never_sent() -> None:
    result = run_through([], limits=MESSAGES)
    assert result.findings == ()
    assert result.running_status == NOT_ON_THIS_PORT
    assert "running_status" not in proven(result, "today")
    broken = run_through([fault("running-status-ignored")], limits=MESSAGES)
    assert broken.running_status == NOT_ON_THIS_PORT


def test_only_whole_messages_go_to_a_message_port() -> None:
    way = VirtualWay(ByBytes(lambda byte: bytes((byte,))), MESSAGES)
    LinkTest(way, way.arrivals, way, baud=31_250, is_quick=True).run()
    assert all(data[0] >= 0x80 and data[1:].rstrip(b"\xf7").isascii() for _, data in way.sent)


# -- the sending itself ---------------------------------------------------------------------------


def test_the_line_is_never_given_more_than_it_carries() -> None:
    way = VirtualWay(ByBytes(lambda byte: bytes((byte,))))
    LinkTest(way, way.arrivals, way, baud=31_250).run()
    free_ns = 0
    for at_ns, data in way.sent:
        assert at_ns >= free_ns - 1_000  # times in a plan are whole microseconds
        free_ns = max(free_ns, at_ns) + 320_000 * len(data)


def test_no_note_is_left_sounding() -> None:
    way = VirtualWay(ByBytes(lambda byte: bytes((byte,))))
    LinkTest(way, way.arrivals, way, baud=31_250, is_quick=True).run()
    assert _sounding(way.sent) == set()


def test_breaking_off_leaves_silence() -> None:
    way = VirtualWay(ByBytes(lambda byte: bytes((byte,))))
    test = LinkTest(way, way.arrivals, way, baud=31_250)

    def stop(progress: Progress) -> None:
        if progress.stage is not None and progress.stage.name == "full rate, running status":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        test.run(stop)
    assert _sounding(way.sent) == set()
    assert any(data == b"\xb0\x7b\x00" for _, data in way.sent[-1_500:])  # page 20
    assert not test.session.result().is_whole


def test_a_port_that_is_lost_is_an_error_and_not_a_finding() -> None:
    way = VirtualWay(ByBytes(lambda byte: bytes((byte,))))
    way.lost_after = 100
    with pytest.raises(PortLostError, match="gone"):
        LinkTest(way, way.arrivals, way, baud=31_250).run()


def test_the_test_ends_where_something_always_comes() -> None:
    noise = [(at * 3_000_000, b"\xfe") for at in range(30_000)]
    result = run_through([fault("nothing")], noise=noise, is_quick=True)
    assert names(result) == {"unsent-clock", "nothing-back"}


def test_real_time_waits_until_an_absolute_deadline() -> None:
    ticks = iter(range(0, 10**12, 400_000))
    timing = RealTiming(lambda: next(ticks))
    timing.wait_until(2_000_000)
    assert timing.now_ns() > 2_000_000


def test_arrivals_are_kept_in_order_and_given_once() -> None:
    arrivals = Arrivals()
    arrivals.receive(b"\x90", 5)
    arrivals.receive(b"\x3c\x01", 9)
    assert (arrivals.n_bytes, arrivals.last_ns) == (3, 9)
    assert arrivals.take() == ((5, b"\x90"), (9, b"\x3c\x01"))
    assert (arrivals.take(), arrivals.n_bytes) == ((), 0)


def test_what_the_bench_keeps() -> None:
    found = run_through([fault("exclusive-cut", n_bytes=64), fault("running-status-ignored")])
    assert found.running_status == FAILS
    assert proven(found, "2030-01-02") == {
        "running_status": False,
        "longest_exclusive": 65,
        "rest_ms": 0,
        "at": "2030-01-02",
    }


def _sounding(sent: list[tuple[int, bytes]]) -> set[tuple[int, int]]:
    """Return the notes that a module would still sound, by a receiver's own rules."""
    sounding: set[tuple[int, int]] = set()
    status = 0
    for _, piece in sent:
        data = bytes(byte for byte in piece if byte < 0xF8)
        if not data:
            continue
        if data[0] > 0x7F:
            status = data[0] if data[0] < 0xF0 else 0
            data = data[1:]
        kind, channel = status & 0xF0, status & 0x0F
        if kind == 0x90 and data[1]:
            sounding.add((channel, data[0]))
        elif kind in (0x80, 0x90):
            sounding.discard((channel, data[0]))
    return sounding
