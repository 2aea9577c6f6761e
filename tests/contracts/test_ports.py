"""One suite for all kinds of ports: what every port promises.

To add a kind, write a context manager that yields a :class:`~tests.contracts.rig.Rig` and add it to
:data:`RIGS`.
"""

from __future__ import annotations

import contextlib
import gc
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager

import pytest

from knobwright.adapters.ports.table import KINDS, parse_address
from knobwright.core.errors import KnobwrightError, PortError, PortLimitError, PortLostError
from knobwright.core.interfaces import InPort, OutPort
from knobwright.core.wire import Message, Splitter
from tests.contracts import drivers, plain
from tests.contracts.rig import Arrived, Rig, becomes, carry, n_handles

RIGS: dict[str, Callable[[], AbstractContextManager[Rig]]] = {
    "memory": plain.memory_pair,
    "memory, modelled": plain.modelled_pair,
    "scripted": plain.scripted_pair,
    "standin": plain.standin_pair,
    "file": plain.file_pair,
    "serial": drivers.serial_pair,
    "rtmidi": drivers.jack_pair,
    "osc": drivers.osc_pair,
}
#: A datagram is sent to whoever is there, so this kind can't tell that nobody is.
CANT_TELL = {"osc"}

NOTE = bytes.fromhex("90 3C 40")
OFF = bytes.fromhex("80 3C 40")


@pytest.fixture(params=RIGS)
def rig(request: pytest.FixtureRequest) -> Iterator[Rig]:
    with RIGS[request.param]() as made:
        yield made


@pytest.fixture(params=[name for name in RIGS if name not in CANT_TELL])
def losing(request: pytest.FixtureRequest) -> Iterator[Rig]:
    with RIGS[request.param]() as made:
        yield made


def messages(arrived: Arrived) -> list[bytes]:
    records = Splitter().feed(arrived.data)
    assert all(isinstance(record, Message) for record in records)
    return [record.data for record in records]


