"""What pass-throughs do wrong when bytes follow each other closely, or by chance; and delay."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from random import Random

from knobwright.adapters.ports.follow import (
    DATA,
    REAL_TIME,
    STATUS,
    Byte,
    Follower,
    Stage,
)


class Rate:
    """Counts the bytes that have followed each other without a rest.

    Parameters
    ----------
    rest_ns : int, nanoseconds
        The least pause between the end of a byte and the beginning of the next that is a rest.
    byte_ns : int, nanoseconds
        The time of a byte on the line.
    """

    __slots__ = ("_last_ns", "_step_ns", "n_run")

    def __init__(self, rest_ns: int, byte_ns: int) -> None:
        self._step_ns = rest_ns + byte_ns
        self._last_ns = -1
        self.n_run = 0

    def see(self, at_ns: int) -> int:
        """Take the time of a byte and return how many have come since the last rest, it counted."""
        rested = self._last_ns < 0 or at_ns - self._last_ns >= max(self._step_ns, 1)
        self._last_ns = at_ns
        self.n_run = 1 if rested else self.n_run + 1
        return self.n_run


class LostAfterRun(Stage):
    """Once more than so many bytes have come without a rest, all are lost until there is one.

    Parameters
    ----------
    n_bytes : int
        How many pass.
    rest_us : int, microseconds
        The least pause that is a rest.
    byte_ns : int, nanoseconds
        The time of a byte on the line.
    """

    def __init__(self, n_bytes: int, rest_us: int, byte_ns: int) -> None:
        self._rate = Rate(rest_us * 1_000, byte_ns)
        self._n_bytes = n_bytes

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        return ((at_ns, byte),) if self._rate.see(at_ns) <= self._n_bytes else ()


class Overrun(Stage):
    """Bytes are read out of a buffer too slowly; what finds it full is lost.

    Parameters
    ----------
    n_bytes : int
        Size of the buffer.
    percent : int
        How fast it is read, in percent of the line's speed; below 100 it fills up.
    byte_ns : int, nanoseconds
        The time of a byte on the line; without one (0) a byte is read in no time.
    """

    def __init__(self, n_bytes: int, percent: int, byte_ns: int) -> None:
        self._n_bytes = n_bytes
        self._read_ns = byte_ns * 100 // percent
        self._ready_ns: deque[int] = deque()  # when each byte in the buffer will have been read

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        ready = self._ready_ns
        while ready and ready[0] <= at_ns:
            ready.popleft()
        if len(ready) >= self._n_bytes:
            return ()
        done_ns = max(at_ns, ready[-1] if ready else 0) + self._read_ns
        ready.append(done_ns)
        return ((done_ns, byte),)


class Swapped(Stage):
    """At full rate the data bytes of a message change their places now and then.

    Parameters
    ----------
    n_run : int
        How many bytes must have come without a rest.
    one_in : int
        One of how many messages, on average.
    byte_ns : int, nanoseconds
        The time of a byte on the line.
    chance : Random
    """

    def __init__(self, n_run: int, one_in: int, byte_ns: int, chance: Random) -> None:
        self._rate = Rate(byte_ns // 4, byte_ns)
        self._follower = Follower()
        self._n_run = n_run
        self._one_in = one_in
        self._chance = chance
        self._held: int | None = None  # the first data byte of a message that is to be swapped

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        n_run = self._rate.see(at_ns)
        sort = self._follower.see(byte)
        if sort == REAL_TIME:
            return ((at_ns, byte),)
        if self._held is not None:
            held, self._held = self._held, None
            # Two equal bytes that change places have not changed.
            pair = (byte, held) if sort == DATA else (held, byte)
            return [(at_ns, value) for value in pair]
        fits = sort == DATA and not self._follower.is_last and n_run > self._n_run
        if fits and self._chance.randrange(self._one_in) == 0:
            self._held = byte
            return ()
        return ((at_ns, byte),)


class Lost(Stage):
    """Single bytes are lost by chance, as at a loose contact.

    Parameters
    ----------
    one_in : int
        One of how many, on average.
    chance : Random
    """

    def __init__(self, one_in: int, chance: Random) -> None:
        self._one_in = one_in
        self._chance = chance

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        return () if self._chance.randrange(self._one_in) == 0 else ((at_ns, byte),)


class Changed(Stage):
    """One bit of a data byte is turned over by chance; data stay data.

    Parameters
    ----------
    one_in : int
        One of how many data bytes, on average.
    chance : Random
    """

    def __init__(self, one_in: int, chance: Random) -> None:
        self._one_in = one_in
        self._chance = chance

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        if byte <= 0x7F and self._chance.randrange(self._one_in) == 0:
            byte ^= 1 << self._chance.randrange(7)
        return ((at_ns, byte),)


class Late(Stage):
    """No fault: everything takes a time, and each message some more by chance.

    The order is kept: nothing leaves before what came earlier.

    Parameters
    ----------
    latency_us, jitter_us : int, microseconds
        Time for all, and the most that is added to a message (evenly spread from 0).
    chance : Random
    """

    def __init__(self, latency_us: int, jitter_us: int, chance: Random) -> None:
        self._follower = Follower()
        self._latency_ns = latency_us * 1_000
        self._jitter_ns = jitter_us * 1_000
        self._chance = chance
        self._more_ns = 0
        self._last_ns = 0

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        was_inside = self._follower.is_inside
        sort = self._follower.see(byte)
        if not was_inside or sort in (REAL_TIME, STATUS):
            self._more_ns = self._chance.randint(0, self._jitter_ns)
        self._last_ns = max(self._last_ns, at_ns + self._latency_ns + self._more_ns)
        return ((self._last_ns, byte),)
