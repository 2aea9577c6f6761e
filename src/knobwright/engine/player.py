"""Plays a song: each message at its time, from any place, and silence at the end.

Every deadline is worked out anew from the place where playing (re)started and the exact time of the
message: nothing is added up, so nothing drifts. What is late is sent at once; only where the
whole machine stood still for long does the song go on from where it was.
"""

from __future__ import annotations

import threading
from bisect import bisect_left
from collections.abc import Callable, Sequence
from fractions import Fraction
from typing import NamedTuple, Protocol

from knobwright.core.errors import InputError
from knobwright.core.interfaces import Clock
from knobwright.core.timing.chase import Chase
from knobwright.core.timing.items import NOTE, Item
from knobwright.core.timing.merge import Merge, PlaceOf
from knobwright.core.timing.release import release
from knobwright.engine.held import PEDALS, Held
from knobwright.engine.song_plan import Plan

#: A message may be so late before the song is shifted instead of hurried, in nanoseconds.
STALL_NS = 1_000_000_000
#: Slowest and fastest speed.
SPEEDS = (Fraction(1, 16), Fraction(16))
_MAX_WAIT_NS = 600_000_000_000


class Alarm(Protocol):
    """Waits, and can be woken."""

    def until(self, deadline_ns: int) -> None:
        """Return when the clock shows ``deadline_ns``, or sooner when it rings."""
        ...

    def ring(self) -> None:
        """Wake who waits, or whoever waits next; from any thread."""
        ...


