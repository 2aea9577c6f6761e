"""What a kind of port is: the record of its row, and what its module must offer.

A kind is one module of this package with three functions, see :class:`Driver`. It is imported only
when the kind is used: drivers take long to load, and one that is not installed must not stand in
the way of the others.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from time import monotonic_ns
from typing import NamedTuple, Protocol, cast

import msgspec

from knobwright.core.errors import InputError, PortError
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
from knobwright.core.wire import DIN_BAUD

PACKAGE = "knobwright.adapters.ports"

#: A prefix that every name has: the kind takes any name as it stands.
ANY = ""


class PortSettings(msgspec.Struct, frozen=True):
    """How a port is opened; every kind takes what concerns it and leaves the rest alone.

    Attributes
    ----------
    baud : int >= 0, bits per second
        Speed of a serial line; the line that ``memory`` models where ``modelled`` is set, and the
        lines of a scripted pass-through: 0 takes no time there.
    modelled : bool
        ``memory`` keeps the speed of ``baud``: a message arrives when its last byte would have.
    senders : tuple of str
        Addresses whose datagrams ``osc`` takes; empty is this machine only.
    api : str
        Which system ``rtmidi`` uses (``alsa``, ``jack`` ...); empty is the first that is there.
    speed : float >= 0
        How fast ``file`` replays: 1 as recorded, 2 twice as fast, 0 without waiting.
    seed : int
        Where the chance of a scripted fault begins: the same seed, the same faults.
    """

    baud: int = DIN_BAUD
    modelled: bool = False
    senders: tuple[str, ...] = ()
    api: str = ""
    speed: float = 1.0
    seed: int = 0

    def __post_init__(self) -> None:
        if self.baud < 0:
            raise InputError(f"a speed in baud is 0 or more, not {self.baud}")


class Surroundings(NamedTuple):
    """What a port needs of the world and can't make itself.

    ``clock`` gives the monotonic time. ``standin`` makes the simulated module that a name stands
    for (a sheet), or raises ``KnobwrightError``; ``None`` where none can be made.
    """

    clock: Clock = monotonic_ns
    standin: Callable[[str], Responder] | None = None


class Driver(Protocol):
    """What the module of a kind offers; the module itself is the driver."""

    def find(self, surroundings: Surroundings) -> Sequence[Found]:
        """Return the ports that are there now; may be called at any time, any number of times."""
        ...

    def open_out(
        self, name: str, settings: PortSettings, surroundings: Surroundings
    ) -> OutPort | None:
        """Open a port to send to by its raw name; ``None`` where the kind has none.

        Raises
        ------
        PortError
            It can't be opened; the message says why.
        """
        ...

    def open_in(
        self,
        name: str,
        settings: PortSettings,
        surroundings: Surroundings,
        receive: Receive,
        receive_number: ReceiveNumber | None = None,
    ) -> InPort | None:
        """Open a port to receive from by its raw name; ``None`` where the kind has none."""
        ...


class Kind(NamedTuple):
    """One kind of port: a row of the table.

    Attributes
    ----------
    name : str
        The word before the colon of an address.
    words : str
        What it is, and what its names mean.
    limits : Limits
        What it can't do; an open port may know more narrowly.
    module : str
        Its module in this package.
    direct : tuple of str
        A name that begins with one of these is taken as it stands; any other is looked for among
        the ports that are there. ``(ANY,)`` takes all as they stand.
    needs : str
        The library that it stands on; empty for none.
    extra : str
        What to install for that library, as in ``knobwright[ports]``.
    is_file : bool
        A name is the path of a file: in a bench it is one of the bench's folder.
    """

    name: str
    words: str
    limits: Limits
    module: str
    direct: tuple[str, ...] = (ANY,)
    needs: str = ""
    extra: str = ""
    is_file: bool = False

    def is_direct(self, name: str) -> bool:
        """Return whether a name is taken as it stands, listed or not."""
        return name.startswith(self.direct)

    def find(self, surroundings: Surroundings) -> tuple[Found, ...]:
        """Return the ports of this kind that are there now."""
        with self._explained() as driver:
            return tuple(driver.find(surroundings))

    def open_out(self, name: str, settings: PortSettings, surroundings: Surroundings) -> OutPort:
        """Open a port to send to by its raw name.

        Raises
        ------
        PortError
            It can't be opened, the kind has no such port, or its library is missing.
        """
        with self._explained() as driver:
            port = driver.open_out(name, settings, surroundings)
        if port is None:
            raise self._none("nothing can be sent to it", name)
        return port

    def open_in(
        self,
        name: str,
        settings: PortSettings,
        surroundings: Surroundings,
        receive: Receive,
        receive_number: ReceiveNumber | None = None,
    ) -> InPort:
        """Open a port to receive from by its raw name.

        Raises
        ------
        PortError
            It can't be opened, the kind has no such port, or its library is missing.
        """
        with self._explained() as driver:
            port = driver.open_in(name, settings, surroundings, receive, receive_number)
        if port is None:
            raise self._none("nothing can be received from it", name)
        return port

    def _none(self, why: str, name: str) -> PortError:
        return PortError(f"a port of the kind {self.name} was named, and {why}", where=name)

    @contextmanager
    def _explained(self) -> Iterator[Driver]:
        """Yield the driver; a library that is not installed is said with what to install."""
        try:
            yield cast(Driver, importlib.import_module(f"{PACKAGE}.{self.module}"))
        except ImportError as error:
            if not self.needs or (error.name or "").partition(".")[0] != self.needs:
                raise
            raise PortError(
                f"ports of the kind {self.name} need the library {self.needs!r}, which is not here",
                where=self.name,
                hint=f"pip install 'knobwright[{self.extra}]'",
            ) from error
