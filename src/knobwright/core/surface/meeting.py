"""How a control meets a stored value.

A control that was left somewhere else than the value it now stands for would make the value jump
at its first move. The three ways to meet are pure functions of the meeting's state, where the hand
is and was, and where the value is; all of these are ways of the control from 0 to 1 (the value's
place is where the control would have to be to give it).

To add a way, add a row to :data:`MEETINGS` and to ``docs/reference/surface.md``.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple


class Meeting(NamedTuple):
    """The state of one control against one value.

    ``met`` tells that control and value go together; ``value`` is where the value stands by the
    control's own doing while the two are not together yet (``stretch``), else ``None``.
    """

    met: bool = False
    value: float | None = None


#: Nothing met yet: at the start, and after the value changed by other means.
APART = Meeting()
MET = Meeting(True)


class Hand(NamedTuple):
    """Where the hand has the control now, where it had it before (``None``: not known), 0 to 1."""

    now: float
    before: float | None


#: (state, hand, where the value is, how near is met) -> (new state, way to send or ``None``).
Meet = Callable[[Meeting, Hand, float, float], tuple[Meeting, float | None]]


def at_once(state: Meeting, hand: Hand, value: float, near: float) -> tuple[Meeting, float | None]:
    """Take the value to the hand at once: it may jump."""
    return MET, hand.now


def wait(state: Meeting, hand: Hand, value: float, near: float) -> tuple[Meeting, float | None]:
    """Send nothing until the hand comes within ``near`` of the value or goes across it.

    The value then never moves further than the hand did, or than ``near``.
    """
    if state.met or _touches(hand, value, near):
        return MET, hand.now
    return APART, None


def stretch(state: Meeting, hand: Hand, value: float, near: float) -> tuple[Meeting, float | None]:
    """Scale every move so that value and hand reach the end they move to at the same time.

    With the hand at h and the value at v, a move up by d moves the value by d (1 - v) / (1 - h), a
    move down by d v / h. The value moves the way the hand moves, never jumps, and both ends are
    reached; from then on the two go together.
    """
    if state.met:
        return MET, hand.now
    at = value if state.value is None else state.value
    if abs(hand.now - at) <= near / 2:
        return MET, hand.now
    before = hand.before
    if before is None or before == hand.now:  # no move known yet: only take note of the place
        return Meeting(False, state.value), None
    if hand.now >= 1.0 or hand.now <= 0.0:
        return MET, hand.now
    if hand.now > before:
        at = 1.0 - (1.0 - at) * (1.0 - hand.now) / (1.0 - before)
    else:
        at = at * hand.now / before
    return Meeting(False, at), at


def _touches(hand: Hand, value: float, near: float) -> bool:
    """Return whether the hand's move from before to now came within ``near`` of the value."""
    low, high = hand.now, hand.now
    if hand.before is not None:
        low, high = min(low, hand.before), max(high, hand.before)
    return low - near <= value <= high + near


class Row(NamedTuple):
    """A way to meet, and in words."""

    name: str
    meet: Meet
    words: str


AT_ONCE = "at-once"
MEETINGS: dict[str, Row] = {
    row.name: row
    for row in (
        Row(AT_ONCE, at_once, "the value goes to the control at its first move, and may jump"),
        Row("wait", wait, "nothing is sent until the control comes to the value or crosses it"),
        Row("stretch", stretch, "the moves are scaled until control and value reach one end"),
    )
}
