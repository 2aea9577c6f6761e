"""Ports that lead to a place inside this process: what the kinds without a driver share.

A *place* stands behind a name. All ports of that name lead to it: what is sent to an out-port is
taken by the place, and what the place gives reaches every in-port. It is made when the first port
is opened and ends with the last.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.receiving import InTurn, Receiving
from knobwright.core.errors import PortError, PortLimitError, PortLostError
from knobwright.core.interfaces import IN, OUT, Clock, Found, Limits, Receive
from knobwright.core.wire.status import START_OF_EXCLUSIVE


class Place:
    """What stands behind a name; a kind says what it does with bytes.

    Attributes
    ----------
    was_pulled : bool
        Its ports stay lost and are to be opened anew.
    """

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.was_pulled = False
        self._receivers: tuple[Receiving, ...] = ()
        self._joining = threading.Lock()
        self._turn = InTurn(self.take, clock)

    def put(self, data: bytes) -> None:
        """Take bytes from an out-port now; whoever comes while others are at it need not wait."""
        self._turn.put(data)

    def take(self, data: bytes, at_ns: int) -> None:
        """Do with bytes that arrived at ``at_ns`` what this place does; never called twice at once.

        A place of its own kind overrides this; the plain one gives them to every in-port.
        """
        self.give(data, at_ns)

    def give(self, data: bytes, at_ns: int) -> None:
        """Let bytes reach every in-port."""
        for receiving in self._receivers:
            receiving.call(data, at_ns)

    @property
    def is_there(self) -> bool:
        """Return whether it was not pulled, and nothing of it has failed."""
        return not self.was_pulled

    @property
    def has_readers(self) -> bool:
        """Return whether an in-port is open."""
        return bool(self._receivers)

    def join(self, receiving: Receiving) -> None:
        """Add an in-port."""
        with self._joining:
            self._receivers += (receiving,)

    def leave(self, receiving: Receiving) -> None:
        """Take an in-port out."""
        with self._joining:
            self._receivers = tuple(other for other in self._receivers if other is not receiving)

    def end(self) -> PortError | None:
        """End what runs; return what the last one to close has to be told, if anything."""
        return None


class Hub:
    """The places of one kind by name, and the ports that lead to them.

    Parameters
    ----------
    kind : str
        The kind's name.
    limits : Limits
        What its ports can't do.
    make : callable
        Makes the place of a name, for the first port's settings; may raise a ``KnobwrightError``.
    proper : callable, optional
        Turns a name into the one that all spellings of it share (a path made absolute).
    """

    def __init__(
        self,
        kind: str,
        limits: Limits,
        make: Callable[[str, PortSettings, Surroundings], Place],
        proper: Callable[[str], str] = str,
    ) -> None:
        self.kind = kind
        self.limits = limits
        self._make = make
        self._proper = proper
        self._lock = threading.RLock()
        self._places: dict[str, tuple[Place, int]] = {}  # with the number of open ports
        self._pulled: set[str] = set()

    def find(self, surroundings: Surroundings) -> Sequence[Found]:
        """Return the names that ports are open to, once for each direction."""
        with self._lock:
            names = sorted(self._places)
        return [Found(self.kind, name, way, name) for name in names for way in (IN, OUT)]

    def open_out(
        self, name: str, settings: PortSettings, surroundings: Surroundings
    ) -> InsideOut | None:
        """Open a port to send to."""
        return InsideOut(self, name, self.enter(name, settings, surroundings))

    def open_in(
        self, name: str, settings: PortSettings, surroundings: Surroundings, receive: Receive
    ) -> InsideIn | None:
        """Open a port to receive from."""
        return InsideIn(self, name, self.enter(name, settings, surroundings), receive)

    def pull(self, name: str) -> None:
        """Pull the plug: ports of this name are lost, and none can be opened."""
        proper = self._proper(name)
        with self._lock:
            self._pulled.add(proper)
            place, _ = self._places.pop(proper, (None, 0))
        _pulled(place)

    def put_back(self, name: str) -> None:
        """Put the plug back: ports of this name can be opened again."""
        with self._lock:
            self._pulled.discard(self._proper(name))

    def place(self, name: str) -> Place | None:
        """Return the place that ports of this name lead to, if any is open."""
        with self._lock:
            place, _ = self._places.get(self._proper(name), (None, 0))
            return place

    def enter(self, name: str, settings: PortSettings, surroundings: Surroundings) -> Place:
        """Return the place of a name for one port more; make it if it is the first."""
        proper = self._proper(name)
        with self._lock:
            if proper in self._pulled:
                raise PortLostError("it is pulled out", where=f"{self.kind}:{name}")
            place, n_open = self._places.get(proper, (None, 0))
            if place is None:
                place = self._make(name, settings, surroundings)
            self._places[proper] = place, n_open + 1
            return place

    def exit(self, name: str, place: Place) -> None:
        """Let one port go; the last ends the place, and gets the error that it ends with."""
        proper = self._proper(name)
        with self._lock:
            found, n_open = self._places.get(proper, (None, 0))
            if found is not place:
                return  # it was pulled, and another may stand in its place
            if n_open > 1:
                self._places[proper] = place, n_open - 1
                return
            del self._places[proper]
        if (trouble := place.end()) is not None:
            raise trouble

    def lose(self, place: Place) -> None:
        """Make the ports that lead to this place lost; the name can be opened again."""
        with self._lock:
            for name, (found, _) in list(self._places.items()):
                if found is place:
                    del self._places[name]
        _pulled(place)


def _pulled(place: Place | None) -> None:
    """End a place that was taken out; outside the hub's lock, for it may wait for a thread."""
    if place is not None:
        place.was_pulled = True
        place.end()


