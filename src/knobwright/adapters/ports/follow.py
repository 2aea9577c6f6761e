"""Follows a stream byte by byte, and says of each byte what it is.

The splitter of the core gives whole messages; a pass-through that goes wrong does so in the middle
of one. Rules: MIDI 1.0 Detailed Specification 4.2.1, pages 5, 6, 29, 33 and A-2.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import NamedTuple

from knobwright.core.wire.status import (
    END_OF_EXCLUSIVE,
    FIRST_REAL_TIME,
    FIRST_SYSTEM,
    N_DATA,
    START_OF_EXCLUSIVE,
    SYSTEM_RESET,
)

#: A byte on a line: when its last bit arrived, in nanoseconds, and its value 0 to 255.
Byte = tuple[int, int]

REAL_TIME = "real time"  # F8 to FF, wherever it stands
START = "start"  # F0
BODY = "body"  # data of an exclusive
END = "end"  # the F7 that ends an exclusive
STATUS = "status"  # of a message of fixed length
DATA = "data"  # of a message of fixed length
LOOSE = "loose"  # data that belong to no message
#: What a byte can be.
SORTS = (REAL_TIME, START, BODY, END, STATUS, DATA, LOOSE)


class Follower:
    """Says what each byte of a stream is.

    Attributes
    ----------
    status : int
        Status byte of the message that the last byte seen belongs to, 0 where it belongs to none;
        a real-time byte leaves it alone.
    is_last : bool
        The last byte seen completes a message (for a real-time byte: always).
    is_implied : bool
        The message under way began without a status byte of its own.
    n_exclusive : int
        Bytes of the exclusive under way so far, F0 counted.
    """

    __slots__ = ("_n_left", "in_exclusive", "is_implied", "is_last", "n_exclusive", "status")

    def __init__(self) -> None:
        self.is_last = False
        self.forget()

    def forget(self) -> None:
        """Take the state at power-up."""
        self.status = 0
        self.in_exclusive = False
        self.is_implied = False
        self.n_exclusive = 0
        self._n_left = 0  # data bytes that the message under way still wants

    @property
    def is_inside(self) -> bool:
        """Return whether a message is under way, an exclusive included."""
        return self.in_exclusive or self._n_left > 0

    def see(self, byte: int) -> str:
        """Return what this byte is, one of ``SORTS``."""
        if byte >= FIRST_REAL_TIME:
            if byte == SYSTEM_RESET:
                self.forget()
            self.is_last = True
            return REAL_TIME
        if byte > 0x7F:
            return self._status(byte)
        if self.in_exclusive:
            self.n_exclusive += 1
            self.is_last = False
            return BODY
        return self._data()

    def _status(self, byte: int) -> str:
        was_exclusive, self.in_exclusive = self.in_exclusive, False
        self.is_implied = False
        self.status = byte
        self._n_left = max(N_DATA[byte], 0)
        self.is_last = self._n_left == 0
        if byte == START_OF_EXCLUSIVE:
            self.in_exclusive = True
            self.n_exclusive = 1
            self.is_last = False
            return START
        if byte == END_OF_EXCLUSIVE and was_exclusive:
            self.n_exclusive += 1
            return END
        return STATUS

    def _data(self) -> str:
        if self._n_left == 0:
            # Running status: of channel messages only; system messages clear it (page A-2).
            if not 0x80 <= self.status < FIRST_SYSTEM:
                self.status = 0
                self.is_last = False
                return LOOSE
            self.is_implied = True
            self._n_left = N_DATA[self.status]
        self._n_left -= 1
        self.is_last = self._n_left == 0
        return DATA


class Stage:
    """One thing that a pass-through does to the bytes on their way.

    A stage is called with each byte in the order of arrival and gives the bytes that leave it,
    each with the time at which it is ready, never earlier than the one before.
    """

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        raise NotImplementedError


class Whole(NamedTuple):
    """A message of fixed length: status byte and data."""

    status: int
    data: bytes


class ByMessage(Stage):
    """A stage that takes a message in before it passes it on, and may change it.

    Real-time bytes pass at once, bytes of exclusives as they come. A status byte that the sender
    left out stays left out, save where the stage itself has made it necessary: so a stage has
    the effect that it is named for and no other.
    """

    def __init__(self) -> None:
        self.follower = Follower()
        self._held: list[int] = []
        self._sent_status = 0  # what a receiver behind this stage has as running status

    def whole(self, message: Whole) -> Sequence[Whole]:
        """Return what leaves in place of a message of fixed length."""
        return (message,)

    def real_time(self, byte: int) -> bytes:
        """Return what leaves in place of a real-time byte."""
        return bytes((byte,))

    def exclusive(self, byte: int, sort: str) -> bytes:
        """Return what leaves in place of a byte of an exclusive."""
        return bytes((byte,))

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and return what leaves."""
        follower = self.follower
        sort = follower.see(byte)
        out = b""
        if sort == REAL_TIME:
            if byte == SYSTEM_RESET:  # what is under way ends here (page 33)
                out, self._held, self._sent_status = bytes(self._held), [], 0
            return [(at_ns, value) for value in out + self.real_time(byte)]
        if sort == DATA:
            self._held.append(byte)
        else:
            out, self._held = bytes(self._held), []  # what was broken off passes as it is
            if sort == STATUS:
                self._held = [byte]
            elif sort == LOOSE:
                out += bytes((byte,))
            else:
                self._sent_status = 0
                out += self.exclusive(byte, sort)
        if sort in (DATA, STATUS) and follower.is_last:
            out += self._written()
        return [(at_ns, value) for value in out]

    def _written(self) -> bytes:
        """Return what leaves for the message that is complete now."""
        held, self._held = self._held, []
        implied = self.follower.is_implied
        data = bytes(held if implied else held[1:])
        out = bytearray()
        for status, body in self.whole(Whole(self.follower.status, data)):
            if not implied or status != self._sent_status:
                out.append(status)
            out += body
            self._sent_status = status if status < FIRST_SYSTEM else 0
        return bytes(out)
