"""Who a pacer tells what, and what it counts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from knobwright.core.timing.items import Item

Sent = Callable[[Sequence[Item], int], None]
Tap = Callable[[int, bytes], None]


class Hooks(NamedTuple):
    """Who is told what; all are called by whichever thread hands over, and must be quick.

    ``on_sent`` takes the items that were handed over and when, ``tap`` the bytes and when,
    ``on_lost`` words when sending failed, ``on_trouble`` a sentence for the user.
    """

    on_sent: Sent | None = None
    tap: Tap | None = None
    on_lost: Callable[[str], None] | None = None
    on_trouble: Callable[[str], None] | None = None


class PacerCounts(NamedTuple):
    """What the pacer counted beside what ``core/timing`` counts."""

    n_stalls: int
    n_limits: int
    n_let_go: int
    n_spilled: int
    worst_wake_ns: int
