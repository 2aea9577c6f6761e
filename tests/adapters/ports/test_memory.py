"""Wires inside one process."""

from __future__ import annotations

import itertools

import pytest

from knobwright.adapters.ports import memory
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.table import open_in, open_out
from knobwright.core.errors import InputError, PortLostError
from tests.adapters.ports.clocks import HandClock
from tests.contracts.rig import Arrived, becomes

_COUNT = itertools.count()


@pytest.fixture
def wire() -> str:
    return f"wire {next(_COUNT)}"


def test_all_outs_reach_all_ins_of_their_name_in_the_senders_thread(wire: str) -> None:
    first, second, other = Arrived(), Arrived(), Arrived()
    ports = [
        open_in(f"memory:{wire}", receive=first),
        open_in(f"memory:{wire}", receive=second),
        open_in(f"memory:{wire} b", receive=other),
    ]
    outs = [open_out(f"memory:{wire}"), open_out(f"memory:{wire}")]
    outs[0].send(b"\xf8")
    outs[1].send(b"\xfa")
    outs[1].send(b"")
    assert first.data == second.data == b"\xf8\xfa"  # without waiting: it was our own thread
    assert other.data == b""
    for port in (*ports, *outs):
        port.close()


def test_wires_are_listed_while_ports_are_open_to_them(wire: str) -> None:
    assert wire not in {found.name for found in memory.find(Surroundings())}
    port = open_out(f"memory:{wire}")
    found = [found for found in memory.find(Surroundings()) if found.name == wire]
    assert [port.direction for port in found] == ["in", "out"]
    port.close()
    assert wire not in {found.name for found in memory.find(Surroundings())}


def test_a_pulled_wire_can_be_opened_only_when_it_was_put_back(wire: str) -> None:
    arrived = Arrived()
    old = open_out(f"memory:{wire}")
    source = open_in(f"memory:{wire}", receive=arrived)
    memory.pull(wire)
    with pytest.raises(PortLostError, match="gone"):
        old.send(b"\xf8")
    with pytest.raises(PortLostError, match="pulled"):
        open_out(f"memory:{wire}")
    memory.put_back(wire)
    new = open_out(f"memory:{wire}")
    new.send(b"\xf8")
    assert not old.is_there()  # what was lost stays lost
    assert new.is_there()
    old.close()
    assert new.is_there()
    for port in (source, new):
        port.close()
    assert arrived.data == b""


def test_an_echo_from_within_the_call_arrives_after_it(wire: str) -> None:
    got: list[bytes] = []

    def receive(data: bytes, at_ns: int) -> None:
        if data == b"\xfa":
            out.send(b"\xfc")
        got.append(data)

    source = open_in(f"memory:{wire}", receive=receive)
    out = open_out(f"memory:{wire}")
    out.send(b"\xfa")
    assert got == [b"\xfa", b"\xfc"]
    out.close()
    source.close()


def test_a_modelled_line_carries_a_byte_in_320_us(wire: str) -> None:
    """31 250 baud and ten bits a byte: MIDI 1.0 Detailed Specification, page 1."""
    clock, arrived = HandClock(0), Arrived()
    settings, around = PortSettings(modelled=True), Surroundings(clock)
    source = open_in(f"memory:{wire}", settings, around, receive=arrived)
    out = open_out(f"memory:{wire}", settings, around)
    out.send(b"\x90\x3c\x40")
    out.send(b"\xf8")  # the line is busy: it waits
    clock.on(959)
    assert arrived.pieces == []
    clock.on(100_000)
    assert arrived.wait(4)
    out.send(b"\xfa")
    clock.on(320)
    assert arrived.wait(5)
    assert arrived.times == [960_000, 1_280_000, 101_279_000]
    out.close()
    source.close()


def test_a_speed_below_nothing_is_refused_and_none_takes_no_time(wire: str) -> None:
    with pytest.raises(InputError, match="baud is 0 or more, not -1"):
        PortSettings(baud=-1)
    arrived, settings = Arrived(), PortSettings(baud=0, modelled=True)
    source = open_in(f"memory:{wire}", settings, receive=arrived)
    out = open_out(f"memory:{wire}", settings)
    out.send(b"\xf8")
    assert arrived.data == b"\xf8"
    out.close()
    source.close()


def test_a_receiver_that_fails_makes_a_modelled_wire_lost(
    wire: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    said: list[object] = []
    monkeypatch.setattr("threading.excepthook", said.append)

    def receive(data: bytes, at_ns: int) -> None:
        raise ValueError("no")

    settings = PortSettings(modelled=True, baud=1_000_000)
    source = open_in(f"memory:{wire}", settings, receive=receive)
    out = open_out(f"memory:{wire}", settings)
    out.send(b"\xf8")
    assert becomes(lambda: not source.is_there())
    assert len(said) == 1
    with pytest.raises(PortLostError):
        out.send(b"\xf8")
    out.close()
    source.close()
