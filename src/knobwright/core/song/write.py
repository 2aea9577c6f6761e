"""Events to bytes: new songs, and songs in which some tracks are new.

What was read and not changed is written byte for byte as it was: :func:`write_song` gives back the
file, container and faults included, and :func:`rewrite` touches only the tracks that it is given.

Source: Standard MIDI Files 1.0 (RP-001). New tracks have the full status before every channel
message unless running status is asked for; it ends at meta events and exclusive messages.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping, Sequence

import numpy as np

from knobwright.core.errors import DecodeError, EncodeError
from knobwright.core.song.containers import rewrap
from knobwright.core.song.quantity import MAX_QUANTITY, write_quantity
from knobwright.core.song.records import EXCLUSIVE, META, PACKET, UNREADABLE, Event, Song
from knobwright.core.wire import N_BYTES, check_whole

_HEAD = struct.Struct(">4sIHHH")
_END = Event(0, b"\xff\x2f")


def write_song(song: Song) -> bytes:
    """Return the bytes of the file that the song was read from, every one of them."""
    return rewrap(song.wrap, song.data, song.data)


def track_events(song: Song, track: int) -> list[Event]:
    """Return the events of one track (from 0), its end of track too.

    Raises
    ------
    DecodeError
        The track has events that can't be read: they would be lost. ``song.faults`` says where.
    """
    events = song.events
    start, stop = np.searchsorted(events.track, (track, track + 1)).tolist()
    status = events.status[start:stop]
    if (status == UNREADABLE).any():
        at = int(events.at[start + int(np.argmax(status == UNREADABLE))])
        raise DecodeError(
            f"track {track + 1} has an event that can't be read, so it can't be written anew",
            where=f"{song.name}, byte {at}" if song.name else f"byte {at}",
        )
    out = []
    rows = (column[start:stop].tolist() for column in events)
    for tick, _, byte, first, _, at, size in zip(*rows, strict=True):
        content = song.data[at : at + size]
        head = bytes((byte, first)) if byte == META else bytes((byte,))
        out.append(Event(tick, head + content))
    return out


def write_track(events: Sequence[Event], *, running_status: bool = False) -> bytes:
    """Return the content of a track chunk.

    Parameters
    ----------
    events : sequence of Event
        In order of time. An end of track is put behind them where they have none.
    running_status : bool
        Whether a status that is the same as the one before is left out.

    Raises
    ------
    EncodeError
        A time lies before the one in front of it, two are too far apart, something stands behind
        the end of track, or an event is no whole message.
    """
    last = events[-1] if events else _END
    if not last.data.startswith(_END.data):
        events = [*events, Event(last.tick, _END.data)]
    elif not events:
        events = [_END]
    out, now, running = bytearray(), 0, -1
    for number, (tick, data) in enumerate(events, 1):
        if not 0 <= tick - now <= MAX_QUANTITY:
            raise EncodeError(
                f"event {number} stands at tick {tick}, behind one at tick {now}: the step is 0 to "
                f"{MAX_QUANTITY} ticks"
            )
        out += write_quantity(tick - now)
        now = tick
        if data.startswith(_END.data) and number != len(events):
            raise EncodeError(
                f"event {number} is an end of track, and it must be the last of {len(events)}"
            )
        body = _event_bytes(data)
        out += body[1:] if running_status and body[0] == running else body
        running = body[0] if body[0] < EXCLUSIVE else -1
    return bytes(out)


def new_song(
    tracks: Sequence[Sequence[Event]],
    *,
    song_format: int = 1,
    division: int = 480,
    running_status: bool = False,
) -> bytes:
    """Return a Standard MIDI File.

    Parameters
    ----------
    tracks : sequence of sequences of Event
        One for format 0, up to 65 535 otherwise.
    song_format : int
        0, 1 or 2.
    division : int, 1 to 65 535
        The header's time base: ticks per quarter note up to 32 767.
    running_status : bool
        As in :func:`write_track`.

    Raises
    ------
    EncodeError
        As :func:`write_track`, or the header can't hold the numbers.
    """
    if song_format not in (0, 1, 2):
        raise EncodeError(f"the formats are 0, 1 and 2, found {song_format}")
    if not 1 <= len(tracks) <= (0xFFFF if song_format else 1):
        raise EncodeError(f"a song of format {song_format} can't have {len(tracks)} tracks")
    if not 1 <= division <= 0xFFFF:
        raise EncodeError(f"a time base is 1 to 65535, found {division}")
    out = bytearray(_HEAD.pack(b"MThd", 6, song_format, len(tracks), division))
    for events in tracks:
        out += _chunk(write_track(events, running_status=running_status))
    return bytes(out)


def rewrite(
    song: Song, tracks: Mapping[int, Sequence[Event]], *, running_status: bool = False
) -> bytes:
    """Return the song's file with some tracks replaced; everything else stays byte for byte.

    Parameters
    ----------
    song : Song
        As it was read.
    tracks : mapping of int from 0 to sequences of Event
        The new tracks.

    Raises
    ------
    EncodeError
        The song has no such track, or as :func:`write_track`.
    """
    unknown = sorted(track for track in tracks if not 0 <= track < song.n_tracks)
    if unknown:
        raise EncodeError(f"the song has {song.n_tracks} tracks, and none is {unknown[0] + 1}")
    out, done = bytearray(), 0
    for chunk in song.chunks:
        if chunk.track - 1 in tracks:
            out += song.data[done : chunk.at - 8]
            out += _chunk(write_track(tracks[chunk.track - 1], running_status=running_status))
            done = chunk.at + chunk.size
    out += song.data[done:]
    return rewrap(song.wrap, song.data, bytes(out))


def _chunk(content: bytes) -> bytes:
    return b"MTrk" + len(content).to_bytes(4, "big") + content


def _event_bytes(data: bytes) -> bytes:
    """Return an event as it stands in a file, without its delta time.

    Raises
    ------
    EncodeError
        It is no event.
    """
    status = data[0] if data else 0
    if status in (EXCLUSIVE, PACKET):
        return data[:1] + write_quantity(len(data) - 1) + data[1:]
    if status == META and len(data) > 1 and data[1] < 0x80:
        return data[:2] + write_quantity(len(data) - 2) + data[2:]
    if status < EXCLUSIVE and N_BYTES[status]:
        try:
            check_whole(data)
        except DecodeError as error:
            raise EncodeError(error.message) from error
        return data
    raise EncodeError(
        f"no event of a song begins with {data[:2].hex(' ').upper() or 'nothing'}",
        hint="system messages stand in an escape: F7 and their bytes",
    )
