"""What of a song decides about voices: notes, programs, pedals and modes, in playing order.

Everything else (bends, pressure, other controllers) is left away before anything is sorted. A
*moment* is a place in this order, 0 to ``n``: between two moments nothing happens that a key or a
pedal does. Moments, not nanoseconds, decide what comes first: of two messages at one time the
module receives one before the other.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from knobwright.core.errors import InputError
from knobwright.core.song.exclusive import join_exclusive
from knobwright.core.song.records import EXCLUSIVE, PACKET, Events, Faults, Song
from knobwright.core.song.tempo import TempoMap, tempo_map

Int = NDArray[np.int64]
Byte = NDArray[np.uint8]
Flags = NDArray[np.bool_]

#: Status that stands for a reset of the whole module.
RESET = 0xFF
N_CHANNELS = 16

NOTE_OFF, NOTE_ON, CONTROL, PROGRAM = 0x80, 0x90, 0xB0, 0xC0
BANK_HIGH, BANK_LOW, DAMPER, SOSTENUTO = 0, 32, 64, 66
SOUND_OFF, RESET_CONTROLLERS, NOTES_OFF = 120, 121, 123
OMNI_OFF, OMNI_ON, MONO_ON, POLY_ON = 124, 125, 126, 127
_CONTROLLERS = (BANK_HIGH, BANK_LOW, DAMPER, SOSTENUTO, SOUND_OFF, RESET_CONTROLLERS, NOTES_OFF,
                OMNI_OFF, OMNI_ON, MONO_ON, POLY_ON)  # fmt: skip
#: Universal messages that bring a module into its state after power-up: General MIDI on, level 1
#: (RP-003) and level 2 (RP-024, 4.9.1); the device id between them may be any.
_GM_ON = (b"\x09\x01", b"\x09\x03")


def _wanted() -> Flags:
    """Return which (status, first data byte) decide about voices, as a table of 256 * 128."""
    table = np.zeros((256, 128), np.bool_)
    for channel in range(N_CHANNELS):
        table[NOTE_OFF | channel] = table[NOTE_ON | channel] = table[PROGRAM | channel] = True
        table[CONTROL | channel, list(_CONTROLLERS)] = True
    return table.reshape(-1)


_WANTED = _wanted()


class Play(NamedTuple):
    """Notes, programs, pedals and modes in playing order: arrays of one length.

    Attributes
    ----------
    ns, tick : arrays of int64
        When, in nanoseconds and ticks from the start; ``ns`` never goes down.
    status, first, second : arrays of uint8
        The message; :data:`RESET` is a reset of the whole module by whatever message.
    rank : array of int64
        Twice the number of the event in the song's arrays, plus one; an added event has the even
        number in front of the event that it goes before.
    track : array of int32
        Of the event, from 0.
    length_ns, length_ticks : int
        Time of the last event of the song, ends of tracks too.
    times : TempoMap
        Of the song, to place events that are added.
    """

    ns: Int
    tick: Int
    status: Byte
    first: Byte
    second: Byte
    rank: Int
    track: NDArray[np.int32]
    length_ns: int
    length_ticks: int
    times: TempoMap

    @property
    def n(self) -> int:
        """Return how many there are: the moment after the last one."""
        return len(self.ns)

    @property
    def channel(self) -> Byte:
        """Return the channels, 0 to 15; of a reset it means nothing."""
        return self.status & np.uint8(15)

    def of(self, kind: int) -> Flags:
        """Return which are channel messages of a kind: 80, 90, B0 or C0 (hex)."""
        found: Flags = (self.status & np.uint8(0xF0)) == kind
        return found

    def moments(self, *numbers: int) -> Int:
        """Return the moments of these controllers."""
        controls = np.flatnonzero(self.of(CONTROL))
        return controls[np.isin(self.first[controls], numbers)]

    @property
    def resets(self) -> Int:
        """Return the moments of the resets of the whole module."""
        return np.flatnonzero(self.status == RESET)


def play_of(song: Song, *, pattern: int = 0) -> Play:
    """Return what of a song decides about voices.

    Parameters
    ----------
    song : Song
        Of any format.
    pattern : int from 0
        Which track of a format 2 song; not looked at in other formats.

    Raises
    ------
    InputError
        The time base is none of the standard, or there is no such pattern.

    Notes
    -----
    Events of one tick stay in track order, as the player sends them.
    """
    events = song.events
    track = None
    chosen = _WANTED[(events.status.astype(np.intp) << 7) | np.minimum(events.first, 127)]
    if song.format == 2:
        track = pattern
        if not 0 <= pattern < max(song.n_tracks, 1):
            raise InputError(
                f"the song has the patterns 1 to {song.n_tracks}, and there is no {pattern + 1}",
                where=song.name,
            )
        chosen &= events.track == pattern
    index = np.flatnonzero(chosen)
    resets = _resets(song, events, track)
    if len(resets):
        index = np.sort(np.concatenate((index, resets)))
    times = tempo_map(song, track=track)
    ticks = events.tick[index]
    order = np.argsort(ticks, kind="stable")
    index, ticks = index[order], ticks[order]
    status = events.status[index]
    status[status >= EXCLUSIVE] = RESET
    mine = events.tick if track is None else events.tick[events.track == track]
    last = mine.max(keepdims=True) if len(mine) else np.zeros(1, np.int64)
    return Play(
        times.ns(ticks), ticks, status, events.first[index], events.second[index], 2 * index + 1,
        events.track[index], int(times.ns(last)[0]), int(last[0]), times,
    )  # fmt: skip


def _resets(song: Song, events: Events, track: int | None) -> Int:
    """Return the events that complete a message which resets the module.

    System Reset (FF, inside an escape: MIDI 1.0 Detailed Specification 4.2.1, p. 33) and General
    MIDI on. That voices stop at General MIDI on is common practice, no source.
    """
    system = (events.status >= EXCLUSIVE) & (events.status <= PACKET)
    if not system.any():
        return np.zeros(0, np.int64)
    found = [
        whole.event
        for whole in join_exclusive(song.data, events, Faults())
        if is_reset(whole.message) and (track is None or int(events.track[whole.event]) == track)
    ]
    return np.unique(np.asarray(found, np.int64))


def is_reset(message: bytes) -> bool:
    """Return whether a whole message brings every module that knows it back to its start."""
    if len(message) == 6 and message[:2] == b"\xf0\x7e" and message[5] == 0xF7:
        return message[3:5] in _GM_ON
    return message == b"\xff"
