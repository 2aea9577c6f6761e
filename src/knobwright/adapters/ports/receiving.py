"""What in-ports share: calling the receiver safely, in turn, and at a time."""

from __future__ import annotations

import heapq
import threading
from collections import deque
from time import monotonic_ns

from knobwright.core.errors import PortLimitError
from knobwright.core.interfaces import Clock, Receive

#: How long closing waits for a call that is under way in another thread, in seconds.
CLOSE_WAIT_S = 1.0
#: How often a clock that is not the machine's is looked at, in seconds.
POLL_S = 0.002
#: Most bytes that may wait for their time: more than twenty minutes of a MIDI cable.
MAX_WAITING_BYTES = 4 << 20


class Receiving:
    """Calls a receiver until it is closed; closing from within the call is allowed.

    Closing from another thread waits for a call that is under way (a second at most, in case that
    call itself waits for whoever closes), so that nothing is called afterwards.
    """

    __slots__ = ("_lock", "_receive", "is_open")

    def __init__(self, receive: Receive) -> None:
        self._receive = receive
        self._lock = threading.RLock()
        self.is_open = True

    def call(self, data: bytes, at_ns: int) -> None:
        """Hand over bytes that arrived at ``at_ns``; nothing happens once it is closed."""
        with self._lock:
            if self.is_open:
                self._receive(data, at_ns)

    def close(self) -> None:
        """Call nothing any more; a second time does nothing."""
        self.is_open = False
        if self._lock.acquire(timeout=CLOSE_WAIT_S):
            self._lock.release()


class InTurn:
    """Does work for one piece of bytes after the other, in the threads that bring them.

    A piece that comes while another is worked on (from within that work, or from another thread)
    is left to the thread that is at it. So nobody waits for anybody, pieces keep their order and
    an echo can't call itself ever deeper.
    """

    __slots__ = ("_busy", "_clock", "_lock", "_waiting", "_work")

    def __init__(self, work: Receive, clock: Clock) -> None:
        self._work = work
        self._clock = clock
        self._lock = threading.Lock()
        self._waiting: deque[tuple[bytes, int]] = deque()
        self._busy = False

    def put(self, data: bytes) -> None:
        """Take a piece; its time is read from the clock now."""
        with self._lock:
            self._waiting.append((data, self._clock()))
            if self._busy:
                return
            self._busy = True
        is_done = False
        try:
            while (piece := self._next()) is not None:
                self._work(*piece)
            is_done = True
        finally:
            if not is_done:  # the work failed: the next piece finds the way free
                with self._lock:
                    self._busy = False

    def _next(self) -> tuple[bytes, int] | None:
        with self._lock:
            if self._waiting:
                return self._waiting.popleft()
            self._busy = False
            return None


class Later:
    """A thread that hands over pieces of bytes when their time has come.

    Parameters
    ----------
    deliver : Receive
        Called with the bytes and the time at which they were *due*: how late the thread woke is
        no property of the line that is modelled.
    clock : Clock
        The monotonic clock. One that is not the machine's is looked at every 2 ms.
    name : str
        The name of the thread.
    """

    def __init__(self, deliver: Receive, clock: Clock, name: str) -> None:
        self._deliver = deliver
        self._clock = clock
        self._changed = threading.Condition()
        self._waiting: list[tuple[int, int, bytes]] = []
        self._n_put = 0
        self._n_bytes = 0
        self._is_open = True
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    @property
    def is_alive(self) -> bool:
        """Return whether the thread still works: a receiver that failed ends it."""
        return self._thread.is_alive()

    def make_sure(self, n_bytes: int) -> None:
        """Refuse bytes before anything is done with them, where too many wait already.

        Raises
        ------
        PortLimitError
            With these, more than 4 MiB would wait.
        """
        if self._n_bytes + n_bytes > MAX_WAITING_BYTES:
            raise PortLimitError(
                f"{self._n_bytes} bytes wait for this line already: nothing of this was sent",
                hint="send no faster than the line carries",
            )

    def put(self, data: bytes, due_ns: int) -> None:
        """Hand over ``data`` at ``due_ns``; pieces due at the same time keep their order."""
        with self._changed:
            heapq.heappush(self._waiting, (due_ns, self._n_put, data))
            self._n_put += 1
            self._n_bytes += len(data)
            self._changed.notify()

    def close(self) -> None:
        """Forget what waits and end the thread; allowed from within the call."""
        with self._changed:
            self._is_open = False
            self._waiting.clear()
            self._changed.notify()
        if threading.current_thread() is not self._thread:
            self._thread.join(CLOSE_WAIT_S)

    def _run(self) -> None:
        while (piece := self._next()) is not None:
            self._deliver(*piece)

    def _next(self) -> tuple[bytes, int] | None:
        """Wait for the next piece that is due; ``None`` when it is closed."""
        with self._changed:
            while self._is_open:
                left_ns = self._waiting[0][0] - self._clock() if self._waiting else None
                if left_ns is None:
                    self._changed.wait()
                elif left_ns > 0:
                    self._changed.wait(wait_s(left_ns, self._clock))
                else:
                    due_ns, _, data = heapq.heappop(self._waiting)
                    self._n_bytes -= len(data)
                    return data, due_ns
        return None


def wait_s(left_ns: int, clock: Clock) -> float:
    """Return how long to wait, in seconds, before a clock is looked at again.

    All that is left where the clock is the machine's (an hour at most, lest the system's own
    limit be passed), a moment where it is another.
    """
    left_s = left_ns / 1e9
    return min(left_s, 3600.0 if clock is monotonic_ns else POLL_S)
