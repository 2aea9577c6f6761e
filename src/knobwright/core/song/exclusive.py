"""Exclusive messages put together from their packets, and escapes taken apart.

Source: Standard MIDI Files 1.0 (RP-001). ``F0 length bytes`` begins an exclusive message; where its
last byte is no F7, events ``F7 length bytes`` go on with it, until one ends in F7. An F7 event
where none is under way is an escape: its bytes are sent as they are. A message counts only when it
is whole, at the time of its last packet.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from knobwright.core.song.arrays import is_channel
from knobwright.core.song.records import EXCLUSIVE, PACKET, Events, Faults
from knobwright.core.wire import MAX_EXCLUSIVE_BYTES, N_BYTES, Dropped, Message, Splitter, hex_words

_START, _END = b"\xf0", b"\xf7"
#: Bytes of an odd event that are looked at in one go.
_PIECE_BYTES = 16


class Whole(NamedTuple):
    """A whole message and the number of the event that completes it."""

    event: int
    message: bytes


def join_exclusive(data: bytes, events: Events, faults: Faults) -> list[Whole]:
    """Return the whole messages of all F0 and F7 events, and of system events that stand alone.

    Parameters
    ----------
    data, events
        Of the song.
    faults : Faults
        Takes what never ends, is broken by other messages, or is no message.
    """
    system = (events.status >= EXCLUSIVE) & (events.status != 0xFF)
    places = np.flatnonzero(system).tolist()
    joiner = _Joiner(data, events, faults)
    for index in places:
        joiner.take(index)
    joiner.end()
    return joiner.found


class _Joiner:
    """Holds the exclusive message that is under way."""

    def __init__(self, data: bytes, events: Events, faults: Faults) -> None:
        self.found: list[Whole] = []
        self._data, self._events, self._faults = data, events, faults
        self._pending = bytearray()
        self._opened = self._last = -1  # first and last event of what is under way

    def take(self, index: int) -> None:
        """Take one event."""
        events = self._events
        at, status = int(events.at[index]), int(events.status[index])
        content = self._data[at : at + int(events.size[index])]
        if self._opened >= 0 and events.track[index] != events.track[self._opened]:
            self.end()
        if status == EXCLUSIVE:
            self.end()
            self._begin(index, _START + content)
        elif status != PACKET:  # a system message that stands by itself
            self._split(index, bytes((status,)) + content)
        elif self._opened >= 0:
            between = events.status[self._last + 1 : index]
            if len(between) and is_channel(between).any():
                self._say(index, "other messages stand between the packets of an exclusive one",
                          "they are sent before it")  # fmt: skip
            self._go_on(index, content)
        elif content.startswith(_START):
            self._begin(index, content)
        else:
            self._split(index, content)

    def _begin(self, index: int, content: bytes) -> None:
        self._opened = index
        self._pending = bytearray()
        self._go_on(index, content)

    def _go_on(self, index: int, content: bytes) -> None:
        self._pending += content
        self._last = index
        if content.endswith(_END):
            whole = bytes(self._pending)
            self._opened = -1
            self._split(index, whole)

    def end(self) -> None:
        """Say that what is under way never ends."""
        if self._opened >= 0:
            self._say(self._opened, "an exclusive message never ends", "left out")
            self._opened = -1

    def _split(self, index: int, content: bytes) -> None:
        """Take the messages in bytes that are to be sent, up to the first byte that is in none."""
        inside = content[1:-1]
        if content.startswith(_START) and content.endswith(_END) and inside.isascii():
            if len(content) > MAX_EXCLUSIVE_BYTES:
                words = f"an exclusive message has {len(content)} bytes"
                self._say(index, words, f"left out: at most {MAX_EXCLUSIVE_BYTES} are taken")
            else:
                self.found.append(Whole(index, content))
            return
        if content and len(content) == N_BYTES[content[0]] and content[1:].isascii():
            self.found.append(Whole(index, content))
            return
        splitter = Splitter()
        for start in range(0, len(content), _PIECE_BYTES):
            records = splitter.feed(content[start : start + _PIECE_BYTES])
            if not self._take_records(index, records):
                return
        self._take_records(index, splitter.end())

    def _take_records(self, index: int, records: list[Message | Dropped]) -> bool:
        """Take messages; return whether all bytes were in some."""
        for record in records:
            if isinstance(record, Dropped):
                lost = hex_words(record.data[:8])
                self._say(index, f"bytes to be sent are no whole message: {lost}", "left out")
                return False
            self.found.append(Whole(index, record.data))
        return True

    def _say(self, index: int, what: str, done: str) -> None:
        self._faults.add(self._events.at[index], self._events.track[index] + 1, what, done)
