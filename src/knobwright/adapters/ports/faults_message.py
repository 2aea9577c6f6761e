"""What pass-throughs do wrong with whole messages: lose, change, repeat, exchange them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from knobwright.adapters.ports.follow import END, START, ByMessage, Byte, Stage, Whole
from knobwright.core.wire.status import FIRST_SYSTEM


def _kind(message: Whole) -> int:
    """Return the status of a channel message without its channel, 0 for any other message."""
    return message.status & 0xF0 if message.status < FIRST_SYSTEM else 0


class NoteOffDropped(ByMessage):
    """Notes off (8n) do not pass."""

    def whole(self, message: Whole) -> Sequence[Whole]:
        """Return what leaves in place of a message of fixed length."""
        return () if _kind(message) == 0x80 else (message,)


class NoteOnZeroDropped(ByMessage):
    """Notes on with velocity 0, which end a note (page 10), do not pass."""

    def whole(self, message: Whole) -> Sequence[Whole]:
        """Return what leaves in place of a message of fixed length."""
        return () if _kind(message) == 0x90 and message.data[1] == 0 else (message,)


class ChannelDropped(ByMessage):
    """Messages of one channel do not pass.

    Parameters
    ----------
    channel : int, 1 to 16
    """

    def __init__(self, channel: int) -> None:
        super().__init__()
        self._channel = channel - 1

    def whole(self, message: Whole) -> Sequence[Whole]:
        """Return what leaves in place of a message of fixed length."""
        return () if _kind(message) and message.status & 0x0F == self._channel else (message,)


class ChannelMoved(ByMessage):
    """Messages of one channel leave on another.

    Parameters
    ----------
    channel, to_channel : int, 1 to 16
    """

    def __init__(self, channel: int, to_channel: int) -> None:
        super().__init__()
        self._channel = channel - 1
        self._to = to_channel - 1

    def whole(self, message: Whole) -> Sequence[Whole]:
        """Return what leaves in place of a message of fixed length."""
        kind = _kind(message)
        if kind and message.status & 0x0F == self._channel:
            return (Whole(kind | self._to, message.data),)
        return (message,)


class ValuesCapped(ByMessage):
    """The last data byte of a channel message is never higher than a limit.

    Parameters
    ----------
    highest : int, 0 to 126
    """

    def __init__(self, highest: int) -> None:
        super().__init__()
        self._highest = highest

    def whole(self, message: Whole) -> Sequence[Whole]:
        """Return what leaves in place of a message of fixed length."""
        if not _kind(message):
            return (message,)
        *first, last = message.data
        return (Whole(message.status, bytes((*first, min(last, self._highest)))),)


class CommonDropped(ByMessage):
    """System common messages (F1, F2, F3, F6) do not pass."""

    def whole(self, message: Whole) -> Sequence[Whole]:
        """Return what leaves in place of a message of fixed length."""
        return (message,) if _kind(message) else ()


class Echo(ByMessage):
    """Everything leaves more than once, as when what comes back is sent again.

    Parameters
    ----------
    n_times : int, 2 to 8
        How often each message leaves.
    """

    def __init__(self, n_times: int) -> None:
        super().__init__()
        self._n_times = n_times
        self._exclusive = bytearray()

    def whole(self, message: Whole) -> Sequence[Whole]:
        """Return what leaves in place of a message of fixed length."""
        return (message,) * self._n_times

    def real_time(self, byte: int) -> bytes:
        """Return what leaves in place of a real-time byte."""
        return bytes((byte,)) * self._n_times

    def exclusive(self, byte: int, sort: str) -> bytes:
        """Take an exclusive in, and let it leave when it is whole."""
        if sort == START:
            self._exclusive.clear()
        self._exclusive.append(byte)
        return bytes(self._exclusive) * self._n_times if sort == END else b""


class Stuck(ByMessage):
    """Now and then the last channel message leaves again and again.

    Parameters
    ----------
    one_in : int
        After how many channel messages.
    n_times : int
        How often it leaves again.
    """

    def __init__(self, one_in: int, n_times: int) -> None:
        super().__init__()
        self._one_in = one_in
        self._n_times = n_times
        self._n_seen = 0

    def whole(self, message: Whole) -> Sequence[Whole]:
        """Return what leaves in place of a message of fixed length."""
        if not _kind(message):
            return (message,)
        self._n_seen += 1
        return (message,) * (1 + self._n_times * (self._n_seen % self._one_in == 0))


class Exchanged(ByMessage):
    """Now and then a channel message leaves after the one behind it.

    Parameters
    ----------
    one_in : int
        Every how many channel messages one is held back until the next has left.
    """

    def __init__(self, one_in: int) -> None:
        super().__init__()
        self._one_in = one_in
        self._n_seen = 0
        self._late: Whole | None = None

    def whole(self, message: Whole) -> Sequence[Whole]:
        """Return what leaves in place of a message of fixed length."""
        if self._late is not None:
            late, self._late = self._late, None
            return (message, late)
        if _kind(message):
            self._n_seen += 1
            if self._n_seen % self._one_in == 0:
                self._late = message
                return ()
        return (message,)


class Nothing(Stage):
    """Nothing passes: the cable is not plugged in."""

    def __call__(self, at_ns: int, byte: int) -> Iterable[Byte]:
        """Take one byte and let nothing leave."""
        return ()
