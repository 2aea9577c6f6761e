"""Tracks written anew with a set-up before them: everything else is the song's own.

What a track says at its very start about itself (names, texts, copyright, ports, the SMPTE offset)
stays at tick 0; tempo, time and key signature of the first tick stay there, too, so that the bar
has them and the music begins with them.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import NamedTuple

import numpy as np

from knobwright.core.fitting.bar import Bar, Placed
from knobwright.core.fitting.told import content
from knobwright.core.song.checks import KEY_SIGNATURE, TEMPO, TIME_SIGNATURE
from knobwright.core.song.metas import metas
from knobwright.core.song.records import EXCLUSIVE, META, PACKET, UNREADABLE, Event, Song
from knobwright.core.wire import check_whole

_END_OF_TRACK = 0x2F
#: Meta events that describe a track or the song: at tick 0 they stay there (RP-001: sequence
#: number, copyright, name, instrument, SMPTE offset and maker's own stand at the start; 08, 09 from
#: memory of RP-019; the port, 21, is common practice).
DESCRIBING = frozenset((0x00, 0x01, 0x02, 0x03, 0x04, 0x08, 0x09, 0x20, 0x21, 0x54, 0x7F))
#: Meta events that are in force from where they stand.
STATE = frozenset((TEMPO, TIME_SIGNATURE, KEY_SIGNATURE))
SET_UP_NAME = b"Set-up"


class Cut(NamedTuple):
    """Where the music begins and by how many ticks it is moved.

    ``first`` is its first tick in the song, ``shift`` what is added to its ticks, ``bar`` the bar
    that is put before it.
    """

    first: int
    shift: int
    bar: Bar

    @property
    def start(self) -> int:
        """Return the tick at which the music begins in the new song."""
        return self.first + self.shift


def track_anew(
    song: Song,
    track: int,
    cut: Cut,
    dropped: Collection[int],
    replaced: Mapping[int, Sequence[bytes]],
) -> tuple[list[Event], list[Event]]:
    """Return what stands at tick 0 of a track, and the rest, its end among it.

    Parameters
    ----------
    song : Song
        As it was read.
    track : int from 0
        Which track.
    cut : Cut
        Where the music begins.
    dropped : collection of int
        Numbers of events that are left out.
    replaced : mapping
        Numbers of events to the messages that stand in their place.
    """
    events = song.events
    start, stop = np.searchsorted(events.track, (track, track + 1)).tolist()
    head: list[Event] = []
    out: list[Event] = []
    end = cut.start
    for i in range(start, stop):
        tick, status = int(events.tick[i]), int(events.status[i])
        moved = max(tick, cut.first) + cut.shift
        end = max(end, moved)
        if status == META:
            kind = int(events.first[i])
            if kind == _END_OF_TRACK:
                continue
            at = _meta_tick(kind, tick, cut)
            if at is not None and kind < 0x80:
                data = song.data[int(events.at[i]) : int(events.at[i]) + int(events.size[i])]
                event = Event(moved if at else 0, bytes((META, kind)) + data)
                (out if at else head).append(event)
        elif status == UNREADABLE or i in dropped:
            continue
        elif i in replaced:
            out += [Event(moved, as_event(message)) for message in replaced[i]]
        elif status < EXCLUSIVE:
            if tick >= cut.first:
                size = int(events.size[i])
                rows = (status, int(events.first[i]), int(events.second[i]))
                out.append(Event(moved, bytes(rows[: 1 + size])))
        else:
            out.append(Event(moved, _system_event(song, i, status)))
    out.append(Event(end, bytes((META, _END_OF_TRACK))))
    return head, out


def _meta_tick(kind: int, tick: int, cut: Cut) -> int | None:
    """Return whether a meta event moves with the music (1), stays at 0 (0), or goes (``None``)."""
    if kind in DESCRIBING and tick == 0:
        return 0
    if kind in STATE and tick <= cut.first:
        if cut.first:
            return None  # what is in force there is said anew
        return 1 if kind == TEMPO and cut.bar.tempo_us is not None else 0
    return 1 if tick >= cut.first else None


def in_force(song: Song, cut: Cut, *, track: int | None = None) -> tuple[list[Event], list[Event]]:
    """Return the tempo and signatures to put at tick 0, and at the start of the music."""
    head: list[Event] = []
    start: list[Event] = []
    if cut.bar.tempo_us is not None:
        head.append(_tempo(0, cut.bar.tempo_us))
    if not cut.first:
        return head, start
    found: dict[int, tuple[int, bytes]] = {}
    for meta in metas(song, *STATE):
        mine = track in (None, meta.track) and meta.tick <= cut.first
        valid = meta.kind != TEMPO or (len(meta.content) >= 3 and any(meta.content[:3]))
        if mine and valid and found.get(meta.kind, (-1, b""))[0] <= meta.tick:
            found[meta.kind] = (meta.tick, meta.content)
    for kind, (_, text) in sorted(found.items()):
        later = kind == TEMPO and cut.bar.tempo_us is not None
        event = Event(cut.start if later else 0, bytes((META, kind)) + text)
        (start if later else head).append(event)
    return head, start


def _tempo(tick: int, tempo_us: int) -> Event:
    return Event(tick, bytes((META, TEMPO)) + tempo_us.to_bytes(3, "big"))


def set_up_events(placed: Sequence[Placed], said: str) -> list[Event]:
    """Return the events of the set-up, and at its start a text that says what it is for."""
    text = Event(0, bytes((META, 0x01)) + said.encode())
    return [text, *(Event(row.tick, as_event(row.message)) for row in placed)]


def as_event(message: bytes) -> bytes:
    """Return a message as it stands in an event of a song: system messages in an escape."""
    if message[0] > EXCLUSIVE:
        return bytes((PACKET,)) + message
    return message


def _system_event(song: Song, index: int, status: int) -> bytes:
    data = content(song, index)
    if status in (EXCLUSIVE, PACKET):
        return data if status == EXCLUSIVE else bytes((PACKET,)) + data
    check_whole(data)
    return as_event(data)
