"""A simulated module: what is sent to it is taken by it, and its replies come in.

Which module a name stands for is decided outside, by ``Surroundings.standin``. The module is
switched on with the first port and off with the last.
"""

from __future__ import annotations

from collections.abc import Sequence

from knobwright.adapters.ports.inside import Hub, Place
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.core.errors import PortError
from knobwright.core.interfaces import (
    Clock,
    Found,
    InPort,
    Limits,
    OutPort,
    Receive,
    ReceiveNumber,
    Responder,
)
from knobwright.core.wire.stream import MAX_EXCLUSIVE_BYTES

LIMITS = Limits(True, MAX_EXCLUSIVE_BYTES, 0, "makes no sound here; replies as its sheet says")


class Simulated(Place):
    """A place where a simulated module takes the bytes and answers."""

    def __init__(self, clock: Clock, responder: Responder) -> None:
        super().__init__(clock)
        self._responder = responder

    def take(self, data: bytes, at_ns: int) -> None:
        """Let the module take bytes; its answers reach the in-ports at the same time."""
        for reply in self._responder.receive(data, at_ns):
            self.give(reply, at_ns)


def _make(name: str, settings: PortSettings, surroundings: Surroundings) -> Place:
    if surroundings.standin is None:
        raise PortError(
            "nothing here can make a simulated module",
            where=f"standin:{name}",
            hint="open it through a command or a bench",
        )
    return Simulated(surroundings.clock, surroundings.standin(name))


_HUB = Hub("standin", LIMITS, _make)

#: Pull the module's plug by its name.
pull = _HUB.pull
#: Put the plug back; the module comes up as after it was switched on.
put_back = _HUB.put_back


def find(surroundings: Surroundings) -> Sequence[Found]:
    """Return the simulated modules that ports are open to."""
    return _HUB.find(surroundings)


def open_out(name: str, settings: PortSettings, surroundings: Surroundings) -> OutPort | None:
    """Open a port to a simulated module, which is switched on if it is the first."""
    return _HUB.open_out(name, settings, surroundings)


def open_in(
    name: str,
    settings: PortSettings,
    surroundings: Surroundings,
    receive: Receive,
    receive_number: ReceiveNumber | None = None,
) -> InPort | None:
    """Open a port that a simulated module's replies come in by."""
    return _HUB.open_in(name, settings, surroundings, receive)
