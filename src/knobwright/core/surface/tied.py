"""One assignment at work: from the moves of its control to the raw values of its parameter."""

from __future__ import annotations

from collections.abc import Callable

from knobwright.core.sheet.records import Parameter
from knobwright.core.surface import assignment as modes
from knobwright.core.surface.assignment import Assignment, mode_of
from knobwright.core.surface.curves import bent
from knobwright.core.surface.kinds import NOTE, TOGGLE
from knobwright.core.surface.meeting import APART, MEETINGS, MET, Hand, Meeting
from knobwright.core.surface.moves import MOVED, PRESSED, RELEASED, STEPPED, Move
from knobwright.core.surface.raws import Listed, Raws, Spanned
from knobwright.core.surface.records import Control

#: Tells the raw value on a channel (1 to 32, ``None`` where the parameter is not per channel).
Current = Callable[[int | None], object]
#: Channel and raw value.
Value = tuple[int | None, int]

#: Ticks of an encoder for the whole way: as many as a control of seven bits has steps.
TICKS = 127
#: Finest control whose values are remembered, in bits.
_MAX_REMEMBERED = 14


class Tied:
    """An assignment with its control and parameter: the state of its meetings.

    Parameters
    ----------
    assignment : Assignment
        Without faults, see :func:`assignment.faults`.
    control : Control
        The control that it names.
    parameter : Parameter
        The parameter that it names.
    """

    def __init__(self, assignment: Assignment, control: Control, parameter: Parameter) -> None:
        self.assignment = assignment
        self.control = control
        self.parameter = parameter
        self.mode = mode_of(assignment, control, parameter)
        self.raws: Raws = _raws(assignment, parameter)
        self.zoned = bool(assignment.steps) or self.mode == modes.STEPS
        self._per_channel = "channel" in parameter.per
        self._curve = bent(assignment.curve, assignment.amount, assignment.points)
        self._meet = MEETINGS[assignment.meet].meet
        self._meetings: dict[int | None, Meeting] = {}
        self._last: dict[int | None, tuple[int, float]] = {}  # what this control set, and its way
        low, high = control.range
        self._control_step = 1.0 / max(high - low, 1)
        self._raw_at: dict[float, int] | None = {} if control.n_bits <= _MAX_REMEMBERED else None

    # -- ways and raw values ---------------------------------------------------------------------

    def raw_at(self, way: float) -> int:
        """Return the raw value for a place of the control, 0 to 1."""
        n = self.raws.n
        if self.assignment.invert:
            way = 1.0 - way
        y = self._curve.forward(way)
        return self.raws.nth(min(int(y * n), n - 1) if self.zoned else int(y * (n - 1) + 0.5))

    def way_of(self, raw: int) -> float:
        """Return the place of the control, 0 to 1, that stands for a raw value."""
        n, i = self.raws.n, self.raws.index(raw)
        y = (i + 0.5) / n if self.zoned else i / (n - 1) if n > 1 else 0.0
        way = self._curve.inverse(y)
        return 1.0 - way if self.assignment.invert else way

    def _near(self, raw: int, way: float) -> float:
        """Return how near to a value counts as met: one step of the control or of the value."""
        i, n = self.raws.index(raw), self.raws.n
        near = self._control_step
        for j in (i - 1, i + 1):
            if 0 <= j < n:
                near = max(near, abs(self.way_of(self.raws.nth(j)) - way))
        return near / 2 if self.zoned else near

    # -- moves -----------------------------------------------------------------------------------

    def values(self, move: Move, current: Current) -> list[Value]:
        """Return the channels and raw values that a move of the control sets.

        Parameters
        ----------
        move : Move
            A move of this assignment's control.
        current : callable
            Gives the raw value that the module has or is about to have, by channel.
        """
        what = move.what
        if what == MOVED:
            turns = self.mode in (modes.FOLLOW, modes.STEPS)
            return self._follow(move, current) if turns else []
        if what == STEPPED:
            return self._step(move, current)
        if what in (PRESSED, RELEASED):
            return self._press(move, current)
        return []

    def changed(self, channel: int | None) -> None:
        """Note that the value was changed by other means; ``None``: on every channel."""
        if channel is None:
            self._meetings.clear()
            self._last.clear()
        else:
            self._meetings.pop(channel, None)
            self._last.pop(channel, None)

    def apart(self) -> None:
        """Let the control meet its values anew: it was away in another layer."""
        self._meetings.clear()

    def _channels(self, move: Move) -> tuple[int | None, ...]:
        if not self._per_channel:
            return (None,)
        return self.assignment.channels or ((move.channel,) if move.channel else ())

    def _follow(self, move: Move, current: Current) -> list[Value]:
        found: list[Value] = []
        for channel in self._channels(move):
            if self._meetings.get(channel) is MET:
                way = move.position
                raw = self._remembered(way)
            else:
                met = self._met_at(move, channel, current)
                if met is None:
                    continue
                way, raw = met, self.raw_at(met)
            last = self._last.get(channel)
            if last is None or last[0] != raw:
                self._last[channel] = (raw, way)
                found.append((channel, raw))
        return found

    def _met_at(self, move: Move, channel: int | None, current: Current) -> float | None:
        """Return the way to send while control and value have not met yet, or ``None``."""
        raw = self._value(channel, current)
        if raw is None:  # nothing is known that could jump
            self._meetings[channel] = MET
            return move.position
        state = self._meetings.get(channel, APART)
        value = self.way_of(raw)
        hand = Hand(move.position, move.before)
        state, way = self._meet(state, hand, value, self._near(raw, value))
        self._meetings[channel] = MET if state.met else state
        return way

    def _remembered(self, way: float) -> int:
        if self._raw_at is None:
            return self.raw_at(way)
        raw = self._raw_at.get(way)
        if raw is None:
            raw = self._raw_at[way] = self.raw_at(way)
        return raw

    def _value(self, channel: int | None, current: Current) -> int | None:
        """Return the value that is set now: what this control set last, or what is known."""
        last = self._last.get(channel)
        raw = last[0] if last is not None else current(channel)
        return raw if isinstance(raw, int) else None

    def _start(self, channel: int | None, current: Current) -> int:
        """Return the value to step from: the known one, the sheet's default, or the low end."""
        raw = self._value(channel, current)
        if raw is not None:
            return raw
        default = self.parameter.default
        return default if isinstance(default, int) else self.raws.nth(0)

    # -- steps of an encoder ---------------------------------------------------------------------

    def _step(self, move: Move, current: Current) -> list[Value]:
        if not move.steps or self.mode not in (modes.FOLLOW, modes.STEPS):
            return []
        found: list[Value] = []
        for channel in self._channels(move):
            raw = self._start(channel, current)
            after, way = self._stepped(raw, channel, move)
            if after != raw or self._value(channel, current) is None:
                found.append((channel, after))
            self._last[channel] = (after, way)
        return found

    def _stepped(self, raw: int, channel: int | None, move: Move) -> tuple[int, float]:
        n, i = self.raws.n, self.raws.index(raw)
        sign = -1 if self.assignment.invert else 1
        if self.zoned or self.assignment.step:
            by = move.value if self.zoned else move.steps * self.assignment.step
            j = i + sign * by
            j = j % n if self.assignment.wrap else min(max(j, 0), n - 1)
            after = self.raws.nth(j)
            return after, self.way_of(after)
        last = self._last.get(channel)
        way = last[1] if last is not None and last[0] == raw else self.way_of(raw)
        way = min(max(way + move.steps / TICKS, 0.0), 1.0)
        after = self.raw_at(way)
        by = sign * (1 if move.steps > 0 else -1)
        if self.raws.index(after) == i and 0 <= i + by < n:  # a tick that could not be felt
            after = self.raws.nth(i + by)
            way = self.way_of(after)
        return after, way

    # -- presses ---------------------------------------------------------------------------------

    def _press(self, move: Move, current: Current) -> list[Value]:
        channels = self._channels(move)
        raw = self._pressed(move, channels, current) if channels else None
        if raw is None:
            return []
        for channel in channels:
            self._last[channel] = (raw, move.position)
            self._meetings[channel] = MET
        return [(channel, raw) for channel in channels]

    def _pressed(
        self, move: Move, channels: tuple[int | None, ...], current: Current
    ) -> int | None:
        down, mode = move.what == PRESSED, self.mode
        if mode == modes.HELD:
            return self._end(high=down)
        if mode == modes.FOLLOW:
            stays = not down and self.control.form == NOTE  # a struck value stays
            return None if stays else self.raw_at(move.position if down else 0.0)
        if not down and self.control.action != TOGGLE:
            return None
        if mode == modes.SET:
            return 0 if self.parameter.is_action else self.assignment.value
        # Several channels change together: the first says from where.
        raw = self._value(channels[0], current)
        if mode == modes.SWITCH:
            return self._end(high=raw != self._end(high=True))
        if mode in (modes.NEXT, modes.PREVIOUS):
            return self._neighbour(raw, 1 if mode == modes.NEXT else -1)
        return None

    def _end(self, *, high: bool) -> int:
        up = high != self.assignment.invert
        return self.raws.nth(self.raws.n - 1 if up else 0)

    def _neighbour(self, raw: int | None, by: int) -> int | None:
        """Return the value before or behind; from a value that is none of them, the first one."""
        n = self.raws.n
        by = -by if self.assignment.invert else by
        if raw is None and isinstance(self.parameter.default, int):
            raw = self.parameter.default
        if raw is None or self.raws.nth(self.raws.index(raw)) != raw:
            return self.raws.nth(0 if by > 0 else n - 1)
        i = self.raws.index(raw) + by
        if not 0 <= i < n and self.assignment.wrap is False:
            return None
        return self.raws.nth(i % n)

    # -- showing ---------------------------------------------------------------------------------

    def position(self, raw: int) -> float | None:
        """Return the place that the control shows for a value; ``None``: it shows none."""
        if self.mode in (modes.FOLLOW, modes.STEPS):
            return self.way_of(raw)
        if self.mode in (modes.HELD, modes.SWITCH):
            return 1.0 if raw == self._end(high=True) else 0.0
        return None


def _raws(assignment: Assignment, parameter: Parameter) -> Raws:
    if assignment.steps:
        return Listed(assignment.steps)
    low = parameter.ranges[0][0] if assignment.low is None else assignment.low
    high = parameter.ranges[-1][1] if assignment.high is None else assignment.high
    return Spanned(parameter.ranges, low, high)
