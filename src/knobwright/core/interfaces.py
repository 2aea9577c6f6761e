"""What the pure core asks of the world around it.

The core opens no file and reads no clock: whoever uses it hands these in.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple, Protocol

#: Resolves the name of an included sheet to its text; raises ``KnobwrightError`` when it can't.
Library = Callable[[str], str]


class Lookup(Protocol):
    """Answers what a parameter is set to now.

    Called with the parameter's key, the channel (1 to 16, or ``None``) and the key number
    (0 to 127, or ``None``); returns the raw value, or ``None`` where it is not known.
    """

    def __call__(self, key: str, channel: int | None, note: int | None) -> object | None:
        """Return the raw value or ``None``."""
        ...


# -- ports ---------------------------------------------------------------------------------------

#: Takes bytes that arrived: any piece of the stream where the port's kind carries one, else whole
#: messages; and when, in nanoseconds of the monotonic clock. May be called from any thread, from
#: one at a time; it must not block.
Receive = Callable[[bytes, int], None]
#: Takes a number that arrived for a name (an Open Sound Control path), and when.
ReceiveNumber = Callable[[str, float, int], None]
#: Reads the monotonic clock in nanoseconds: the same clock in every process of the machine.
Clock = Callable[[], int]

IN = "in"
OUT = "out"


class Limits(NamedTuple):
    """What a kind of port can and can't do.

    ``stream`` tells that it carries bytes in any pieces (so that running status, and a real-time
    byte inside an exclusive, pass as they are); without it every call carries one whole message.
    ``longest_exclusive`` is in bytes with F0 and F7; ``None`` is no limit of the kind's own.
    ``speed_baud`` is the speed that the kind itself keeps, 0 where it keeps none. ``words`` says
    for people what else it does not do.
    """

    stream: bool
    longest_exclusive: int | None
    speed_baud: int
    words: str


class Found(NamedTuple):
    """A port that is there now.

    ``name`` is the raw name, exactly as the system gives it. ``identity`` stays the same when the
    port is lost and comes back, also where the system gives it another number then.
    """

    kind: str
    name: str
    direction: str
    identity: str


class OutPort(Protocol):
    """An open port to send to. Threads may share it; calls of one port never run at once."""

    @property
    def name(self) -> str:
        """Return the raw name."""
        ...

    @property
    def limits(self) -> Limits:
        """Return what it can't do."""
        ...

    def send(self, data: bytes) -> None:
        """Hand over bytes: one whole message, or any piece where the kind carries a stream.

        Raises
        ------
        PortLostError
            The port is gone. How much of ``data`` went out is not known.
        PortLimitError
            The kind can't carry it; nothing was sent.
        """
        ...

    def is_there(self) -> bool:
        """Return whether the far end is still there, as far as the system can tell; quick."""
        ...

    def close(self) -> None:
        """Close it; a second time does nothing."""
        ...


class InPort(Protocol):
    """An open port that calls its :data:`Receive`; closing from within that call is allowed."""

    @property
    def name(self) -> str:
        """Return the raw name."""
        ...

    @property
    def limits(self) -> Limits:
        """Return what it can't do."""
        ...

    def is_there(self) -> bool:
        """Return whether the far end is still there, as far as the system can tell; quick."""
        ...

    def close(self) -> None:
        """Close it, after which nothing is called any more; a second time does nothing."""
        ...


class Responder(Protocol):
    """A far end that is simulated: the stand-in, seen from a port."""

    def receive(self, data: bytes, at_ns: int = 0) -> Sequence[bytes]:
        """Take bytes, cut anywhere, and return the messages that are answered."""
        ...


# -- what outlives the engine --------------------------------------------------------------------


class Ledger(Protocol):
    """Which notes sound on a link, kept where a crash of the engine leaves it readable.

    Channels are 0 to 15 and keys 0 to 127, as in the bytes. A note-on is entered *before* its bytes
    are handed over and a note-off taken out *after*, so that the ledger never knows too little.
    """

    def note_on(self, channel: int, key: int) -> None:
        """Enter a note: one note-off more is owed."""
        ...

    def note_off(self, channel: int, key: int) -> None:
        """Take a note out; nothing happens where none is owed."""
        ...

    def pedal(self, channel: int, controller: int, value: int) -> None:
        """Enter the state of a pedal: controller 64, 66 or 69, value 0 to 127."""
        ...

    def owed(self) -> Iterable[tuple[int, int, int]]:
        """Return ``(channel, key, how many note-offs)`` for all that sounds."""
        ...

    def pedals(self) -> Iterable[tuple[int, int]]:
        """Return ``(channel, controller)`` of each pedal that is down (value 64 or more)."""
        ...

    def clear(self) -> None:
        """Forget everything."""
        ...
