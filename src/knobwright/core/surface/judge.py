"""Tell from the numbers that a control sent whether it stands, steps or is pressed.

That a knob sends only what changed, that an encoder repeats small steps, and how big a step may be
is common practice of the trade; no standard says so. Where the numbers fit several readings, that
is said: nothing is guessed in silence.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import NamedTuple

from knobwright.core.surface.relative import RELATIVE

STANDS = "stands"
STEPS = "steps"
PRESSED = "pressed"
TRIGGER = "trigger"
UNCLEAR = "unclear"

SURE = "sure"
LIKELY = "likely"
ASKS = "asks"

#: Most steps that an encoder is believed to send in one message.
MAX_STEPS = 24
_MIN_MESSAGES = 4
_HALF_WAY = 64
_MANY = 12

TURN = "turn it slowly all the way up, then all the way down"


class Judged(NamedTuple):
    """What the numbers say.

    ``what`` is one of ``STANDS``, ``STEPS``, ``PRESSED``, ``TRIGGER``, ``UNCLEAR``; ``level`` one
    of ``SURE``, ``LIKELY``, ``ASKS``. ``codings`` are the rows of ``RELATIVE`` that fit, ``down``
    tells that the first steps were downwards, ``needs`` what to do so that more can be said.
    """

    what: str
    level: str
    codings: tuple[str, ...] = ()
    down: bool = False
    needs: tuple[str, ...] = ()


def judge(values: Sequence[int]) -> Judged:
    """Return what a control of seven bits is, from the numbers it sent in their order."""
    kinds = set(values)
    if len(kinds) == 1 and not _small(values):
        return Judged(TRIGGER, LIKELY)
    if len(kinds) == 2 and _alternates(values) and not _one_step(kinds):
        return Judged(PRESSED, LIKELY)
    repeats = sum(a == b for a, b in pairwise(values)) / max(len(values) - 1, 1)
    stands = _stands(kinds, repeats)
    both = tuple(name for name in RELATIVE if _fits(name, values) and _both_ways(name, values))
    one = tuple(name for name in RELATIVE if _fits(name, values))
    if len(values) < _MIN_MESSAGES:
        return Judged(UNCLEAR, ASKS, one, needs=(TURN,))
    if both and not stands:
        steady = repeats >= 0.3 or len(kinds) <= 2 < len(values) // 2
        down = RELATIVE[both[0]].steps[values[0]] < 0
        if len(both) == 1 and steady and not _alternates(values):
            return Judged(STEPS, SURE, both, down)
        return Judged(STEPS, ASKS, both, down, (TURN,))
    if one and not stands:
        return Judged(UNCLEAR, ASKS, one, needs=("turn it the other way too",))
    if stands and one:
        return Judged(UNCLEAR, ASKS, one, needs=(TURN,))
    return _standing(kinds, repeats)


def _standing(kinds: set[int], repeats: float) -> Judged:
    low, high = min(kinds), max(kinds)
    many = len(kinds) >= _HALF_WAY or (repeats < 0.5 and len(kinds) >= _MANY)
    if (low, high) == (0, 127) and many:
        return Judged(STANDS, SURE)
    if repeats >= 0.5:  # a knob sends only what changed
        return Judged(UNCLEAR, ASKS, needs=(TURN,))
    if len(kinds) >= _MANY and high - low >= _HALF_WAY:
        return Judged(STANDS, LIKELY, needs=("turn it fully both ways",))
    return Judged(UNCLEAR, ASKS, needs=(TURN,))


def _stands(kinds: set[int], repeats: float) -> bool:
    """Return whether this can be the way of a control that stands somewhere."""
    return len(kinds) >= 3 and repeats < 0.3


def _fits(name: str, values: Sequence[int]) -> bool:
    """Return whether every number is a small step in a coding, and none is no step at all."""
    steps = RELATIVE[name].steps
    return all(0 < abs(steps[value]) <= MAX_STEPS for value in values)


def _both_ways(name: str, values: Sequence[int]) -> bool:
    steps = RELATIVE[name].steps
    return any(steps[v] > 0 for v in values) and any(steps[v] < 0 for v in values)


def _small(values: Sequence[int]) -> bool:
    """Return whether the numbers could be steps of an encoder in one direction."""
    return any(_fits(name, values) for name in RELATIVE) and values[0] != 127


def _one_step(kinds: set[int]) -> bool:
    """Return whether two numbers are one step up and one step down in some coding."""
    return any(kinds == {row.to_byte(1), row.to_byte(-1)} for row in RELATIVE.values())


def _alternates(values: Sequence[int]) -> bool:
    return all(a != b for a, b in pairwise(values)) and len(set(values)) == 2