class ClockAlarm:
    """An alarm on the machine's monotonic clock."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._rung = threading.Event()

    def until(self, deadline_ns: int) -> None:
        """Return at ``deadline_ns`` or sooner."""
        left_ns = min(deadline_ns - self._clock(), _MAX_WAIT_NS)
        if left_ns > 0:
            self._rung.wait(left_ns / 1e9)
        self._rung.clear()

    def ring(self) -> None:
        """Wake who waits."""
        self._rung.set()


class Played(NamedTuple):
    """How it went.

    ``is_whole`` tells whether the end was reached; ``at_ns`` is the place in the song, in
    nanoseconds. ``n_messages`` counts what was sent without what was chased (``n_chased``).
    ``n_hanging`` notes were still held at the end and were let go. ``worst_late_ns`` is the
    longest that a message was handed over after its time, ``n_stalls`` how often the song was
    shifted. ``n_unplaced`` counts data entries that belong to no selection: they are not sent.
    """

    is_whole: bool
    at_ns: int
    n_messages: int
    n_chased: int
    n_hanging: int
    worst_late_ns: int
    n_stalls: int
    n_unplaced: int


class Player:
    """Plays one plan.

    Parameters
    ----------
    plan : Plan
        What to play.
    push : callable
        Takes items in order; it must not block for long.
    clock : Clock
        The monotonic clock, in nanoseconds.
    alarm : Alarm
        Waits for deadlines of that clock.
    byte_ns : int, nanoseconds
        Time of a byte on the line (0: no limit): what is chased is given time to go out.
    place_of : PlaceOf, optional
        Tells which parameter bytes set: see :class:`knobwright.core.timing.merge.Merge`.
    source : str
        Written into the items.

    Notes
    -----
    :meth:`play` runs in the caller's thread; the other methods may be called from any thread.
    """

    def __init__(
        self,
        plan: Plan,
        push: Callable[[Sequence[Item]], None],
        *,
        clock: Clock,
        alarm: Alarm,
        byte_ns: int = 0,
        place_of: PlaceOf | None = None,
        source: str = "song",
    ) -> None:
        self._plan = plan
        self._push = push
        self._clock = clock
        self._alarm = alarm
        self._byte_ns = byte_ns
        self._merge = Merge(source, place_of)
        self._source = source
        self._held = Held()
        self._down: dict[tuple[int, int], Item] = {}  # pedals that the song holds
        self._lock = threading.Lock()
        self._speed = Fraction(1)
        self._from_ns = 0  # place in the song ...
        self._from_clock_ns = 0  # ... at this time of the clock
        self._wants_stop = self._wants_pause = False
        self._is_paused = False
        self._n_messages = self._n_stalls = self._worst_late_ns = 0

    # -- from any thread -------------------------------------------------------------------------

    def stop(self) -> None:
        """End playing: silence, and :meth:`play` returns."""
        self._wants_stop = True
        self._alarm.ring()

    def pause(self) -> None:
        """Let go of everything and wait, until :meth:`go_on`."""
        self._wants_pause = True
        self._alarm.ring()

    def go_on(self) -> None:
        """Go on after :meth:`pause` from the same place, with pedals down as they were."""
        self._wants_pause = False
        self._alarm.ring()

    def set_speed(self, speed: Fraction | float) -> None:
        """Play so many times as fast from now on; 1 is as written.

        Raises
        ------
        InputError
            It is not from 1/16 to 16.
        """
        low, high = SPEEDS
        exact = Fraction(speed).limit_denominator(10_000) if low <= speed <= high else Fraction(0)
        if not exact:
            raise InputError(f"a speed is {low} to {high} times, not {speed}")
        with self._lock:
            self._anchor(self._clock())
            self._speed = exact
        self._alarm.ring()

    @property
    def at_ns(self) -> int:
        """Return the place in the song now, in nanoseconds."""
        with self._lock:
            return self._place(self._clock())

    # -- playing ---------------------------------------------------------------------------------

    def play(self, *, start_ns: int = 0, end_ns: int | None = None) -> Played:
        """Play from ``start_ns`` to before ``end_ns`` (the song's end), and leave silence.

        Notes that are held at the end are let go, pedals lifted, also when something fails.

        Raises
        ------
        InputError
            The start lies outside the song, or the end not behind the start.
        """
        length_ns = self._plan.length_ns
        stop_ns = length_ns if end_ns is None else min(end_ns, length_ns)
        if not 0 <= start_ns <= length_ns:
            raise InputError(
                f"the song lasts {length_ns / 1e9:.3f} s, and {start_ns / 1e9:.3f} s is not in it"
            )
        if end_ns is not None and end_ns <= start_ns:
            raise InputError(
                f"playing ends behind where it starts: found {start_ns / 1e9:.3f} s "
                f"to {end_ns / 1e9:.3f} s"
            )
        first = bisect_left(self._plan.times_ns, start_ns)
        chased = self._chase(first)
        last = len(self._plan.times_ns)
        if stop_ns < length_ns:
            last = bisect_left(self._plan.times_ns, stop_ns)
        n_hanging = 0
        try:
            with self._lock:
                self._from_ns = start_ns
                self._from_clock_ns = self._clock() + self._lead_ns(chased)
            if chased:
                self._send(chased)
            is_whole = self._run(first, last) and self._wait_for(stop_ns)
        finally:
            n_hanging = self._let_go()
        at_ns = stop_ns if is_whole else max(start_ns, min(self.at_ns, stop_ns))
        return Played(
            is_whole, at_ns, self._n_messages, len(chased), n_hanging if is_whole else 0,
            self._worst_late_ns, self._n_stalls, self._merge.n_unplaced,
        )  # fmt: skip

    def _chase(self, first: int) -> list[Item]:
        """Return what stands for everything before the first message; the merge learns it."""
        chase = Chase()
        for message in self._plan.messages[:first]:
            chase.take(self._items(message))
        self._merge.n_unplaced = 0
        return chase.items()

    def _items(self, message: bytes) -> list[Item]:
        items = self._merge.feed(message)
        rest_ns = self._plan.rests_ns.get(message, 0)
        return [item._replace(rest_ns=rest_ns) for item in items] if rest_ns else items

    def _lead_ns(self, chased: Sequence[Item]) -> int:
        """Return how long the line needs for what is chased."""
        n_bytes = sum(len(message) for item in chased for message in item.messages)
        return n_bytes * self._byte_ns + sum(item.rest_ns for item in chased)

    def _run(self, first: int, last: int) -> bool:
        """Send the messages from first to before last; return whether none was left."""
        times, messages = self._plan.times_ns, self._plan.messages
        index = first
        while index < last:
            if not self._wait_for(times[index]):
                return False
            with self._lock:
                now_ns = self._clock()
                late_ns = now_ns - self._deadline(times[index])
                if late_ns > STALL_NS:  # the machine stood: go on from here instead of hurrying
                    self._from_clock_ns += late_ns
                    self._n_stalls += 1
                    late_ns = 0
                place_ns = self._place(now_ns)
            self._worst_late_ns = max(self._worst_late_ns, late_ns)
            items: list[Item] = []
            while index < last and times[index] <= place_ns:
                items += self._items(messages[index])
                index += 1
                self._n_messages += 1
            self._send(items)
        return True

    def _wait_for(self, place_ns: int) -> bool:
        """Return True at the time of a place in the song, False when playing is to stop."""
        while not self._wants_stop:
            if self._wants_pause:
                self._rest()
                continue
            with self._lock:
                deadline_ns = self._deadline(place_ns)
            if self._clock() >= deadline_ns:
                return True
            self._alarm.until(deadline_ns)
        return False

    def _rest(self) -> None:
        """Be silent until playing goes on or stops."""
        with self._lock:
            self._anchor(self._clock())
            self._is_paused = True
        down = list(self._down.values())
        self._let_go()
        while self._wants_pause and not self._wants_stop:
            self._alarm.until(self._clock() + _MAX_WAIT_NS)
        with self._lock:
            self._is_paused = False
            self._from_clock_ns = self._clock()
        if down and not self._wants_stop:
            self._send(down)

    def _send(self, items: Sequence[Item]) -> None:
        for item in items:
            self._held.note(item)
            message = item.messages[0]
            if item.sort != NOTE and message[0] & 0xF0 == 0xB0 and message[1] in PEDALS:
                place = (message[0] & 0x0F, message[1])
                if message[2] >= 64:
                    self._down[place] = item
                else:
                    self._down.pop(place, None)
        if items:
            self._push(items)

    def _let_go(self) -> int:
        """Let go of the song's notes and pedals; return how many notes were held."""
        owed, pedals = self._held.take(self._source)
        owed = list(owed)
        self._down.clear()
        items = release(owed, pedals, source=self._source)
        if items:
            self._push(items)
        return sum(n for _, _, n in owed)

    # -- places and times; the lock is held ------------------------------------------------------

    def _deadline(self, place_ns: int) -> int:
        """Return when a place in the song is due, never too early."""
        ahead = (place_ns - self._from_ns) * self._speed.denominator
        return self._from_clock_ns - (-ahead // self._speed.numerator)

    def _place(self, now_ns: int) -> int:
        """Return the place in the song at a time of the clock."""
        if self._is_paused:
            return self._from_ns
        passed = (now_ns - self._from_clock_ns) * self._speed.numerator
        return self._from_ns + max(0, passed // self._speed.denominator)

    def _anchor(self, now_ns: int) -> None:
        """Make the place that is reached now the one that deadlines are reckoned from."""
        if not self._is_paused and now_ns > self._from_clock_ns:
            self._from_ns = self._place(now_ns)
            self._from_clock_ns = now_ns
