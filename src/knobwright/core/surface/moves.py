"""What a control did, and the place that one control has on one channel."""

from __future__ import annotations

from typing import NamedTuple

from knobwright.core.surface import kinds as k
from knobwright.core.surface.records import Control
from knobwright.core.surface.relative import RELATIVE, Ticks

MOVED = "moved"
STEPPED = "stepped"
PRESSED = "pressed"
RELEASED = "released"
PART = "part"
#: What a control can do. A ``part`` is the first half of a value and sets nothing yet.
DONE = (MOVED, STEPPED, PRESSED, RELEASED, PART)


class Move(NamedTuple):
    """What a control did.

    ``channel`` is 1 to 16, or 0 where the message has none. ``value`` is the raw number as it was
    sent (the force of a press, the ticks of a step). ``position`` is where the control stands on
    its way, 0 to 1, and ``before`` where it stood (``None``: not known). ``steps`` are the ticks
    after acceleration, signed, for a step. ``at_ns`` is when it came, nanoseconds.
    """

    control: Control
    what: str
    channel: int
    value: int
    position: float
    before: float | None
    steps: int
    at_ns: int


class Place:
    """One control on one channel: where it stands, and whether it is down."""

    def __init__(self, control: Control, channel: int) -> None:
        self.control = control
        self.channel = channel
        self.low, self.high = control.range
        self.position: float | None = None
        self._down = False
        self._ticks = Ticks(control.acceleration)
        sign = -1 if control.reverse else 1
        self._steps: tuple[int, ...] = ()
        if control.relative:
            self._steps = tuple(sign * n for n in RELATIVE[control.relative].steps)
        self._scale = 1.0 / (self.high - self.low) if self.high > self.low else 0.0
        self._presses = control.presses
        self._force = control.kind == "pad" and control.form not in (k.NOTE, k.FIXED)
        from_zero = control.form == k.NOTE or control.kind == "pad"
        self._least = self.low + 1 if from_zero else (self.low + self.high) // 2 + 1

    def forget(self) -> None:
        """Forget where it stands."""
        self.position = None
        self._down = False

    def take(self, raw: int, at_ns: int) -> Move:
        """Return the move to a raw number."""
        if self._presses:
            return self._pressed(raw, at_ns)
        if self._steps:
            return self._stepped(self._steps[raw], at_ns)
        before, position = self.position, self._way(raw)
        self.position = position
        return Move(self.control, MOVED, self.channel, raw, position, before, 0, at_ns)

    def step(self, ticks: int, at_ns: int) -> Move:
        """Return the move of an increment (+1) or decrement (-1)."""
        return self._stepped(-ticks if self.control.reverse else ticks, at_ns)

    def press(self, raw: int, down: bool, at_ns: int) -> Move:
        """Return the press (or letting go) with a force."""
        before, self._down = self.position, down
        self.position = position = self._way(raw)
        what = PRESSED if down else RELEASED
        return Move(self.control, what, self.channel, raw, position, before, 0, at_ns)

    def _way(self, raw: int) -> float:
        """Return the way from the low end (0) to the high end (1)."""
        way = (raw - self.low) * self._scale
        way = 0.0 if raw <= self.low else 1.0 if raw >= self.high else way
        return 1.0 - way if self.control.reverse else way

    def _pressed(self, raw: int, at_ns: int) -> Move:
        down = raw >= self._least
        if down and self._down and self._force:  # a pad that goes on telling its pressure
            before = self.position
            self.position = position = self._way(raw)
            return Move(self.control, MOVED, self.channel, raw, position, before, 0, at_ns)
        return self.press(raw, down, at_ns)

    def _stepped(self, ticks: int, at_ns: int) -> Move:
        steps = self._ticks.take(ticks, at_ns)
        return Move(self.control, STEPPED, self.channel, ticks, 0.0, None, steps, at_ns)
