"""A port to a simulated module."""

from __future__ import annotations

import pytest

from knobwright.adapters.ports.kind import Surroundings
from knobwright.adapters.ports.table import open_in, open_out
from knobwright.core.errors import NamingError, PortError, PortLimitError
from knobwright.core.interfaces import Responder
from tests.adapters.ports.clocks import HandClock
from tests.contracts.rig import Arrived


class Counting:
    """Answers each piece with its number: models no module at all."""

    def __init__(self) -> None:
        self.got: list[tuple[bytes, int]] = []

    def receive(self, data: bytes, at_ns: int = 0) -> list[bytes]:
        self.got.append((data, at_ns))
        return [b"\xf0\x7d%c\xf7" % len(self.got), b"\xfe"]


def test_the_module_takes_bytes_with_their_time_and_answers_come_in() -> None:
    made: list[Counting] = []

    def make(name: str) -> Responder:
        assert name == "larkfield-t4"
        made.append(Counting())
        return made[-1]

    clock, arrived = HandClock(), Arrived()
    around = Surroundings(clock, make)
    out = open_out("standin:larkfield-t4", None, around)
    source = open_in("standin:larkfield-t4", None, around, receive=arrived)
    assert len(made) == 1  # both lead to one module
    out.send(b"\x90\x3c")
    clock.on(5)
    out.send(b"\x40")
    assert made[0].got == [(b"\x90\x3c", 1_000_000_000), (b"\x40", 1_000_005_000)]
    assert arrived.data == bytes.fromhex("F0 7D 01 F7 FE F0 7D 02 F7 FE")
    out.close()
    source.close()
    open_out("standin:larkfield-t4", None, around).close()
    assert len(made) == 2  # it was switched off in between


def test_a_module_that_cannot_be_made_is_no_port() -> None:
    def make(name: str) -> Responder:
        raise NamingError("there is no such sheet", where=name)

    with pytest.raises(NamingError, match="no such sheet"):
        open_out("standin:x", None, Surroundings(standin=make))
    with pytest.raises(PortError, match="nothing here can make a simulated module"):
        open_out("standin:x")


def test_an_exclusive_above_the_limit_is_refused_and_nothing_is_sent() -> None:
    module = Counting()
    out = open_out("standin:long", None, Surroundings(standin=lambda _: module))
    limit = out.limits.longest_exclusive
    assert limit is not None
    with pytest.raises(PortLimitError, match="1048577 bytes is longer than the 1048576"):
        out.send(b"\xf0" + bytes(limit - 1) + b"\xf7")
    assert module.got == []
    out.send(b"\xf0" + bytes(limit - 2) + b"\xf7")
    assert len(module.got[0][0]) == limit
    out.close()
