"""The splitter: bytes in any pieces go in, whole messages and dropped bytes come out.

Rules: MIDI 1.0 Detailed Specification 4.2.1 (1996); the page stands at each rule in the code.

Every byte that goes in comes out in exactly one record, a :class:`Message` or a :class:`Dropped`,
in the order in which the records were settled. A status byte that running status left out is put
back into the message and counted in ``Splitter.n_restored``. Nothing is dropped without a reason
from ``REASONS``.

Whole messages with their status bytes, which are nearly all traffic, are cut by one compiled
pattern, or by hand where a piece is only a few bytes. The first byte that doesn't fit sends the
rest of the piece to the careful walk, which knows every rule.

To add a rule: a constant with its sentence in ``REASONS`` if bytes are dropped by it, a line in the
walk, and a row in the tests. If it makes bytes *valid*, the pattern ``_CUT`` may learn it too.
"""

from __future__ import annotations

import re
from itertools import repeat
from typing import NamedTuple

from knobwright.core.wire.status import (
    END_OF_EXCLUSIVE,
    FIRST_REAL_TIME,
    FIRST_SYSTEM,
    N_BYTES,
    N_DATA,
    START_OF_EXCLUSIVE,
    SYSTEM_RESET,
)

NO_STATUS = "data byte without a status byte before it"
BROKEN_OFF = "unfinished message, broken off by another status byte"
CUT_EXCLUSIVE = "exclusive ended without F7"
STRAY_END = "F7 without an exclusive message to end"
UNDEFINED_COMMON = "undefined system common byte"
UNDEFINED_REAL_TIME = "undefined real-time byte"
RESET_INSIDE = "unfinished message, given up at a system reset"
TOO_LONG = "exclusive longer than the limit"
TOO_LONG_REST = "rest of an exclusive longer than the limit"
ENDED = "unfinished message at the end of the stream"

#: Every reason for which bytes are dropped, with the rule behind it.
REASONS: dict[str, str] = {
    NO_STATUS: "Data bytes without a valid status or running status are ignored (pages 6, A-2).",
    BROKEN_OFF: "A new status, real time excepted, ends an unfinished message (page 5).",
    CUT_EXCLUSIVE: "Any status but real time ends an exclusive (page 5); none acts on a cut one.",
    STRAY_END: "F7 means something only at the end of an exclusive (page 29).",
    UNDEFINED_COMMON: "F4 and F5 are ignored and clear running status (page A-2).",
    UNDEFINED_REAL_TIME: "F9 and FD are ignored and leave running status as it is (page A-2).",
    RESET_INSIDE: "System reset means the state at power-up: nothing is under way (page 33).",
    TOO_LONG: "A limit of our own, so that no stream can fill the memory.",
    TOO_LONG_REST: "What follows in an exclusive that was already given up as too long.",
    ENDED: "A message counts only when all of its data bytes have come (page 6).",
}

#: Longest exclusive message delivered by default, in bytes from F0 to F7.
MAX_EXCLUSIVE_BYTES = 1 << 20
#: Smallest limit that lets an exclusive with one data byte through.
_MIN_LIMIT_BYTES = 3


class Message(tuple[bytes, int]):
    """A whole message; made from a pair: ``Message((data, at_ns))``.

    Attributes
    ----------
    data : bytes
        The message with its status byte, put back where running status left it out. Real-time
        bytes that came inside it are messages of their own.
    at_ns : int, nanoseconds
        Arrival time of the piece in which its *last* byte came: before that nobody may act on it.

    Notes
    -----
    A plain subclass of ``tuple`` because it is made for every message: a ``NamedTuple``, whose
    constructor takes the fields one by one, takes half as long again to make.
    """

    __slots__ = ()
    __match_args__ = ("data", "at_ns")

    @property
    def data(self) -> bytes:
        """The message with its status byte."""
        return self[0]

    @property
    def at_ns(self) -> int:
        """Arrival time in nanoseconds of the piece with its last byte."""
        return self[1]

    def __repr__(self) -> str:
        return f"Message(({self[0]!r}, {self[1]}))"


