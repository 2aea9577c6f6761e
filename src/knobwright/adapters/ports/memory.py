"""Wires inside this process: all that is sent to a name arrives at every in-port of that name.

Bytes arrive in the sender's thread, with nothing lost and nothing changed. With
``PortSettings.modelled`` the wire keeps the speed of a line instead: a piece arrives when the last
of its bytes would have, in a thread of the wire's own.
"""

from __future__ import annotations

from collections.abc import Sequence

from knobwright.adapters.ports.inside import Hub, Place
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.receiving import Later
from knobwright.core.errors import PortError
from knobwright.core.interfaces import Clock, Found, InPort, Limits, OutPort, Receive, ReceiveNumber
from knobwright.core.wire.cost import BITS_PER_BYTE

LIMITS = Limits(True, None, 0, "reaches nothing outside this process")


class Line(Place):
    """A wire with a speed: pieces follow each other as on a serial line of ``baud`` bits/s."""

    def __init__(self, clock: Clock, baud: int, name: str) -> None:
        super().__init__(clock)
        self._baud = baud
        self._free_ns = 0
        self._later = Later(self.give, clock, f"memory {name}")

    def take(self, data: bytes, at_ns: int) -> None:
        """Let the bytes arrive when the last of them has passed the line."""
        self._later.make_sure(len(data))
        begin_ns = max(at_ns, self._free_ns)
        self._free_ns = begin_ns + len(data) * BITS_PER_BYTE * 1_000_000_000 // self._baud
        self._later.put(data, self._free_ns)

    @property
    def is_there(self) -> bool:
        """Return whether it was not pulled and its thread still works."""
        return not self.was_pulled and self._later.is_alive

    def end(self) -> PortError | None:
        """End the line; what is under way on it does not arrive."""
        self._later.close()
        return None


def _make(name: str, settings: PortSettings, surroundings: Surroundings) -> Place:
    if settings.modelled and settings.baud:
        return Line(surroundings.clock, settings.baud, name)
    return Place(surroundings.clock)


_HUB = Hub("memory", LIMITS, _make)

#: Pull a wire's plug by its name: its ports are lost until it is put back and they are opened anew.
pull = _HUB.pull
#: Put a wire's plug back.
put_back = _HUB.put_back


def find(surroundings: Surroundings) -> Sequence[Found]:
    """Return the wires that ports are open to."""
    return _HUB.find(surroundings)


def open_out(name: str, settings: PortSettings, surroundings: Surroundings) -> OutPort | None:
    """Open a port to send to; the wire is made if it is the first."""
    return _HUB.open_out(name, settings, surroundings)


def open_in(
    name: str,
    settings: PortSettings,
    surroundings: Surroundings,
    receive: Receive,
    receive_number: ReceiveNumber | None = None,
) -> InPort | None:
    """Open a port to receive from; numbers never arrive on a wire."""
    return _HUB.open_in(name, settings, surroundings, receive)
