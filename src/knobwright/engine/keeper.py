"""Keeps ports open: notices when one is gone, and opens it again when it is back.

One cheap thread looks after all ports of the engine. An open port is looked at every half second
(an out-port that fails to send says so at once, see :meth:`Keeper.mend`); one that is gone is tried
every quarter of a second. How it is found again is the business of the function that opens it: by
identity, never by number. *Lost* and *back* are said once each.

:meth:`Keeper.step` does the work and knows no thread, so that tests need no waiting.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any, Generic, Protocol, TypeVar

from knobwright.core.errors import KnobwrightError, one_line
from knobwright.core.interfaces import Clock

LOOK_NS = 500_000_000
AGAIN_NS = 250_000_000


class Port(Protocol):
    """What the keeper needs of a port, whichever way it goes."""

    @property
    def name(self) -> str:
        """Return the raw name."""
        ...

    def is_there(self) -> bool:
        """Return whether the far end is still there."""
        ...

    def close(self) -> None:
        """Close it."""
        ...


P = TypeVar("P", bound=Port)
P_contra = TypeVar("P_contra", bound=Port, contravariant=True)


class Watcher(Protocol[P_contra]):
    """Is told what becomes of a port; called from the keeper's thread."""

    def back(self, port: P_contra) -> None:
        """Take the port, open: the first time or again."""
        ...

    def lost(self, words: str) -> None:
        """Stop using the port; ``words`` say why. It is closed afterwards."""
        ...


class _Kept(Generic[P]):
    """One port that is kept; ``port`` is ``None`` while it is gone."""

    def __init__(self, name: str, open_port: Callable[[], P], watcher: Watcher[P]) -> None:
        self.name = name
        self.open_port = open_port
        self.watcher = watcher
        self.port: P | None = None
        self.due_ns = 0
        self.was_told = False
        self.is_broken = False


#: Takes the name of a port, whether it is there, and words for people.
Tell = Callable[[str, bool, str], None]


class Keeper:
    """Keeps ports open.

    Parameters
    ----------
    clock : Clock
        The monotonic clock.
    tell : callable
        Takes ``(name, is_there, words)`` whenever a port is lost or back.
    """

    def __init__(self, clock: Clock, tell: Tell) -> None:
        self._clock = clock
        self._tell = tell
        self._kept: list[_Kept[Any]] = []
        self._wake = threading.Event()
        self._is_closing = False
        self._thread = threading.Thread(target=self._run, name="keeper", daemon=True)

    def keep(self, name: str, open_port: Callable[[], P], watcher: Watcher[P]) -> bool:
        """Open a port and keep it open from now on; return whether it is there at once.

        To be called before :meth:`start`. A port that can't be opened yet is told with the reason
        and tried again and again.
        """
        kept = _Kept(name, open_port, watcher)
        self._kept.append(kept)
        self._open(kept)
        return kept.port is not None

    def start(self) -> None:
        """Begin to look after the ports."""
        self._thread.start()

    def mend(self, name: str) -> None:
        """Take a port as lost, because sending to it failed; may be called from any thread."""
        for kept in self._kept:
            if kept.name == name:
                kept.is_broken = True
        self._wake.set()

    def close(self) -> None:
        """Close all ports and end; a second time does nothing."""
        self._is_closing = True
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join()
        for kept in self._kept:
            port, kept.port = kept.port, None
            if port is not None:
                port.close()

    def step(self) -> int:
        """Do what is due now; return when there is something to do again, in nanoseconds."""
        for kept in self._kept:
            if kept.is_broken:
                kept.is_broken = False
                self._lose(kept, "sending to it failed")
            elif kept.due_ns <= self._clock():
                if kept.port is None:
                    self._open(kept)
                else:
                    self._look(kept, kept.port)
        return min((kept.due_ns for kept in self._kept), default=self._clock() + LOOK_NS)

    def _run(self) -> None:
        while not self._is_closing:
            wait_ns = self.step() - self._clock()
            # 1 ms at least: no port may keep this thread busy.
            self._wake.wait(max(wait_ns, 1_000_000) / 1e9)
            self._wake.clear()

    def _look(self, kept: _Kept[Any], port: Port) -> None:
        if port.is_there():
            kept.due_ns = self._clock() + LOOK_NS
        else:
            self._lose(kept, "the far end is gone")

    def _lose(self, kept: _Kept[Any], words: str) -> None:
        port, kept.port = kept.port, None
        kept.due_ns = self._clock() + AGAIN_NS
        if port is None:
            return
        kept.watcher.lost(words)
        port.close()
        self._tell(kept.name, False, words)
        kept.was_told = True

    def _open(self, kept: _Kept[Any]) -> None:
        try:
            port = kept.open_port()
        except KnobwrightError as error:
            kept.due_ns = self._clock() + AGAIN_NS
            if not kept.was_told:
                kept.was_told = True
                self._tell(kept.name, False, one_line(error))
            return
        kept.port = port
        kept.was_told = False
        kept.is_broken = False
        kept.due_ns = self._clock() + LOOK_NS
        kept.watcher.back(port)
        self._tell(kept.name, True, port.name)
