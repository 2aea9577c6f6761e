"""A way from an out-port to the link test's arrivals, in a time that passes only as it is waited.

It does not model a sender that is late, nor a port that fails while bytes are under way.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from typing import Protocol

from knobwright.adapters.ports.throughs import Fault, Through
from knobwright.core.errors import PortLostError
from knobwright.core.interfaces import Limits, Receive
from knobwright.core.link.records import LinkResult
from knobwright.engine.looptest import Arrivals, LinkTest

#: Fields: stream, longest exclusive, own speed, words.
STREAM = Limits(True, None, 0, "")
MESSAGES = Limits(False, 16_000, 0, "")


class Feeds(Protocol):
    """A pass-through: bytes and when, in and out."""

    def feed(self, data: bytes, at_ns: int) -> Sequence[tuple[bytes, int]]:
        """Take bytes that are sent at a time and return what leaves, each piece with its time."""
        ...


class VirtualWay:
    """Out-port and time at once: bytes that are sent arrive when time has come so far."""

    name = "virtual"

    def __init__(
        self, through: Feeds, limits: Limits = STREAM, noise: Sequence[tuple[int, bytes]] = ()
    ) -> None:
        self.limits = limits
        self.arrivals = Arrivals()
        self.receive: Receive = self.arrivals.receive
        self.sent: list[tuple[int, bytes]] = []
        self.lost_after = 1 << 60
        self._through = through
        self._now_ns = 1_000_000_000
        self._coming = [(1_000_000_000 + at_ns, -1, data) for at_ns, data in noise]
        heapq.heapify(self._coming)

    def send(self, data: bytes) -> None:
        """Let bytes go into the pass-through now."""
        if len(self.sent) >= self.lost_after:
            raise PortLostError("it is gone", where=self.name)
        self.sent.append((self._now_ns, data))
        for left, at_ns in self._through.feed(data, self._now_ns):
            heapq.heappush(self._coming, (at_ns, len(self.sent), left))

    def is_there(self) -> bool:
        """Return that it is there."""
        return True

    def close(self) -> None:
        """Do nothing."""

    def now_ns(self) -> int:
        """Return the time."""
        return self._now_ns

    def wait_until(self, at_ns: int) -> None:
        """Let time pass, and what arrives until then arrive at its own time."""
        while self._coming and self._coming[0][0] <= at_ns:
            come_ns, _, data = heapq.heappop(self._coming)
            self._now_ns = max(self._now_ns, come_ns)
            self.receive(data, come_ns)
        self._now_ns = max(self._now_ns, at_ns)


def run_through(
    through: Feeds | Sequence[Fault],
    *,
    seed: int = 1,
    limits: Limits = STREAM,
    is_quick: bool = False,
    noise: Sequence[tuple[int, bytes]] = (),
    baud: int = 31_250,
) -> LinkResult:
    """Return what the link test says of a pass-through, or of one with faults of the table."""
    feeds = Through(through, seed, baud=baud) if isinstance(through, Sequence) else through
    way = VirtualWay(feeds, limits, noise)
    return LinkTest(way, way.arrivals, way, baud=baud, is_quick=is_quick).run()


def names(result: LinkResult) -> set[str]:
    """Return the names of the findings."""
    return {finding.name for finding in result.findings}


class ByBytes:
    """A pass-through from a function of one byte: what leaves, a byte's time later."""

    def __init__(self, change: Callable[[int], bytes], delay_ns: int = 320_000) -> None:
        self._change = change
        self._delay_ns = delay_ns
        self._free_ns = 0

    def feed(self, data: bytes, at_ns: int) -> list[tuple[bytes, int]]:
        """Take bytes and return what leaves."""
        out = []
        self._free_ns = max(self._free_ns, at_ns)
        for byte in data:
            self._free_ns += 320_000
            left = self._change(byte)
            if left:
                out.append((left, self._free_ns + self._delay_ns))
        return out
