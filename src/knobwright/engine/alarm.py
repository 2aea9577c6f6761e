"""A thread that wakes at a deadline which others may bring forward."""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable

from knobwright.core.interfaces import Clock

#: The deadline of who waits for nothing.
FOREVER = 1 << 63


class Alarm:
    """Calls a function at each deadline.

    Parameters
    ----------
    work : callable
        Called at a deadline; it sets the next one with :meth:`set`.
    clock : Clock
        The monotonic clock.
    at_start : callable, optional
        Called once in the thread before it begins to wait.

    Notes
    -----
    ``worst_ns`` is the latest that it ever woke. A plain lock is what the thread sleeps on: taken,
    it waits; released by whoever brings the deadline forward, it looks again.
    """

    def __init__(
        self,
        work: Callable[[], None],
        clock: Clock,
        at_start: Callable[[], object] | None = None,
    ) -> None:
        self._work = work
        self._clock = clock
        self._at_start = at_start
        self._deadline_ns = FOREVER
        self._sleeps_until_ns = -1
        self._wake = threading.Lock()
        self._is_closing = False
        self.worst_ns = 0
        self._thread = threading.Thread(target=self._run, name="alarm", daemon=True)

    def start(self) -> None:
        """Begin to wait."""
        self._wake.acquire()
        self._thread.start()

    def set(self, deadline_ns: int) -> None:
        """Set the deadline; called by one thread at a time."""
        self._deadline_ns = deadline_ns
        if deadline_ns < self._sleeps_until_ns:
            self._rouse()

    def close(self) -> None:
        """End the thread, once the function has returned; a second time does nothing."""
        self._is_closing = True
        self._rouse()
        if self._thread.is_alive():
            self._thread.join()

    def _rouse(self) -> None:
        # Somebody else may have roused it in the same moment.
        with contextlib.suppress(RuntimeError):
            self._wake.release()

    def _run(self) -> None:
        if self._at_start is not None:
            self._at_start()
        clock = self._clock
        while not self._is_closing:
            # From here on whoever sets a deadline rouses this thread, so that none is missed.
            self._sleeps_until_ns = FOREVER
            deadline_ns = self._deadline_ns
            if deadline_ns == FOREVER:
                self._wake.acquire()
                continue
            self._sleeps_until_ns = deadline_ns
            wait_ns = deadline_ns - clock()
            if wait_ns > 0:
                if self._wake.acquire(timeout=wait_ns / 1e9):
                    continue
                self.worst_ns = max(self.worst_ns, clock() - deadline_ns)
            self._sleeps_until_ns = -1  # awake: nobody need rouse it
            self._work()