class Dropped(NamedTuple):
    """Bytes that belong to no message.

    Attributes
    ----------
    data : bytes
        The bytes as they came, in order; nothing is put back. One byte a record for data bytes
        without a status, so that the pieces the stream came in change nothing (see ``joined``).
    reason : str
        One of ``REASONS``.
    at_ns : int, nanoseconds
        Arrival time of the piece that settled it.
    """

    data: bytes
    reason: str
    at_ns: int


# Whole messages with their status; everything from the first byte that fits nothing on is the last
# token. FF is left out: it acts on what is under way.
_CUT = re.compile(
    rb"[\x80-\xbf\xe0-\xef\xf2][\x00-\x7f][\x00-\x7f]"
    rb"|[\xc0-\xdf\xf1\xf3][\x00-\x7f]"
    rb"|[\xf6\xf8\xfa-\xfc\xfe]"
    rb"|\xf0[\x00-\x7f]*+\xf7"
    rb"|[\x00-\xff]+"
).findall

# Whole length of what the pattern cuts, by first byte: FF is none of its messages.
_N_CUT = (*N_BYTES[:SYSTEM_RESET], 0)

# For the walk: a real-time byte, a status with all its data bytes, or data bytes alone.
_WORDS = re.compile(rb"[\xf8-\xff]|[\x80-\xf7][\x00-\x7f]*|[\x00-\x7f]+").findall

#: Up to this many bytes, cutting by hand is faster than starting the pattern.
_FEW_BYTES = 8


