"""What the test knows of the link so far: later stages use only what was seen to work."""

from __future__ import annotations

from typing import NamedTuple

from knobwright.core.link import records as words
from knobwright.core.link.content import (
    CHANNEL_KINDS,
    COMMON_KINDS,
    EXCLUSIVE,
    REAL_TIME_KINDS,
)
from knobwright.core.wire.status import FIRST_SYSTEM, START_OF_EXCLUSIVE

ALL_KINDS = (*CHANNEL_KINDS, *COMMON_KINDS, *REAL_TIME_KINDS, EXCLUSIVE)


class Change(NamedTuple):
    """How every data byte comes back: only the bits of ``keep``, those of ``set``, up to ``cap``.

    ``cap`` is for the last data byte of a channel message.
    """

    keep: int = 0x7F
    set: int = 0
    cap: int = 0x7F

    def of(self, message: bytes) -> bytes:
        """Return a channel message as it comes back."""
        *first, last = (byte & self.keep | self.set for byte in message[1:])
        return bytes((message[0], *first, min(last, self.cap)))


class Known:
    """What was learned, stage by stage.

    Attributes
    ----------
    kinds : set of str
        Kinds of messages that come back.
    channels : list of int
        Channels, 0 to 15, on which messages come back.
    moved : dict
        Channel that comes back on another: from, to.
    noise : set of bytes
        Real-time messages that arrive by themselves; they are not looked at.
    n_copies : int
        How often each message comes back.
    is_unreliable : bool
        Messages get lost or changed by chance even with rests: nothing finer can be told.
    longest_burst : int
        Bytes without a rest after which bytes get lost; 0 where no limit was found.
    """

    def __init__(self) -> None:
        self.kinds: set[str] = set(ALL_KINDS)
        self.channels: list[int] = list(range(16))
        self.moved: dict[int, int] = {}
        self.change = Change()
        self.noise: set[bytes] = set()
        self.n_copies = 1
        self.is_dead = False
        self.is_unreliable = False
        self.is_swapping = False
        self.running_status = words.UNKNOWN
        self.takes_real_time_inside = False
        self.real_time = words.UNKNOWN
        self.longest_burst = 0
        self.longest_exclusive = 0
        self.tried_exclusive = 0
        self.rest_ms = 0
        self.worst_us = 0
        self.past: set[object] = set()

    def expect(self, message: bytes) -> bytes:
        """Return a message as it comes back, by what is known."""
        if message[0] >= FIRST_SYSTEM:
            return message
        channel = message[0] & 0x0F
        if channel in self.moved:
            message = bytes((message[0] & 0xF0 | self.moved[channel], *message[1:]))
        return self.change.of(message)

    def alive(self, *kinds: str) -> list[str]:
        """Return those of the kinds that come back."""
        return [kind for kind in kinds if kind in self.kinds]

    def real_times(self) -> list[bytes]:
        """Return the real-time messages that come back, and do not arrive by themselves."""
        alive = self.alive(*REAL_TIME_KINDS)
        return [REAL_TIME_KINDS[kind] for kind in alive if REAL_TIME_KINDS[kind] not in self.noise]

    @property
    def takes_exclusive(self) -> bool:
        """Return whether exclusives come back."""
        return EXCLUSIVE in self.kinds


def is_exclusive(data: bytes) -> bool:
    """Return whether bytes begin as an exclusive does."""
    return data[:1] == bytes((START_OF_EXCLUSIVE,))
