"""Calling receivers: in turn, at a time, never after closing."""

from __future__ import annotations

import threading
import time

import pytest

from knobwright.adapters.ports.receiving import (
    MAX_WAITING_BYTES,
    POLL_S,
    InTurn,
    Later,
    Receiving,
    wait_s,
)
from knobwright.core.errors import PortLimitError
from tests.adapters.ports.clocks import HandClock
from tests.contracts.rig import Arrived, becomes


def test_nothing_is_called_after_closing() -> None:
    arrived = Arrived()
    receiving = Receiving(arrived)
    receiving.call(b"a", 1)
    receiving.close()
    receiving.call(b"b", 2)
    receiving.close()
    assert arrived.pieces == [(b"a", 1)]


def test_closing_waits_for_a_call_under_way() -> None:
    begun, goes_on = threading.Event(), threading.Event()
    done: list[str] = []

    def receive(data: bytes, at_ns: int) -> None:
        begun.set()
        goes_on.wait(10)
        done.append("call")

    receiving = Receiving(receive)
    call = threading.Thread(target=receiving.call, args=(b"a", 0))
    call.start()
    begun.wait(10)
    threading.Timer(0.05, goes_on.set).start()
    receiving.close()
    done.append("closed")
    call.join()
    assert done == ["call", "closed"]


def test_what_comes_from_within_the_work_is_done_after_it_in_order() -> None:
    done: list[bytes] = []

    def work(data: bytes, at_ns: int) -> None:
        if len(data) < 4:
            turn.put(data + b"x")
            turn.put(data + b"yy")
            assert not done or done[-1] != data + b"x"
        done.append(data)

    turn = InTurn(work, HandClock())
    turn.put(b"ab")
    assert done == [b"ab", b"abx", b"abyy", b"abxx", b"abxyy"]


def test_an_echo_does_not_call_itself_ever_deeper() -> None:
    count = 0

    def work(data: bytes, at_ns: int) -> None:
        nonlocal count
        count += 1
        if count < 50_000:
            turn.put(data)

    turn = InTurn(work, HandClock())
    turn.put(b"\xf8")
    assert count == 50_000


def test_work_that_fails_leaves_the_way_free() -> None:
    done: list[bytes] = []

    def work(data: bytes, at_ns: int) -> None:
        if data == b"bad":
            raise ValueError("bad")
        done.append(data)

    turn = InTurn(work, HandClock())
    with pytest.raises(ValueError, match="bad"):
        turn.put(b"bad")
    turn.put(b"good")
    assert done == [b"good"]


def test_pieces_come_when_they_are_due_in_the_order_of_their_times() -> None:
    clock, arrived = HandClock(1_000), Arrived()
    later = Later(arrived, clock, "later")
    later.put(b"c", 9_000)
    later.put(b"a", 2_000)
    later.put(b"b1", 5_000)
    later.put(b"b2", 5_000)
    assert arrived.pieces == []
    clock.now_ns = 5_000
    assert arrived.wait(5)
    clock.now_ns = 8_999
    later.put(b"", 8_999)
    assert becomes(lambda: len(arrived.pieces) == 4)
    later.close()
    assert arrived.pieces == [(b"a", 2_000), (b"b1", 5_000), (b"b2", 5_000), (b"", 8_999)]
    assert not later.is_alive


def test_deadlines_are_kept_on_the_machines_clock_and_never_early() -> None:
    late_ns: list[int] = []
    done = threading.Event()

    def receive(data: bytes, at_ns: int) -> None:
        late_ns.append(time.monotonic_ns() - at_ns)
        if data == b"\x09":
            done.set()

    later = Later(receive, time.monotonic_ns, "later")
    begin_ns = time.monotonic_ns()
    for i in range(10):
        later.put(bytes((i,)), begin_ns + i * 5_000_000)
    assert done.wait(20)
    later.close()
    assert len(late_ns) == 10
    assert min(late_ns) >= 0


def test_it_may_be_closed_from_within_the_call() -> None:
    calls: list[bytes] = []

    def receive(data: bytes, at_ns: int) -> None:
        calls.append(data)
        later.close()

    later = Later(receive, HandClock(10), "later")
    later.put(b"a", 5)
    later.put(b"b", 5)
    assert becomes(lambda: not later.is_alive)
    assert calls == [b"a"]


def test_what_waits_is_bounded_and_the_rest_is_refused_whole() -> None:
    later = Later(Arrived(), HandClock(0), "later")
    later.make_sure(MAX_WAITING_BYTES)
    later.put(bytes(MAX_WAITING_BYTES), 1_000)
    with pytest.raises(PortLimitError, match="wait for this line already"):
        later.make_sure(1)
    later.close()


def test_another_clock_than_the_machines_is_looked_at_often() -> None:
    assert wait_s(10**18, HandClock()) == POLL_S
    assert wait_s(10**18, time.monotonic_ns) == 3_600
    assert wait_s(5_000_000, time.monotonic_ns) == 0.005
