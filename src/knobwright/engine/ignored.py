"""What a stand-in did not act on: records with a reason, bounded and counted.

However long a stream is and whatever is in it, this takes a bounded amount of memory: the records
kept of each reason, the reasons told apart and the bytes kept of a message all have limits. Counts
go on.
"""

from __future__ import annotations

from msgspec import Struct

#: Records kept in all, and of one reason: a flood of one kind must not push out the others.
MAX_KEPT = 500
MAX_KEPT_OF_A_REASON = 50
#: Reasons told apart; what comes after is counted under ``OTHER``.
MAX_REASONS = 200
OTHER = "other reasons"
#: Bytes kept of one message.
MAX_BYTES = 256


class Ignored(Struct, frozen=True):
    """Bytes that were not acted on, and why.

    ``data`` holds the first 256 bytes of ``n_bytes``; it is empty where only a part of a message
    was not acted on and the rest was. ``at_ns`` is the arrival time of its last byte.
    """

    data: bytes
    reason: str
    at_ns: int = 0
    n_bytes: int = 0


class IgnoredCount(Struct, frozen=True):
    """How often something was ignored for one reason."""

    reason: str
    times: int


class IgnoredList:
    """Keeps what was ignored, in order, and counts it by reason."""

    def __init__(self) -> None:
        self._kept: list[Ignored] = []
        self._counts: dict[str, int] = {}

    def add(self, data: bytes, reason: str, at_ns: int) -> None:
        """Note one thing that was not acted on."""
        if reason not in self._counts and len(self._counts) >= MAX_REASONS:
            counted = OTHER
        else:
            counted = reason
        times = self._counts[counted] = self._counts.get(counted, 0) + 1
        if times <= MAX_KEPT_OF_A_REASON and len(self._kept) < MAX_KEPT:
            self._kept.append(Ignored(data[:MAX_BYTES], reason, at_ns, len(data)))

    def clear(self) -> None:
        """Forget records and counts."""
        self._kept.clear()
        self._counts.clear()

    @property
    def kept(self) -> tuple[Ignored, ...]:
        """Return the records that were kept, in order."""
        return tuple(self._kept)

    @property
    def counts(self) -> tuple[IgnoredCount, ...]:
        """Return how often each reason came, in the order of its first time."""
        return tuple(IgnoredCount(reason, times) for reason, times in self._counts.items())

    @property
    def n(self) -> int:
        """Return how many things were ignored in all."""
        return sum(self._counts.values())
