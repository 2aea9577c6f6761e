"""Ports for commands and for the engine: opened by address, found again by identity."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from knobwright.adapters.clock import monotonic_ns
from knobwright.adapters.ports import table
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.table import KINDS, Listing, parse_address, resolve
from knobwright.core.errors import KnobwrightError
from knobwright.core.interfaces import (
    IN,
    OUT,
    Found,
    InPort,
    Limits,
    OutPort,
    Receive,
    ReceiveNumber,
    Responder,
)
from knobwright.core.wire import DIN_BAUD
from knobwright.engine.messages import PortPlan

#: What is known of a port before it is there: that it takes whole messages, which every kind does.
_UNKNOWN = Limits(False, None, 0, "")


def surroundings() -> Surroundings:
    """Return what ports need of the world: the clock, and stand-ins made from sheets."""
    return Surroundings(monotonic_ns, _standin)


def _standin(name: str) -> Responder:
    # Late: only a stand-in needs the codec here.
    from knobwright.wiring.sound import open_standin

    return open_standin(name).standin


def list_ports(kinds: Iterable[str] | None = None) -> Listing:
    """Return the ports that are there now, of these kinds or of all."""
    return table.list_ports(kinds, surroundings())


def open_out(plan: PortPlan) -> OutPort:
    """Open a port to send to, once; raises ``NamingError`` or ``PortError``."""
    return Opener(plan, OUT).open_out()


def open_in(
    plan: PortPlan, receive: Receive, receive_number: ReceiveNumber | None = None
) -> InPort:
    """Open a port to receive from, once; raises ``NamingError`` or ``PortError``."""
    return Opener(plan, IN).open_in(receive, receive_number)


class Opener:
    """Opens one port, and opens the same one again when it was lost.

    Parameters
    ----------
    plan : PortPlan
        Address and settings.
    direction : str
        ``"in"`` or ``"out"``.
    """

    def __init__(self, plan: PortPlan, direction: str) -> None:
        self.plan = plan
        self._direction = direction
        self._settings = PortSettings(
            baud=plan.baud or DIN_BAUD,
            senders=plan.senders,
            api=plan.api,
            modelled=plan.modelled,
        )
        self._around = surroundings()
        self._found: Found | None = None

    def find(self) -> Found:
        """Return the port that is meant: the first time by its address, then by its identity.

        Raises
        ------
        NamingError, PortError
            It is not there, or more than one fits.
        """
        known = self._found
        address = self.plan.address if known is None else f"{known.kind}:{known.identity}"
        found = resolve(address, self._direction, self._around)
        if known is None:
            self._found = found
        return found

    def limits(self) -> Limits:
        """Return what the port can't do, as far as its kind tells before it is open."""
        try:
            kind = parse_address(self.plan.address).kind or self.find().kind
        except KnobwrightError:
            return _UNKNOWN
        return KINDS[kind].limits

    def open_out(self) -> OutPort:
        """Open it to send to; errors as :meth:`find`."""
        found = self.find()
        return KINDS[found.kind].open_out(found.name, self._settings, self._around)

    def open_in(self, receive: Receive, receive_number: ReceiveNumber | None = None) -> InPort:
        """Open it to receive from; errors as :meth:`find`."""
        found = self.find()
        kind = KINDS[found.kind]
        return kind.open_in(found.name, self._settings, self._around, receive, receive_number)


def out_opener(plan: PortPlan) -> tuple[Callable[[], OutPort], Limits]:
    """Return a function that opens a port to send to, again and again, and its limits."""
    opener = Opener(plan, OUT)
    return opener.open_out, opener.limits()


def in_opener(
    plan: PortPlan, receive: Receive, receive_number: ReceiveNumber | None = None
) -> Callable[[], InPort]:
    """Return a function that opens a port to receive from, again and again."""
    opener = Opener(plan, IN)
    return lambda: opener.open_in(receive, receive_number)
