"""The way out of the engine: reports and the trace, packed and sent by a thread of their own.

Whoever has something to tell appends it to a queue and goes on: the thread that carries notes never
packs, never sends, and never waits for a reader. The queues are bounded. What does not fit is
counted, and the count is told: trace entries in the next batch, troubles by ``n_more``.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable
from typing import Protocol

from knobwright.core.errors import KnobwrightError
from knobwright.core.interfaces import Clock
from knobwright.engine.messages import Report, TraceBatch, Trouble, write

#: How many entries of the trace may wait for the reader: seconds of a full DIN line.
MAX_TRACE = 20_000
#: How many reports may wait.
MAX_REPORTS = 2_000
#: Entries packed in one go: packing holds up every other thread, so it must be short.
BATCH = 100
#: The thread wakes this often, also with nothing to send, for its ``beat``.
BEAT_NS = 50_000_000
#: The same trouble is told at most once in this time.
AGAIN_NS = 1_000_000_000
_MAX_KINDS_OF_TROUBLE = 200

Entry = tuple[int, str, str, bytes]


class Sender(Protocol):
    """The end of the pipe that reports are written to."""

    def send_bytes(self, data: bytes) -> None:
        """Send one record; may block; raises ``OSError`` when nobody is there."""
        ...


class Outbox:
    """Collects what is told and sends it.

    Parameters
    ----------
    pipe : Sender
        Where reports go.
    clock : Clock
        The monotonic clock.
    beat : callable, optional
        Called with the time every 50 ms from the outbox's thread: for work that may take its time.
    """

    def __init__(
        self, pipe: Sender, clock: Clock, beat: Callable[[int], None] | None = None
    ) -> None:
        self._pipe = pipe
        self._clock = clock
        self.beat = beat
        self.is_watched = False
        self.n_not_shown = 0
        self.n_not_told = 0
        self._batch_ns = BEAT_NS
        self._trace: deque[Entry] = deque()
        self._reports: deque[Report] = deque()
        self._troubles: dict[tuple[str, str], tuple[int, int]] = {}
        self._wake = threading.Event()
        self._is_closing = False
        self._thread = threading.Thread(target=self._run, name="outbox", daemon=True)

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def watch(self, on: bool, batch_ms: int = 50) -> None:
        """Begin or stop to send the trace, in batches of ``batch_ms`` (10 to 1 000)."""
        self._batch_ns = min(max(batch_ms, 10), 1000) * 1_000_000
        self.is_watched = on

    def trace(self, at_ns: int, way: str, port: str, data: bytes) -> None:
        """Show bytes that came or went; costs next to nothing."""
        if self.is_watched:
            if len(self._trace) < MAX_TRACE:
                self._trace.append((at_ns, way, port, data))
            else:
                self.n_not_shown += 1

    def tap(self, way: str, port: str) -> Callable[[int, bytes], None]:
        """Return a function that shows what came or went at one port, given when and the bytes."""
        trace = self._trace

        def show(at_ns: int, data: bytes) -> None:
            if self.is_watched:
                if len(trace) < MAX_TRACE:
                    trace.append((at_ns, way, port, data))
                else:
                    self.n_not_shown += 1

        return show

    def tell(self, report: Report) -> None:
        """Send a report soon."""
        if len(self._reports) < MAX_REPORTS:
            self._reports.append(report)
        else:
            self.n_not_told += 1
        self._wake.set()

    def trouble(self, words: str, where: str = "", hint: str = "") -> None:
        """Tell a trouble, the same one at most once a second and then with how often it came."""
        now_ns = self._clock()
        last_ns, n_more = self._troubles.get((words, where), (-AGAIN_NS, 0))
        if now_ns - last_ns < AGAIN_NS:
            self._troubles[words, where] = (last_ns, n_more + 1)
            return
        if len(self._troubles) >= _MAX_KINDS_OF_TROUBLE:
            self._troubles.clear()
        self._troubles[words, where] = (now_ns, 0)
        self.tell(Trouble(words, where, hint, n_more))

    def error(self, error: KnobwrightError) -> None:
        """Tell an error of ours as a trouble."""
        self.trouble(error.message, error.where, error.hint)

    def close(self) -> None:
        """Send what waits, unless nobody reads any more, and end; a second time does nothing."""
        self._is_closing = True
        self._wake.set()
        if self._thread.is_alive():
            # A reader that takes nothing must not keep the engine from ending.
            self._thread.join(timeout=2.0)

    def _run(self) -> None:
        next_beat_ns = next_batch_ns = self._clock()
        try:
            while not self._is_closing:
                self._wake.wait(max(min(next_beat_ns, next_batch_ns) - self._clock(), 0) / 1e9)
                self._wake.clear()
                now_ns = self._clock()
                self._send_reports()
                if now_ns >= next_batch_ns:
                    self._send_trace()
                    next_batch_ns = now_ns + self._batch_ns
                if now_ns >= next_beat_ns:
                    if self.beat is not None:
                        self.beat(now_ns)
                    next_beat_ns = now_ns + BEAT_NS
            self._send_trace()
            self._send_reports()
        except OSError:
            # Nobody reads any more: the thread that reads orders sees the same end, and acts on it.
            self.is_watched = False

    def _send_reports(self) -> None:
        self._tell_more()
        while self._reports:
            self._pipe.send_bytes(write(self._reports.popleft()))

    def _tell_more(self) -> None:
        """Tell how often troubles came again, for those that have been quiet for their second."""
        now_ns = self._clock()
        for (words, where), (last_ns, n_more) in list(self._troubles.items()):
            if n_more and now_ns - last_ns >= AGAIN_NS:
                self._troubles[words, where] = (now_ns, 0)
                self._reports.append(Trouble(words, where, "", n_more))

    def _send_trace(self) -> None:
        # No more than waits now: what comes meanwhile is for the next batch.
        n = len(self._trace)
        while n > 0:
            entries = tuple(self._trace.popleft() for _ in range(min(n, BATCH)))
            n -= len(entries)
            n_not_shown, self.n_not_shown = self.n_not_shown, 0
            self._pipe.send_bytes(write(TraceBatch(entries, n_not_shown)))
