"""Notices that the machine or this process stood still: what waited then is too late."""

from __future__ import annotations

from knobwright.core.interfaces import Clock

#: Nobody has been at work for so long although something was due: the machine or process stood.
STALL_NS = 1_000_000_000


class Stalls:
    """Compares deadlines with the time at which they are seen to.

    Parameters
    ----------
    slept : Clock, optional
        For how long the machine was suspended so far, in nanoseconds.
    """

    __slots__ = ("_slept", "_slept_ns")

    def __init__(self, slept: Clock | None) -> None:
        self._slept = slept
        self._slept_ns = slept() if slept else 0

    def begin(self) -> None:
        """Note that a deadline is set where there was none."""
        if self._slept is not None:
            self._slept_ns = self._slept()

    def notice(self, now_ns: int, deadline_ns: int) -> bool:
        """Return whether it stood since the deadline was set."""
        is_stall = now_ns - deadline_ns > STALL_NS
        if self._slept is not None:
            slept_ns = self._slept()
            is_stall = is_stall or slept_ns - self._slept_ns > STALL_NS
            self._slept_ns = slept_ns
        return is_stall
