"""A clock and an alarm without real time, for whoever plays.

What it does not model: another thread that calls at the same moment.
"""

from __future__ import annotations

from collections.abc import Callable


class VirtualTime:
    """A clock that moves only while somebody waits; actions happen at their times on the way.

    ``late_ns`` is how much later than asked it wakes each time.
    """

    def __init__(self, now_ns: int = 5_000_000_000, *, late_ns: int = 0) -> None:
        self.now_ns = now_ns
        self.late_ns = late_ns
        self.n_waits = 0
        self._actions: list[tuple[int, Callable[[], object]]] = []
        self._is_rung = False

    def clock(self) -> int:
        """Return the time."""
        return self.now_ns

    def at(self, at_ns: int, action: Callable[[], object]) -> None:
        """Do something at a time."""
        self._actions.append((at_ns, action))
        self._actions.sort(key=lambda row: row[0])

    def until(self, deadline_ns: int) -> None:
        """Move to the deadline, or to the first action that rings."""
        self.n_waits += 1
        self._is_rung = False
        while self._actions and self._actions[0][0] <= deadline_ns:
            at_ns, action = self._actions.pop(0)
            self.now_ns = max(self.now_ns, at_ns)
            action()
            if self._is_rung:
                return
        assert deadline_ns - self.now_ns < 500_000_000_000, "waits for ever"
        self.now_ns = max(self.now_ns, deadline_ns + self.late_ns)

    def ring(self) -> None:
        """Wake who waits."""
        self._is_rung = True