class _Inside:
    """What both directions share."""

    def __init__(self, hub: Hub, name: str, place: Place) -> None:
        self._hub = hub
        self._name = name
        self._place = place
        self._is_open = True
        self._closing = threading.Lock()

    @property
    def name(self) -> str:
        """Return the raw name."""
        return self._name

    @property
    def limits(self) -> Limits:
        """Return what it can't do."""
        return self._hub.limits

    def is_there(self) -> bool:
        """Return whether it is open and its place was not pulled."""
        return self._is_open and self._place.is_there

    def close(self) -> None:
        """Close it; a second time does nothing.

        Raises
        ------
        PortError
            It is closed, and what was to happen on it did not (a script that was not followed).
        """
        with self._closing:
            if not self._is_open:
                return
            self._is_open = False
        self._leave()
        self._hub.exit(self._name, self._place)

    def _leave(self) -> None:
        """Let go what the direction holds."""


class InsideOut(_Inside):
    """An out-port to a place inside this process."""

    def send(self, data: bytes) -> None:
        """Hand over bytes; they are taken in the caller's thread.

        Raises
        ------
        PortError
            The port is closed.
        PortLostError
            Its place was pulled.
        PortLimitError
            An exclusive longer than the kind carries; nothing was sent.
        """
        if not self._is_open:
            raise PortError("the port is closed", where=f"{self._hub.kind}:{self._name}")
        if not self._place.is_there:
            raise PortLostError("the port is gone", where=f"{self._hub.kind}:{self._name}")
        longest = self._hub.limits.longest_exclusive
        if longest is not None and len(data) > longest and data[0] == START_OF_EXCLUSIVE:
            raise PortLimitError(
                f"an exclusive of {len(data)} bytes is longer than the {longest} that this carries",
                where=f"{self._hub.kind}:{self._name}",
                hint="nothing of it was sent; send it in parts, if the module takes parts",
            )
        if data:
            self._place.put(data)


class InsideIn(_Inside):
    """An in-port from a place inside this process."""

    def __init__(self, hub: Hub, name: str, place: Place, receive: Receive) -> None:
        super().__init__(hub, name, place)
        self._receiving = Receiving(receive)
        place.join(self._receiving)

    def _leave(self) -> None:
        self._place.leave(self._receiving)
        self._receiving.close()