class Splitter:
    """Cuts a stream of MIDI bytes into messages.

    Parameters
    ----------
    max_exclusive_bytes : int >= 3, optional
        Longest exclusive message to deliver, F0 and F7 included. A longer one is dropped in records
        of this many bytes as they come, so the memory held never exceeds it.

    Raises
    ------
    ValueError
        When the limit is below 3.

    Notes
    -----
    System reset (FF) is a real-time byte, yet it brings the power-up state (page 33): running
    status is cleared and a message under way, exclusive ones included, is dropped before the FF
    itself is delivered. Other real-time bytes touch nothing (page A-2).

    Examples
    --------
    >>> [m.data.hex(" ") for m in Splitter().feed(bytes.fromhex("90 3C F8 40 3E 40"))]
    ['f8', '90 3c 40', '90 3e 40']
    """

    __slots__ = ("_at_ns", "_giving_up", "_held", "_limit_bytes", "_open", "_running", "n_restored")

    def __init__(self, *, max_exclusive_bytes: int = MAX_EXCLUSIVE_BYTES) -> None:
        if max_exclusive_bytes < _MIN_LIMIT_BYTES:
            raise ValueError(
                f"max_exclusive_bytes must be {_MIN_LIMIT_BYTES} or more, not {max_exclusive_bytes}"
            )
        #: Status bytes put back so far where running status had left them out.
        self.n_restored = 0
        self._limit_bytes = max_exclusive_bytes
        self._at_ns = 0
        self._clear()

    def _clear(self) -> None:
        """Take the state at power-up: running status empty, nothing under way (page A-2)."""
        self._running = 0  # the receiver's running status buffer; 0 means empty
        self._held = b""  # an unfinished message of fixed length, as it came, real time taken out
        self._open: bytearray | None = None  # an exclusive under way
        self._giving_up = False  # the exclusive under way has passed the limit

    @property
    def n_pending(self) -> int:
        """Bytes fed that are in no record yet."""
        return len(self._held) + (0 if self._open is None else len(self._open))

    def feed(self, data: bytes, at_ns: int = 0) -> list[Message | Dropped]:
        """Return what ``data`` completes.

        Parameters
        ----------
        data : bytes
            Any number of bytes, cut anywhere.
        at_ns : int, nanoseconds, optional
            When this piece arrived, on the caller's clock.

        Returns
        -------
        list of Message and Dropped
            In the order in which they were settled.
        """
        self._at_ns = at_ns
        data = self._held + data  # also turns any bytes-like object into bytes
        # Cutting knows neither an open exclusive nor the limit.
        if self._open is not None or len(data) > self._limit_bytes:
            return self._walk(data)
        if len(data) <= _FEW_BYTES:
            return self._cut_few(data)
        return self._cut_many(data)

    def end(self, at_ns: int | None = None) -> list[Message | Dropped]:
        """Return what is still unfinished as dropped, and start afresh as after power-up.

        Parameters
        ----------
        at_ns : int, nanoseconds, optional
            When the stream ended; the time of the last piece when left out.
        """
        if at_ns is not None:
            self._at_ns = at_ns
        out: list[Message | Dropped] = []
        self._give_up(ENDED, out)
        self._clear()
        return out

    # ------------------------------------------------------------ cutting whole messages

    def _cut_few(self, data: bytes) -> list[Message | Dropped]:
        """Return what a few bytes complete."""
        self._held = b""
        out: list[Message | Dropped] = []
        start = 0
        while start < len(data):
            first = data[start]
            n_whole = _N_CUT[first]
            token = data[start : start + n_whole]
            if not n_whole or not token[1:].isascii():
                return out + self._walk(data[start:])
            if len(token) < n_whole:
                self._held = token
                break
            if first < FIRST_REAL_TIME:
                self._running = first if first < FIRST_SYSTEM else 0
            out.append(Message((token, self._at_ns)))
            start += n_whole
        return out

    def _cut_many(self, data: bytes) -> list[Message | Dropped]:
        """Return what many bytes complete."""
        self._held = b""
        tokens: list[bytes] = _CUT(data)
        # Only the last token can be anything but a whole message.
        last = tokens[-1]
        n_whole = _N_CUT[last[0]]
        if len(last) == n_whole and last[1:].isascii():
            last = b""
        else:
            del tokens[-1]
        self._note_running(tokens)
        out: list[Message | Dropped] = list(map(Message, zip(tokens, repeat(self._at_ns))))
        if not last:
            return out
        if len(last) < n_whole and last[1:].isascii():
            self._held = last
            return out
        return out + self._walk(last)

    def _note_running(self, tokens: list[bytes]) -> None:
        """Keep the running status that whole messages leave behind (page A-2)."""
        for token in reversed(tokens):
            status = token[0]
            if status < FIRST_REAL_TIME:
                self._running = status if status < FIRST_SYSTEM else 0
                return

    # ------------------------------------------------------------ the careful walk

    def _walk(self, data: bytes) -> list[Message | Dropped]:
        """Return what ``data``, with the held bytes at its head, completes; knows every rule."""
        self._held = b""
        out: list[Message | Dropped] = []
        for word in _WORDS(data):
            first = word[0]
            if first >= FIRST_REAL_TIME:
                self._real_time(word, out)
            elif first >= FIRST_SYSTEM:
                self._system(word, out)
            elif first > 0x7F:
                self._give_up(BROKEN_OFF, out)
                self._running = first
                self._fixed(word, out)
            else:
                self._data(word, out)
        return out

    def _real_time(self, word: bytes, out: list[Message | Dropped]) -> None:
        """Handle F8 to FF: they may stand anywhere and leave all else alone (pages 5, A-2)."""
        if N_BYTES[word[0]] == 0:
            out.append(Dropped(word, UNDEFINED_REAL_TIME, self._at_ns))
            return
        if word[0] == SYSTEM_RESET:
            self._give_up(RESET_INSIDE, out)
            self._running = 0  # page 33
        out.append(Message((word, self._at_ns)))

    def _system(self, word: bytes, out: list[Message | Dropped]) -> None:
        """Handle F0 to F7 with the data bytes behind: all of them clear running status."""
        status = word[0]
        if status == END_OF_EXCLUSIVE and self._open is not None:
            self._finish(out)
            self._loose(word[1:], out)
            return
        self._give_up(BROKEN_OFF, out)
        self._running = 0
        if status == START_OF_EXCLUSIVE:
            self._open = bytearray()
            self._grow(word, out)
        elif N_BYTES[status]:
            self._fixed(word, out)
        else:
            reason = STRAY_END if status == END_OF_EXCLUSIVE else UNDEFINED_COMMON
            out.append(Dropped(word[:1], reason, self._at_ns))
            self._loose(word[1:], out)

    def _fixed(self, word: bytes, out: list[Message | Dropped]) -> None:
        """Handle a status of fixed length with all the data bytes that follow it so far."""
        n_whole = N_BYTES[word[0]]
        if len(word) < n_whole:
            self._held = word
            return
        out.append(Message((word[:n_whole], self._at_ns)))
        self._loose(word[n_whole:], out)

    def _data(self, word: bytes, out: list[Message | Dropped]) -> None:
        """Handle data bytes that follow a piece's edge or a real-time byte."""
        if self._open is not None:
            self._grow(word, out)
            return
        word = self._held + word
        self._held = b""
        if word[0] > 0x7F:
            self._fixed(word, out)
        else:
            self._loose(word, out)

    def _loose(self, data: bytes, out: list[Message | Dropped]) -> None:
        """Handle data bytes that have no status of their own: running status, or nothing."""
        at_ns = self._at_ns
        if not self._running:
            out.extend([Dropped(data[i : i + 1], NO_STATUS, at_ns) for i in range(len(data))])
            return
        n_data = N_DATA[self._running]
        status = bytes((self._running,))
        n_whole = len(data) // n_data
        end = n_whole * n_data
        out.extend([Message((status + data[i : i + n_data], at_ns)) for i in range(0, end, n_data)])
        self.n_restored += n_whole
        self._held = data[end:]

    # ------------------------------------------------------------ exclusive messages

    def _grow(self, data: bytes, out: list[Message | Dropped]) -> None:
        """Add bytes to the exclusive under way; give it up at the limit."""
        held = self._open
        assert held is not None
        held += data
        limit = self._limit_bytes
        # With `limit` bytes held and no F7 yet the whole would be longer than the limit.
        n_full = len(held) - len(held) % limit
        for start in range(0, n_full, limit):
            reason = TOO_LONG_REST if self._giving_up else TOO_LONG
            self._giving_up = True
            out.append(Dropped(bytes(held[start : start + limit]), reason, self._at_ns))
        del held[:n_full]

    def _finish(self, out: list[Message | Dropped]) -> None:
        """End the exclusive under way with the F7 it asks for."""
        held = self._open
        assert held is not None
        held.append(END_OF_EXCLUSIVE)
        if self._giving_up:
            out.append(Dropped(bytes(held), TOO_LONG_REST, self._at_ns))
        else:
            out.append(Message((bytes(held), self._at_ns)))
        self._clear()

    def _give_up(self, reason: str, out: list[Message | Dropped]) -> None:
        """Drop what is under way, if anything is."""
        if self._held:
            out.append(Dropped(self._held, reason, self._at_ns))
            self._held = b""
        if self._open is not None:
            if reason == BROKEN_OFF:
                reason = CUT_EXCLUSIVE
            if self._giving_up:
                reason = TOO_LONG_REST
            if self._open:
                out.append(Dropped(bytes(self._open), reason, self._at_ns))
            self._open = None
            self._giving_up = False


def joined(records: list[Message | Dropped]) -> list[Message | Dropped]:
    """Return the records with neighbouring dropped ones of one reason and time made one.

    For showing: "3C 40: data bytes without a status" instead of a line for each byte. Only bytes
    without a status are joined; every other dropped record is a thing of its own.
    """
    out: list[Message | Dropped] = []
    for record in records:
        before = out[-1] if out else None
        if (
            isinstance(record, Dropped)
            and isinstance(before, Dropped)
            and record.reason == before.reason == NO_STATUS
            and record.at_ns == before.at_ns
        ):
            out[-1] = Dropped(before.data + record.data, NO_STATUS, record.at_ns)
        else:
            out.append(record)
    return out
