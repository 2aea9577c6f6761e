"""The walk over a song's bytes: where its chunks are and where each event begins.

This is the only loop over single events, and it does as little as it can for each: it steps from
status to status and writes down their places; everything else is worked out on whole arrays.

Source: Standard MIDI Files 1.0 (RP-001). Where a file breaks its rules, this is what is done:

* a track that is longer than the file, or than its end of track, ends where it really ends;
* a track that is too short goes on to the next ``MTrk``;
* a length that reaches behind the end of the track is cut there;
* a data byte without any status before it is left out, byte by byte;
* running status goes on behind meta events and exclusive messages, as common players read it;
* a system message that stands by itself is taken as that message (``arrays`` says so).
"""

from __future__ import annotations

from array import array
from typing import NamedTuple

from knobwright.core.errors import InputError
from knobwright.core.song.quantity import read_quantity
from knobwright.core.song.records import EXCLUSIVE, MAX_EVENTS, META, PACKET, Chunk, Faults
from knobwright.core.wire import KINDS, N_DATA, hex_words
from knobwright.core.wire.status import UNDEFINED

END_OF_TRACK = 0x2F
_TRACK = b"MTrk"
#: Most chunks that are read: a header can't name more tracks than that.
MAX_CHUNKS = 65_535
#: Zero bytes put behind the song, so that the loop need not look for the end at each byte.
PADDING = b"\0" * 8
#: From a status to the place behind its message, in bytes, for channel messages.
_WHOLE = tuple(1 + N_DATA[byte] if 0x80 <= byte < 0xF0 else 0 for byte in range(256))
#: The same before any status came: one byte is passed over at a time.
_NO_STATUS = 2
_AS_MESSAGE = "taken as that message"


class Head(NamedTuple):
    """The header chunk: its fields, and the place behind it in bytes."""

    format: int
    n_tracks: int
    division: int
    end: int


class Places(NamedTuple):
    """Where things are, in bytes from the start of the song.

    ``events`` holds the place of each event's status byte (of its first data byte under running
    status), of all tracks one after the other. ``starts`` are the places of the tracks' contents
    and ``n_events`` their numbers of events. The four ``system`` arrays belong together, one entry
    for each event that is no channel message: its number among all events, where its content
    begins, how many bytes that has, and the place behind it.
    """

    events: array[int]
    starts: array[int]
    n_events: array[int]
    system: array[int]
    system_at: array[int]
    system_size: array[int]
    system_end: array[int]


def read_head(data: bytes, name: str, faults: Faults) -> Head:
    """Return the header of a song that begins with ``MThd``.

    Raises
    ------
    InputError
        The file ends inside it.
    """
    if len(data) < 14:
        raise InputError(
            f"the song ends inside its header: it has {len(data)} bytes, and a header has 14",
            where=name,
            hint="fetch it again",
        )
    said = int.from_bytes(data[4:8], "big")
    end = 8 + said
    if not 14 <= end <= len(data):
        faults.add(4, 0, f"the header says {said} bytes, and 6 is usual", "read as 6")
        end = 14
    kind, n_tracks, division = (int.from_bytes(data[at : at + 2], "big") for at in (8, 10, 12))
    if kind > 2:
        faults.add(8, 0, f"format {kind} is none of 0, 1 and 2", "read like format 1")
    return Head(kind, n_tracks, division, end)


