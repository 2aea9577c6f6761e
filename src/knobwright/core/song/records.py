"""A song as it was read: its bytes, its chunks, its events as arrays, and its faults."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from knobwright.core.errors import printable

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

#: Most faults that are kept; all are counted.
MAX_FAULTS = 200
#: Largest file, and largest song inside a packed one, in bytes.
MAX_BYTES = 32 * 2**20
#: Most events of a song.
MAX_EVENTS = 4_000_000

META = 0xFF
EXCLUSIVE = 0xF0
#: In files F7 begins an event that goes on with an exclusive message, or sends bytes as they are.
PACKET = 0xF7
#: Status of an event that can't be sent: what stands in the file is no message.
UNREADABLE = 0


class Fault(NamedTuple):
    """Something that the standard does not allow, and what was done about it.

    ``offset`` is the place in bytes from the start of the Standard MIDI File (not of a container);
    ``track`` counts from 1, 0 where it is in no track.
    """

    offset: int
    track: int
    what: str
    done: str = ""

    def words(self) -> str:
        """Return the fault with its place in one line; control characters are harmless."""
        track = f", track {self.track}" if self.track else ""
        done = f": {self.done}" if self.done else ""
        return printable(f"byte {self.offset}{track}: {self.what}{done}")

    def __str__(self) -> str:
        return self.words()


class Faults:
    """Collects faults: the first :data:`MAX_FAULTS` are kept, all are counted."""

    def __init__(self) -> None:
        self.kept: list[Fault] = []
        self.n = 0

    def add(self, offset: int, track: int, what: str, done: str = "", n: int = 1) -> None:
        """Take a fault; ``n`` counts it as so many."""
        self.n += n
        if len(self.kept) < MAX_FAULTS:
            self.kept.append(Fault(int(offset), int(track), what, done))

    def in_order(self) -> tuple[Fault, ...]:
        """Return the kept faults by their place."""
        return tuple(sorted(self.kept, key=lambda fault: fault.offset))


class Chunk(NamedTuple):
    """A piece of the file behind the header.

    ``at`` and ``size`` are its content as it was taken, in bytes; ``said`` is the length that
    stands in the file. ``track`` counts from 1, 0 for a chunk that is no track.
    """

    kind: bytes
    at: int
    size: int
    said: int
    track: int


class Events(NamedTuple):
    """All events of all tracks, track after track, each in the order of the file.

    Arrays of the same length. ``tick`` is absolute in its track. ``track`` counts from 0.
    ``status`` is 80 to FF with running status filled in: FF a meta event, F0 and F7 as in the file,
    0 (:data:`UNREADABLE`) what can't be sent. ``first`` and ``second`` are the data bytes, 0 where
    there are none; of a meta event ``first`` is its type. ``at`` and ``size`` say where in the
    song's ``data`` the content stands: the data bytes, or what a length counts.
    """

    tick: NDArray[np.int64]
    track: NDArray[np.int32]
    status: NDArray[np.uint8]
    first: NDArray[np.uint8]
    second: NDArray[np.uint8]
    at: NDArray[np.int32]
    size: NDArray[np.int32]


class Wrap(NamedTuple):
    """What the Standard MIDI File was found in.

    ``kind`` is empty, ``gzip``, ``RIFF`` or ``gzip, RIFF``. ``outer`` is the whole file as it was
    given. ``before`` and ``behind`` are the bytes around the song inside the RIFF container.
    """

    kind: str
    outer: bytes
    before: bytes = b""
    behind: bytes = b""


class Song(NamedTuple):
    """A Standard MIDI File that was read.

    ``format`` is 0 (one track), 1 (tracks at the same time) or 2 (patterns on their own); another
    number is kept and read like 1. ``division`` is the time base as in the file, 16 bits.
    ``n_tracks_said`` is the number in the header, ``n_tracks`` how many were found. ``data`` are
    the bytes of the Standard MIDI File alone. ``n_faults`` counts those, too, that ``faults`` does
    not list.
    """

    name: str
    format: int
    division: int
    n_tracks_said: int
    n_tracks: int
    chunks: tuple[Chunk, ...]
    events: Events
    data: bytes
    wrap: Wrap
    faults: tuple[Fault, ...]
    n_faults: int

    @property
    def n_events(self) -> int:
        """Return how many events there are, ends of tracks among them."""
        return len(self.events.tick)


class Event(NamedTuple):
    """One event on its own.

    ``tick`` is absolute in its track. ``data`` begins with the status: a whole channel message;
    ``FF type content`` without the length for a meta event; ``F0`` or ``F7`` and the content
    without the length for exclusive messages, packets and escapes.
    """

    tick: int
    data: bytes
