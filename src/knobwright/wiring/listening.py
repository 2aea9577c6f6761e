"""Listens at ports in this process: all that comes, with its time, until nobody wants more."""

from __future__ import annotations

import queue
from collections.abc import Callable, Iterator, Sequence
from types import TracebackType

from knobwright.adapters.clock import monotonic_ns
from knobwright.core.interfaces import IN, InPort
from knobwright.engine.keeper import Keeper, Port, Tell
from knobwright.engine.messages import PortPlan
from knobwright.exports.trace import TraceEntry
from knobwright.wiring.ports import Opener

_NS = 1_000_000_000
#: How often somebody who waits for nothing looks up, in seconds: Ctrl-C is noticed then at last.
_LOOK_S = 0.2
_END = TraceEntry(0, IN, "", b"")


class Listening:
    """Opens ports, keeps them open, and gives what they bring.

    Parameters
    ----------
    plans : sequence of PortPlan
        The ports; each must be there at first.
    tell : callable
        Takes ``(name, is_there, words)`` when a port is lost or back.

    Raises
    ------
    NamingError, PortError
        From ``with``: a port is not there, or can't be opened.
    """

    def __init__(self, plans: Sequence[PortPlan], tell: Tell) -> None:
        self._plans = plans
        self._entries: queue.SimpleQueue[TraceEntry] = queue.SimpleQueue()
        self._tell = tell
        self._is_open = False
        self._keeper = Keeper(monotonic_ns, self._told)
        self.names: list[str] = []

    def __enter__(self) -> Listening:
        for plan in self._plans:
            opener = Opener(plan, IN)
            name = opener.find().name
            self.names.append(name)
            self._keeper.keep(name, self._opening(opener, name), _IGNORED)
        self._is_open = True
        self._keeper.start()
        return self

    def _told(self, name: str, is_there: bool, words: str) -> None:
        if self._is_open:  # that it is there at first is no news
            self._tell(name, is_there, words)

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._keeper.close()

    def _receiver(self, name: str) -> Callable[[bytes, int], None]:
        put = self._entries.put
        return lambda data, at_ns: put(TraceEntry(at_ns, IN, name, data))

    def _opening(self, opener: Opener, name: str) -> Callable[[], InPort]:
        """Return what opens a port; it is opened once here, so that errors reach the user."""
        first = [opener.open_in(self._receiver(name))]
        return lambda: first.pop() if first else opener.open_in(self._receiver(name))

    def end(self) -> None:
        """Let :meth:`entries` end behind what has come so far; from anywhere, a signal too."""
        self._entries.put(_END)

    def entries(self, until_ns: int | None = None) -> Iterator[TraceEntry | None]:
        """Yield what comes, in order of arrival; ``None`` when nothing came for a moment.

        Parameters
        ----------
        until_ns : int, optional
            When to end, on the monotonic clock; never by default.
        """
        while True:
            left_ns = None if until_ns is None else until_ns - monotonic_ns()
            if left_ns is not None and left_ns <= 0:
                break
            wait_s = _LOOK_S if left_ns is None else min(_LOOK_S, left_ns / _NS)
            try:
                entry = self._entries.get(timeout=wait_s)
            except queue.Empty:
                yield None
                continue
            if entry is _END:
                return
            yield entry
        while not self._entries.empty():  # what came in time is given
            entry = self._entries.get()
            if entry is not _END:
                yield entry


class _Ignored:
    """Watches nothing: a port that listens needs no care but to be opened again."""

    def back(self, port: Port) -> None:
        """Do nothing."""

    def lost(self, words: str) -> None:
        """Do nothing."""


_IGNORED = _Ignored()