class Walker:
    """Walks over the chunks and events of one song.

    Parameters
    ----------
    data : bytes
        The Standard MIDI File.
    name : str
        What to call it in errors.
    faults : Faults
        Takes what is wrong.
    """

    def __init__(self, data: bytes, name: str, faults: Faults) -> None:
        self._data = data + PADDING
        self._n = len(data)
        self._name = name
        self._faults = faults
        self.places = Places(*(array("i") for _ in Places._fields))
        self.chunks: list[Chunk] = []

    def walk(self, at: int) -> None:
        """Walk over everything behind the header, which ends at ``at``.

        Raises
        ------
        InputError
            There are more than 4 000 000 events.
        """
        while at < self._n:
            if len(self.chunks) == MAX_CHUNKS:
                words = f"there are more than {MAX_CHUNKS} chunks"
                self._faults.add(at, 0, words, "the rest is left alone")
                return
            if not self._is_chunk(at):
                at = self._pass_over(at)
            elif self._data.startswith(_TRACK, at):
                at = self._track(at)
            else:
                at = self._other(at)

    def _is_chunk(self, at: int) -> bool:
        """Return whether a chunk may begin here: four letters and a length."""
        kind = self._data[at : at + 4]
        return self._n - at >= 8 and kind.isascii() and kind.decode("ascii").isprintable()

    def _next_track(self, at: int) -> int:
        """Return the next place of ``MTrk``, or the end of the song."""
        found = self._data.find(_TRACK, at, self._n)
        return self._n if found < 0 else found

    def _pass_over(self, at: int) -> int:
        """Pass over bytes that are no chunk, up to the next track."""
        after = self._next_track(at + 1)
        self._faults.add(at, 0, f"{after - at} bytes are no chunk", "left alone")
        return after

    def _other(self, at: int) -> int:
        """Take a chunk that is no track; return the place behind it."""
        kind, said = self._data[at : at + 4], self._length(at)
        after = at + 8 + said
        if after > self._n:
            after = self._next_track(at + 8)
            words = f"the chunk {kind.decode('ascii')!r} says {said} bytes, more than the file has"
            self._faults.add(at, 0, words, f"taken up to byte {after}")
        self.chunks.append(Chunk(kind, at + 8, after - at - 8, said, 0))
        return after

    def _length(self, at: int) -> int:
        return int.from_bytes(self._data[at + 4 : at + 8], "big")

    def _track(self, at: int) -> int:
        """Take a track; return the place behind it."""
        said, start = self._length(at), at + 8
        places, faults = self.places, self._faults
        places.starts.append(start)
        number = len(places.starts)
        n_before = len(places.events)
        end = min(start + said, self._n)
        if start + said > self._n:
            words = f"the track says {said} bytes, and {end - start} are there"
            faults.add(at + 4, number, words, "read what is there")
        at, whole, ended = self._events(start, end, _NO_STATUS)
        if not ended and end < self._n and not self._is_chunk(end):
            at, end, ended = self._longer(at, end, whole, said)
        places.n_events.append(len(places.events) - n_before)
        self._check_number(number)
        after = end
        if ended and at < end:
            after = self._early(at, end, said, start)
        if not ended:
            if at < end:
                faults.add(at, number, "the track ends inside an event", "that event is left out")
            faults.add(end, number, "the end of track is missing", "it ends with its last event")
        self.chunks.append(Chunk(_TRACK, start, after - start, said, number))
        return after

    def _check_number(self, track: int) -> None:
        """Refuse a song that has too many events up to here."""
        if len(self.places.events) > MAX_EVENTS:
            raise InputError(
                f"a song has at most {MAX_EVENTS} events, and this one has more",
                where=f"{self._name}, track {track}",
            )

    def _longer(self, at: int, end: int, whole: int, said: int) -> tuple[int, int, bool]:
        """Read on behind the length that a track says, if an end of track comes there."""
        number, before = len(self.places.starts), [len(part) for part in self.places]
        kept, n_faults = len(self._faults.kept), self._faults.n
        limit = self._next_track(end)
        after, _, ended = self._events(at, limit, whole)
        if not ended:  # what stands there is no music: as it was
            for part, size in zip(self.places, before, strict=True):
                del part[size:]
            del self._faults.kept[kept:]
            self._faults.n = n_faults
            return at, end, False
        words = f"the track says {said} bytes, and its end of track comes later"
        self._faults.add(self.places.starts[-1] - 4, number, words, f"read up to byte {after}")
        return after, after, True

    def _early(self, at: int, end: int, said: int, start: int) -> int:
        """Say what stands behind an end of track; return where the next chunk is."""
        number = len(self.places.starts)
        if self._data.startswith(_TRACK, at):
            words = f"the track says {said} bytes, and the next one begins after {at - start}"
            self._faults.add(start - 4, number, words, "read up to there")
            return at
        words = f"{end - at} bytes stand behind the end of track"
        self._faults.add(at, number, words, "not played")
        return end

    def _events(self, at: int, end: int, whole: int) -> tuple[int, int, bool]:
        """Write down the events from ``at`` to ``end``.

        Returns the place behind the last whole event, the size of the message that running status
        repeats, and whether the end of track came.
        """
        data, sizes = self._data, _WHOLE
        append = self.places.events.append
        start = at
        while at < end:
            start = at
            while data[at] >= 0x80:
                at += 1
            at += 1
            append(at)
            byte = data[at]
            if byte < 0x80:
                at += whole - 1
            elif byte < EXCLUSIVE:
                whole = sizes[byte]
                at += whole
            else:
                is_end = byte == META and data[at + 1] == END_OF_TRACK
                at = self._system(at, end)
                if is_end and at <= end:
                    return at, whole, True
        if at > end:
            self.places.events.pop()
            return start, whole, False
        return at, whole, False

    def _system(self, at: int, end: int) -> int:
        """Write down an event that is no channel message; a place behind ``end``: it is cut off."""
        data, places, number = self._data, self.places, len(self.places.starts)
        self._check_number(number)  # these cost most: not only when the track is over
        byte = data[at]
        if byte in (META, EXCLUSIVE, PACKET):
            counted = at + 2 if byte == META else at + 1
            size, content, proper = read_quantity(data, counted, end)
            if not proper:
                if counted >= end or data[content - 1] >= 0x80:
                    return end + 1
                words = f"the length {hex_words(data[counted:content][-8:])} has over four bytes"
                self._faults.add(counted, number, words, "its last 28 bits count")
        else:
            size, content = max(N_DATA[byte], 0), at + 1
            words = f"{byte:02X} may not stand by itself in a song"
            done = "it is no message, left out" if KINDS[byte] == UNDEFINED else _AS_MESSAGE
            self._faults.add(at, number, words, done)
        if content + size > end:
            if size > 3 and byte >= EXCLUSIVE:
                words = f"an event says {size} bytes, and {end - content} are left in the track"
                self._faults.add(at, number, words)
            return end + 1
        places.system.append(len(places.events) - 1)
        places.system_at.append(content)
        places.system_size.append(size)
        places.system_end.append(content + size)
        return content + size
