"""A clock that tests move."""

from __future__ import annotations


class HandClock:
    """A clock that stands still until it is moved: does not model time that passes by itself."""

    def __init__(self, now_ns: int = 1_000_000_000) -> None:
        self.now_ns = now_ns

    def __call__(self) -> int:
        """Return the time in nanoseconds."""
        return self.now_ns

    def on(self, n_us: int) -> None:
        """Let microseconds pass."""
        self.now_ns += n_us * 1_000
