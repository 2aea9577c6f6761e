"""Pass-throughs with faults that the table of pass-throughs does not have, written apart.

They work on whole messages as the splitter gives them, or on bytes; they keep no line speed.
"""

from __future__ import annotations

from collections.abc import Callable

from knobwright.core.wire import Dropped, Splitter
from tests.engine.virtual_way import ByBytes

BYTE_NS = 320_000


class ByWholeMessage:
    """Takes whole messages and lets what a function makes of them leave, in full."""

    def __init__(self, change: Callable[[bytes, int], list[tuple[bytes, int]]]) -> None:
        self._change = change
        self._splitter = Splitter()
        self._free_ns = 0

    def feed(self, data: bytes, at_ns: int) -> list[tuple[bytes, int]]:
        """Take bytes that are sent at a time and return what leaves, each piece with its time."""
        out: list[tuple[bytes, int]] = []
        self._free_ns = max(self._free_ns, at_ns)
        for byte in data:
            self._free_ns += BYTE_NS
            for record in self._splitter.feed(bytes((byte,)), self._free_ns):
                if not isinstance(record, Dropped):
                    out += self._change(record.data, self._free_ns)
        return out


def only(change: Callable[[bytes], bytes]) -> ByWholeMessage:
    """Return a way that changes messages and takes no time of its own."""
    return ByWholeMessage(lambda data, at_ns: [(left, at_ns)] if (left := change(data)) else [])


def upside_down() -> ByBytes:
    """Return a way with the polarity swapped: every bit is turned over."""
    return ByBytes(lambda byte: bytes((byte ^ 0xFF,)))


def without_active_sensing() -> ByWholeMessage:
    """Return a way that takes FE out."""
    return only(lambda data: b"" if data == b"\xfe" else data)


def without_clock() -> ByWholeMessage:
    """Return a way that takes F8 out and lets other real time pass."""
    return only(lambda data: b"" if data == b"\xf8" else data)


def rewriting_note_offs() -> ByWholeMessage:
    """Return a way that turns 8n into 9n with velocity 0."""
    return only(lambda d: bytes((d[0] | 0x10, d[1], 0)) if d[0] & 0xF0 == 0x80 else d)


def bit_6_stuck() -> ByWholeMessage:
    """Return a way on which bit 6 of a channel message's data bytes is always 0."""
    return only(lambda d: bytes((d[0], *(b & 0x3F for b in d[1:]))) if d[0] < 0xF0 else d)


def all_on_channel_1() -> ByWholeMessage:
    """Return a way that loses the channel: everything comes back on channel 1."""
    return only(lambda d: bytes((d[0] & 0xF0, *d[1:])) if d[0] < 0xF0 else d)


class WrongRunningStatus(ByBytes):
    """Data bytes without a status byte are taken for note-ons."""

    def __init__(self) -> None:
        super().__init__(self._through)
        self._inside = 0  # data bytes that still belong to the message under way
        self._exclusive = False

    def _through(self, byte: int) -> bytes:
        if byte >= 0xF8:
            return bytes((byte,))
        if byte > 0x7F:
            self._exclusive = byte == 0xF0
            kind = byte & 0xF0
            self._inside = 2 if kind in (0x80, 0x90, 0xA0, 0xB0, 0xE0) or byte == 0xF2 else 1
            if byte in (0xF0, 0xF6, 0xF7):
                self._inside = 0
            return bytes((byte,))
        if self._exclusive:
            return bytes((byte,))
        if self._inside:
            self._inside -= 1
            return bytes((byte,))
        self._inside = 1
        return bytes((0x90, byte))


class ForgetsInPauses:
    """Running status is forgotten after 0.3 s without a byte."""

    def __init__(self) -> None:
        self._splitter = Splitter()
        self._last_ns = 0

    def feed(self, data: bytes, at_ns: int) -> list[tuple[bytes, int]]:
        """Take bytes and return the messages, in full."""
        if at_ns - self._last_ns > 300_000_000 and data[0] < 0x80:
            self._splitter = Splitter()
        self._last_ns = at_ns
        out = []
        for index, byte in enumerate(data, 1):
            for record in self._splitter.feed(bytes((byte,)), at_ns):
                if not isinstance(record, Dropped):
                    out.append((record.data, at_ns + index * BYTE_NS))
        return out


class LeavesOutTooMuch:
    """Status bytes that repeat are left out, also after an exclusive or common message."""

    def __init__(self) -> None:
        self._last = 0
        self._inner = ByWholeMessage(self._shorten)

    def _shorten(self, data: bytes, at_ns: int) -> list[tuple[bytes, int]]:
        if data[0] >= 0xF0:
            return [(data, at_ns)]
        is_same, self._last = data[0] == self._last, data[0]
        return [(data[1:] if is_same else data, at_ns)]

    def feed(self, data: bytes, at_ns: int) -> list[tuple[bytes, int]]:
        """Take bytes and return what leaves."""
        return self._inner.feed(data, at_ns)


class LosesRealTimeInside(ByBytes):
    """Real-time bytes inside a message are lost."""

    def __init__(self) -> None:
        super().__init__(self._through)
        self._splitter = Splitter()

    def _through(self, byte: int) -> bytes:
        if byte >= 0xF8 and self._splitter.n_pending:
            return b""
        self._splitter.feed(bytes((byte,)))
        return bytes((byte,))


def exclusive_body_changed() -> ByWholeMessage:
    """Return a way that changes the last data byte of exclusives longer than 20 bytes."""
    return only(lambda d: d[:-2] + bytes((d[-2] ^ 1, 0xF7)) if d[0] == 0xF0 and len(d) > 20 else d)


class ChangesAtFullRate:
    """After 100 bytes without a rest every ninth data byte has its lowest bit turned over."""

    def __init__(self) -> None:
        self._last_ns = 0
        self._n_run = 0

    def feed(self, data: bytes, at_ns: int) -> list[tuple[bytes, int]]:
        """Take bytes and return what leaves."""
        if at_ns > self._last_ns + BYTE_NS:
            self._n_run = 0
        self._last_ns = max(self._last_ns, at_ns)
        out = []
        for byte in data:
            self._n_run += 1
            self._last_ns += BYTE_NS
            bent = byte < 0x80 and self._n_run > 100 and self._n_run % 9 == 0
            out.append((bytes((byte ^ bent,)), self._last_ns))
        return out


class LosesOneInRun:
    """Every eleventh byte that follows another without a rest is lost, exclusives excepted."""

    def __init__(self) -> None:
        self._last_ns = 0
        self._n_run = 0
        self._n_close = 0
        self._exclusive = False

    def feed(self, data: bytes, at_ns: int) -> list[tuple[bytes, int]]:
        """Take bytes and return what leaves."""
        if at_ns > self._last_ns + BYTE_NS:
            self._n_run = 0
        self._last_ns = max(self._last_ns, at_ns)
        out = []
        for byte in data:
            if 0x80 <= byte < 0xF7:
                self._exclusive = byte == 0xF0
            self._n_run += 1
            self._last_ns += BYTE_NS
            self._n_close += self._n_run > 4
            if self._exclusive or self._n_run <= 4 or self._n_close % 11:
                out.append((bytes((byte,)), self._last_ns))
        return out