def burst() -> list[bytes]:
    """Return 2 000 messages, no two neighbours alike, that can be told apart by their bytes."""
    return [bytes((0xB0 | i % 16, i // 16 % 120, i // 1_920)) for i in range(2_000)]


def test_every_kind_has_a_rig() -> None:
    assert {name.partition(",")[0] for name in RIGS} == set(KINDS)


def test_listing_a_hundred_times_gives_the_same_and_leaves_nothing_open(rig: Rig) -> None:
    kind = KINDS[parse_address(rig.out).kind]
    first = kind.find(rig.surroundings)
    gc.collect()
    n_threads, n_open = threading.active_count(), n_handles()
    for _ in range(100):
        assert kind.find(rig.surroundings) == first
    gc.collect()
    assert becomes(lambda: threading.active_count() <= n_threads)
    assert becomes(lambda: n_handles() <= n_open)


def test_opening_and_closing_again_and_again_leaves_nothing_open(rig: Rig) -> None:
    def once() -> None:
        out = rig.open_out()
        source = rig.open_in(Arrived())
        assert out.is_there()
        assert source.is_there()
        for port in (out, source, out, source):  # a second time does nothing
            port.close()
        assert not out.is_there()
        assert not source.is_there()

    once()
    gc.collect()
    n_threads, n_open = threading.active_count(), n_handles()
    for _ in range(5):
        once()
    gc.collect()
    assert becomes(lambda: threading.active_count() <= n_threads)
    assert becomes(lambda: n_handles() <= n_open)


def test_an_in_port_may_be_closed_from_within_its_call_and_then_calls_no_more(rig: Rig) -> None:
    ports: list[InPort] = []
    ready = threading.Event()
    calls: list[bytes] = []

    def receive(data: bytes, at_ns: int) -> None:
        calls.append(data)
        ready.wait(10)
        ports[0].close()

    if not rig.is_live:
        carry(rig, [NOTE, OFF, NOTE])
    else:
        out = rig.open_out()
    ports.append(rig.open_in(receive))
    ready.set()
    if rig.is_live:
        out.send(NOTE)
        assert becomes(lambda: bool(calls))
        out.send(OFF)
        out.close()
    assert becomes(lambda: not ports[0].is_there())
    assert len(calls) == 1
    assert calls[0][:1] == NOTE[:1]


def test_an_exclusive_of_64_kib_arrives_whole_or_is_refused_before_anything_is_sent(
    rig: Rig,
) -> None:
    long = b"\xf0\x7d" + bytes(i * 7 % 128 for i in range(65_533)) + b"\xf7"
    assert len(long) == 65_536
    arrived = Arrived()
    source = rig.open_in(arrived) if rig.is_live else None
    out = rig.open_out()
    limit = out.limits.longest_exclusive
    if limit is not None and limit < len(long):
        with pytest.raises(PortLimitError, match=r"65.?536"):
            out.send(long)
        out.close()
        if source is not None:
            source.close()
        assert messages(carry(rig, [NOTE])) == [NOTE]
        assert arrived.data == b""
        long = b"\xf0" + bytes(i * 7 % 128 for i in range(limit - 2)) + b"\xf7"
    else:
        out.close()
        if source is not None:
            source.close()
    assert messages(carry(rig, [long, OFF])) == [long, OFF]


def test_an_open_port_promises_no_more_than_its_kind_and_says_its_limits(rig: Rig) -> None:
    stated = KINDS[parse_address(rig.out).kind].limits
    out = rig.open_out()
    source = rig.open_in(Arrived())
    try:
        for limits in (out.limits, source.limits):
            assert limits.stream == stated.stream
            assert limits.words
            if stated.longest_exclusive is not None:
                assert limits.longest_exclusive is not None
                assert limits.longest_exclusive <= stated.longest_exclusive
    finally:
        out.close()
        source.close()


def test_a_burst_of_2000_messages_arrives_in_order_with_times_that_never_go_back(rig: Rig) -> None:
    sent = burst()
    arrived = carry(rig, sent)
    assert messages(arrived) == sent
    assert arrived.times == sorted(arrived.times)


def test_times_are_those_of_the_monotonic_clock(rig: Rig) -> None:
    before_ns = rig.surroundings.clock()
    arrived = carry(rig, [NOTE])
    after_ns = rig.surroundings.clock()
    assert all(before_ns <= at_ns <= after_ns for at_ns in arrived.times)


def test_one_port_is_shared_by_threads_and_no_message_is_torn(rig: Rig) -> None:
    out = rig.open_out()
    arrived = Arrived()
    source = rig.open_in(arrived) if rig.is_live else None
    sent = [bytes((0x90 | channel, 60, 1 + i)) for channel in range(4) for i in range(50)]

    def send(channel: int) -> None:
        for message in sent[50 * channel : 50 * channel + 50]:
            out.send(message)

    threads = [threading.Thread(target=send, args=(channel,)) for channel in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if source is None:
        out.close()
        source = rig.open_in(arrived)
    arrived.wait(3 * len(sent))
    out.close()
    source.close()
    got = messages(arrived)
    assert sorted(got) == sorted(sent)
    for channel in range(4):
        mine = [message for message in got if message[0] & 0x0F == channel]
        assert mine == sent[50 * channel : 50 * channel + 50]


def test_a_closed_port_says_so_when_something_is_sent(rig: Rig) -> None:
    out = rig.open_out()
    out.close()
    with pytest.raises(PortError) as caught:
        out.send(NOTE)
    assert "closed" in caught.value.message


def test_the_raw_name_is_kept(rig: Rig) -> None:
    out = rig.open_out()
    source = rig.open_in(Arrived())
    try:
        for port, address in ((out, rig.out), (source, rig.in_)):
            assert parse_address(address).name in port.name
    finally:
        out.close()
        source.close()


def test_a_lost_port_says_so_and_a_new_one_works_when_it_is_back(losing: Rig) -> None:
    rig = losing
    assert rig.lose is not None
    assert rig.put_back is not None
    arrived = Arrived()
    with contextlib.ExitStack() as open_ports:
        out = rig.open_out()
        open_ports.callback(out.close)
        source = rig.open_in(arrived) if rig.loses_in else None
        if source is not None:
            open_ports.callback(source.close)
        out.send(NOTE)
        if source is not None:
            assert arrived.wait(3)
        rig.lose()
        assert becomes(lambda: is_lost(out)), "sending went on as if nothing had happened"
        assert becomes(lambda: not out.is_there())
        with pytest.raises(PortLostError):
            out.send(OFF)
        if source is not None:
            assert becomes(lambda: not source.is_there())
    rig.put_back()
    assert becomes(lambda: is_back(rig)), "it could not be opened again"
    assert OFF in messages(carry(rig, [OFF]))


def is_lost(out: OutPort) -> bool:
    try:
        out.send(OFF)
    except PortLostError:
        return True
    return False


def is_back(rig: Rig) -> bool:
    try:
        rig.open_out().close()
        rig.open_in(Arrived()).close()
    except KnobwrightError:
        return False
    return True
