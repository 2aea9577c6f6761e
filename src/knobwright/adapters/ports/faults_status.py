"""What pass-throughs do wrong with running status and real time."""

from __future__ import annotations

from collections.abc import Iterable

from knobwright.adapters.ports.follow import (
    BODY,
    DATA,
    END,
    LOOSE,
    REAL_TIME,
    START,
    STATUS,
    Byte,
    Follower,
    Stage,
)
from knobwright.core.wire.status import (
    END_OF_EXCLUSIVE,
    FIRST_REAL_TIME,
    FIRST_SYSTEM,
    N_DATA,
    SYSTEM_RESET,
)


class RunningStatusIgnored(Stage):
    """Data bytes that come without a status byte of their own are thrown away."""

    def __init__(self) -> None:
        self._follower = Follower()

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        sort = self._follower.see(byte)
        if sort == LOOSE or (sort == DATA and self._follower.is_implied):
            return ()
        return ((at_ns, byte),)


class RunningStatusLost(Stage):
    """A real-time byte between messages makes it forget the running status.

    A message that the real-time byte comes into the middle of passes whole.
    """

    def __init__(self) -> None:
        self._follower = Follower()
        self._forgets = False

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        follower = self._follower
        if byte >= FIRST_REAL_TIME:
            self._forgets = True
        if self._forgets and not follower.is_inside:
            follower.forget()
        if byte < FIRST_REAL_TIME and not follower.is_inside:
            self._forgets = False
        if follower.see(byte) == LOOSE:
            return ()
        return ((at_ns, byte),)


class RunningStatusKept(Stage):
    """Running status is kept over an exclusive or common message, which should clear it.

    Data bytes that come then, and belong to nothing, leave with the old status byte in front.
    """

    def __init__(self) -> None:
        self._follower = Follower()
        self._kept = 0
        self._n_given = 0  # data bytes since the old status byte was put in

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        sort = self._follower.see(byte)
        if sort == STATUS and byte < FIRST_SYSTEM:
            self._kept = byte
        if sort == REAL_TIME:
            return ((at_ns, byte),)
        if sort != LOOSE or not self._kept:
            self._n_given = 0
            return ((at_ns, byte),)
        first = self._n_given % N_DATA[self._kept] == 0
        self._n_given += 1
        return ((at_ns, self._kept), (at_ns, byte)) if first else ((at_ns, byte),)


class RealTimeDropped(Stage):
    """No real-time byte passes."""

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        return () if byte >= FIRST_REAL_TIME else ((at_ns, byte),)


class RealTimeMoved(Stage):
    """A real-time byte that comes inside a message leaves after it."""

    def __init__(self) -> None:
        self._follower = Follower()
        self._held = bytearray()

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        sort = self._follower.see(byte)
        if sort == REAL_TIME and self._follower.is_inside:
            self._held.append(byte)
            return ()
        if self._follower.is_inside or not self._held:
            return ((at_ns, byte),)
        held, self._held = self._held, bytearray()
        return [(at_ns, value) for value in (byte, *held)]


class RealTimeEndsExclusive(Stage):
    """A real-time byte inside an exclusive ends it; what is left of it is thrown away.

    Parameters
    ----------
    ended : int
        1: an F7 is put in where it ends; 0: it just breaks off.
    """

    def __init__(self, ended: int) -> None:
        self._follower = Follower()
        self._ended = bool(ended)
        self._drops = False

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        inside = self._follower.in_exclusive
        sort = self._follower.see(byte)
        if sort == REAL_TIME:
            first = inside and not self._drops
            self._drops = self._drops or inside
            if first and self._ended:
                return ((at_ns, END_OF_EXCLUSIVE), (at_ns, byte))
            return ((at_ns, byte),)
        if sort in (BODY, END) and self._drops:
            self._drops = sort == BODY
            return ()
        self._drops = False
        return ((at_ns, byte),)


class RealTimeBreaksMessage(Stage):
    """A real-time byte inside a channel or common message makes it lose the rest of it."""

    def __init__(self) -> None:
        self._follower = Follower()
        self._drops = False

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        follower = self._follower
        inside = follower.is_inside and not follower.in_exclusive
        sort = follower.see(byte)
        if sort == REAL_TIME:
            self._drops = self._drops or inside
            return ((at_ns, byte),)
        if sort == DATA and self._drops:
            self._drops = not follower.is_last
            return ()
        self._drops = False
        return ((at_ns, byte),)


class RunningStatusUsed(Stage):
    """No fault: it leaves out status bytes that repeat, as every sender may (page A-2)."""

    def __init__(self) -> None:
        self._follower = Follower()
        self._sent = 0

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        before_inside = self._follower.is_inside
        sort = self._follower.see(byte)
        if sort == STATUS and byte < FIRST_SYSTEM:
            # A message that was broken off needs its successor's status byte.
            if byte == self._sent and not before_inside:
                return ()
            self._sent = byte
        elif sort in (STATUS, START) or byte == SYSTEM_RESET:
            self._sent = 0
        return ((at_ns, byte),)


class StatusWritten(Stage):
    """No fault: it puts in every status byte that the sender has left out."""

    def __init__(self) -> None:
        self._follower = Follower()

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        follower = self._follower
        was_inside = follower.is_inside
        sort = follower.see(byte)
        if sort == DATA and follower.is_implied and not was_inside:
            return ((at_ns, follower.status), (at_ns, byte))
        return ((at_ns, byte),)
