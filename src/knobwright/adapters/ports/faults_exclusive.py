"""What pass-throughs do wrong with exclusive messages."""

from __future__ import annotations

from collections.abc import Iterable

from knobwright.adapters.ports.follow import (
    BODY,
    END,
    REAL_TIME,
    START,
    Byte,
    Follower,
    Stage,
)
from knobwright.core.wire.status import END_OF_EXCLUSIVE, FIRST_REAL_TIME, START_OF_EXCLUSIVE


class ExclusiveDropped(Stage):
    """No byte of an exclusive passes."""

    def __init__(self) -> None:
        self._follower = Follower()

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        if self._follower.see(byte) in (START, BODY, END):
            return ()
        return ((at_ns, byte),)


class ExclusiveCut(Stage):
    """Only the first bytes of an exclusive pass; what is over is thrown away.

    Parameters
    ----------
    n_bytes : int
        How many pass, F0 counted.
    ended : int
        1: the F7 passes all the same; 0: it is thrown away with the rest.
    """

    def __init__(self, n_bytes: int, ended: int) -> None:
        self._follower = Follower()
        self._n_bytes = n_bytes
        self._ended = bool(ended)

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        sort = self._follower.see(byte)
        is_over = sort in (BODY, END) and self._follower.n_exclusive > self._n_bytes
        if is_over and not (sort == END and self._ended):
            return ()
        return ((at_ns, byte),)


class ExclusiveTooLong(Stage):
    """An exclusive is taken in whole first; one that is longer than the memory is thrown away.

    Parameters
    ----------
    n_bytes : int
        The longest that passes, F0 and F7 counted.
    """

    def __init__(self, n_bytes: int) -> None:
        self._follower = Follower()
        self._n_bytes = n_bytes
        self._held = bytearray()

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        sort = self._follower.see(byte)
        if sort == REAL_TIME:
            return ((at_ns, byte),)
        if sort == START:
            self._held.clear()
        if sort in (START, BODY):
            if len(self._held) <= self._n_bytes:
                self._held.append(byte)
            return ()
        held, self._held = self._held, bytearray()
        if held and sort == END:
            held.append(byte)
            return [(at_ns, value) for value in held] if len(held) <= self._n_bytes else ()
        # Any other status ends an exclusive too: what was held passes unended, as it came.
        out = held if len(held) <= self._n_bytes else bytearray()
        return [(at_ns, value) for value in (*out, byte)]


class ExclusiveSplit(Stage):
    """A long exclusive leaves in pieces, each with an F0 and an F7 of its own.

    Parameters
    ----------
    n_bytes : int
        The longest piece, F0 and F7 counted.
    """

    def __init__(self, n_bytes: int) -> None:
        self._follower = Follower()
        self._n_data = n_bytes - 2
        self._n_sent = 0

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        sort = self._follower.see(byte)
        if sort == START:
            self._n_sent = 0
        if sort != BODY:
            return ((at_ns, byte),)
        if self._n_sent < self._n_data:
            self._n_sent += 1
            return ((at_ns, byte),)
        self._n_sent = 1
        return ((at_ns, END_OF_EXCLUSIVE), (at_ns, START_OF_EXCLUSIVE), (at_ns, byte))


class DeafAfterExclusive(Stage):
    """What comes too soon after an exclusive is lost: the receiver is still busy with it.

    Parameters
    ----------
    rest_us : int, microseconds
        How long it hears nothing after an F7, real time included. A byte is lost when it *begins*
        to arrive within that time.
    byte_ns : int, nanoseconds
        The time of a byte on the line.
    """

    def __init__(self, rest_us: int, byte_ns: int) -> None:
        self._follower = Follower()
        self._rest_ns = rest_us * 1_000
        self._byte_ns = byte_ns
        self._until_ns = -1
        self._is_lost = False

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        if at_ns - self._byte_ns < self._until_ns:
            self._is_lost = self._is_lost or byte < FIRST_REAL_TIME
            return ()
        if self._is_lost and (byte <= 0x7F or byte == END_OF_EXCLUSIVE):
            return ()  # the rest of what began unheard
        if byte < FIRST_REAL_TIME:
            self._is_lost = False
        if self._follower.see(byte) == END:
            self._until_ns = at_ns + self._rest_ns
        return ((at_ns, byte),)
