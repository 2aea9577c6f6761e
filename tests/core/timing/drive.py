"""Drives the pacing on a virtual clock: a line that carries each byte in ``byte_ns``."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from knobwright.core.timing.items import Item
from knobwright.core.timing.pacing import Hand, Pacing

DIN_NS = 320_000  # a byte at 31 250 baud: ten bits (MIDI 1.0 4.2.1, page 1)


class Sent(NamedTuple):
    """One hand on the line."""

    start_ns: int
    end_ns: int
    hand: Hand


class Arrival(NamedTuple):
    """An item and when it is pushed."""

    at_ns: int
    item: Item


class Drive:
    """A line with a pacing before it; ``sent`` is what went over it."""

    def __init__(self, pacing: Pacing, byte_ns: int = DIN_NS) -> None:
        self.pacing = pacing
        self.byte_ns = byte_ns
        self.now_ns = 0
        self.free_ns = 0
        self.sent: list[Sent] = []

    def pump(self) -> None:
        """Take everything that is due now."""
        while (hand := self.pacing.due(self.now_ns)) is not None:
            start_ns = max(self.now_ns, self.free_ns)
            assert start_ns == self.now_ns, "handed over while the line was busy"
            self.free_ns = start_ns + len(hand.data) * self.byte_ns
            self.sent.append(Sent(start_ns, self.free_ns, hand))

    def until(self, end_ns: int) -> None:
        """Let time pass."""
        self.pump()
        while (next_ns := self.pacing.next_ns) is not None and next_ns <= end_ns:
            assert next_ns > self.now_ns, "asked to be called again at once"
            self.now_ns = next_ns
            self.pump()
        self.now_ns = max(self.now_ns, end_ns)

    def push(self, item: Item, at_ns: int | None = None) -> bool:
        """Let time pass until ``at_ns`` and push an item then."""
        if at_ns is not None:
            self.until(at_ns)
        taken = self.pacing.push(item, self.now_ns)
        self.pump()
        return taken

    def run(self, items: Iterable[Item], end_ns: int = 3_600_000_000_000) -> list[bytes]:
        """Push items all at once, let time pass, and return the whole messages in order."""
        for item in items:
            self.pacing.push(item, self.now_ns)
        self.until(end_ns)
        return self.messages()

    def messages(self) -> list[bytes]:
        """Return the whole messages that went over the line."""
        return [s.hand.message for s in self.sent if s.hand.message]

    def wire(self) -> bytes:
        """Return the bytes that went over the line."""
        return b"".join(s.hand.data for s in self.sent)


def hexes(messages: Sequence[bytes]) -> list[str]:
    """Return messages as they are written in the tests."""
    return [message.hex(" ").upper() for message in messages]
