"""A line as a discrete-event simulation, byte by byte; it does not model real time going first.

Written apart from ``core/timing/wire.py``: a heap of events (arrivals, ends of bytes, ends of
rests), one queue, one line. Running status follows the receiver's buffer of the MIDI 1.0 Detailed
Specification 4.2.1, page A-2.
"""

from __future__ import annotations

import heapq
from collections import deque
from collections.abc import Sequence


class LineModel:
    """One line with a queue before it; ``starts`` and ``ends`` tell of each message."""

    def __init__(
        self, byte_ns: int, *, running: bool, gap_ns: int, holds: str, rests: Sequence[int] = ()
    ) -> None:
        self.byte_ns, self.running, self.gap_ns, self.holds = byte_ns, running, gap_ns, holds
        self.rests = rests
        self.starts: list[int] = []
        self.ends: list[int] = []
        self.byte_starts: list[int] = []
        self.events: list[tuple[int, int, str]] = []
        self.waiting: deque[bytes] = deque()
        self.left: list[int] = []  # bytes of the message on the line that have not ended
        self.status = 0
        self.on_line = b""
        self.quiet_until = 0  # nothing but real time begins before
        self.exclusive_until = 0  # no exclusive begins before
        self.now = 0

    def run(self, due: Sequence[int], messages: Sequence[bytes]) -> None:
        """Send everything."""
        for number, at in enumerate(due):
            heapq.heappush(self.events, (at, number, "arrival"))
        while self.events:
            self.now, number, what = heapq.heappop(self.events)
            if what == "arrival":
                self.waiting.append(messages[number])
            elif what == "byte":
                self.byte_ended()
            self.begin_if_free()

    def byte_ended(self) -> None:
        """Send the next byte, or end the message and begin its rests."""
        self.left.pop()
        if self.left:
            self.send_byte()
            return
        number = len(self.ends)
        self.ends.append(self.now)
        if self.on_line[0] == 0xF0:
            until = self.now + self.gap_ns
            self.exclusive_until = until if self.holds == "exclusive" else 0
            if self.holds == "all":
                self.quiet_until = max(self.quiet_until, until)
        if self.rests:
            self.quiet_until = max(self.quiet_until, self.now + self.rests[number])
        for until in (self.exclusive_until, self.quiet_until):
            if until > self.now:
                heapq.heappush(self.events, (until, -1, "rest over"))

    def begin_if_free(self) -> None:
        """Begin the first message that waits, where it may."""
        if self.left or not self.waiting:
            return
        first = self.waiting[0][0]
        is_real_time = 0xF8 <= first <= 0xFE
        if not is_real_time and self.now < self.quiet_until:
            return
        if first == 0xF0 and self.now < self.exclusive_until:
            return
        self.on_line = self.waiting.popleft()
        self.left = [0] * (len(self.on_line) - self.leaves_status_out())
        self.starts.append(self.now)
        self.send_byte()

    def leaves_status_out(self) -> bool:
        """Return whether the receiver's buffer holds the status already; load or clear it."""
        first = self.on_line[0]
        is_held = self.running and first == self.status
        if first < 0xF0:
            self.status = first
        elif first < 0xF8 or first == 0xFF:
            self.status = 0
        return is_held

    def send_byte(self) -> None:
        """Put one byte on the line."""
        self.byte_starts.append(self.now)
        heapq.heappush(self.events, (self.now + self.byte_ns, -1, "byte"))
