"""Which note-off ends which note, and what ends notes without one.

Rules, all of the MIDI 1.0 Detailed Specification 4.2.1: a note-on of velocity 0 is a note-off
(p. 10); one note-off is owed for each note-on, for a repeated key too (p. A-4), and the oldest note
of the key takes it; All Notes Off (123) lets go all keys of its channel, but is passed over while
omni is on (p. 24, A-5); the mode messages 124 to 127 let go all keys too; All Sound Off (120) cuts
(p. 25). A note-off for a key that is not down does nothing.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from knobwright.core.timing.voices.lookup import Said, said
from knobwright.core.timing.voices.module import SAME
from knobwright.core.timing.voices.play import (
    MONO_ON,
    NOTE_OFF,
    NOTE_ON,
    NOTES_OFF,
    OMNI_OFF,
    OMNI_ON,
    POLY_ON,
    SOUND_OFF,
    Byte,
    Flags,
    Int,
    Play,
)  # fmt: skip


class Keys(NamedTuple):
    """Notes as keys that go down and up, in the order in which they begin.

    Attributes
    ----------
    down : array of int64
        Moment of the note-on.
    up : array of int64
        Moment of what lets the key go; ``play.n`` where nothing does.
    off : array of int64
        Moment of the note-off itself; -1 where something else let it go, or nothing.
    again : array of int64
        Moment of the next note-on of the same key and channel; ``play.n`` where there is none.
    channel, key, velocity : arrays of uint8
        Channel 0 to 15, key 0 to 127, velocity 1 to 127.
    stray : array of int64
        Moments of the note-offs that nothing waits for.
    """

    down: Int
    up: Int
    off: Int
    again: Int
    channel: Byte
    key: Byte
    velocity: Byte
    stray: Int


class _Sorted(NamedTuple):
    """Note-ons and note-offs, key after key, each in the order of play.

    ``group`` counts pieces within which nothing but note-offs lets a key go.
    """

    moment: Int
    is_on: Flags
    place: NDArray[np.uint16]
    group: Int


def keys_of(play: Play, repeats: str) -> Keys:
    """Return the notes of a song.

    Parameters
    ----------
    play : Play
        Of the song.
    repeats : str
        ``another`` or ``same``: see :class:`~knobwright.core.timing.voices.module.Choices`.
    """
    letting = letting_go(play)
    rows = _sort(play, letting)
    ons = np.flatnonzero(rows.is_on)
    last, off, stray = (_same if repeats == SAME else _another)(rows, ons, play.n)
    down = rows.moment[ons]
    channel = play.channel[down]
    found = off >= 0
    # Where no note-off comes, the next message that lets the channel go does.
    up = np.where(found, off, np.minimum(letting.after(channel, down), last))
    order = _by_time(down, play.n)
    down = down[order]
    return Keys(
        down, up[order], off[order], _again(rows, ons, play.n)[order], channel[order],
        play.first[down], play.second[down], np.sort(stray),
    )  # fmt: skip


def _by_time(moment: Int, n: int) -> Int:
    """Return the order of moments, all of them different and below ``n``: without sorting."""
    place = np.zeros(n, np.int64)
    place[moment] = np.arange(1, len(moment) + 1)
    return place[place > 0] - 1


def letting_go(play: Play) -> Said:
    """Return the moments at which all keys of a channel are let go or cut."""
    moments = play.moments(SOUND_OFF, NOTES_OFF, OMNI_OFF, OMNI_ON, MONO_ON, POLY_ON)
    if not len(moments):
        return said(play, moments, moments, on_reset=1)
    number = play.first[moments]
    omni = said(play, *_omni(play), on_reset=0)
    deaf = (number == NOTES_OFF) & (omni.before(play.channel[moments], moments, 0) == 1)
    moments = moments[~deaf]
    return said(play, moments, np.ones(len(moments), np.int64), on_reset=1)


def _omni(play: Play) -> tuple[Int, Int]:
    """Return where omni is switched, and whether on. A module of several parts begins with off."""
    moments = play.moments(OMNI_OFF, OMNI_ON)
    return moments, (play.first[moments] == OMNI_ON).astype(np.int64)


def cutting(play: Play) -> Said:
    """Return the moments at which a channel is silenced at once: 120, and resets."""
    moments = play.moments(SOUND_OFF)
    return said(play, moments, np.ones(len(moments), np.int64), on_reset=1)


def _sort(play: Play, letting: Said) -> _Sorted:
    kind = play.status & np.uint8(0xF0)
    on = (kind == NOTE_ON) & (play.second > 0)
    moment = np.flatnonzero(on | (kind == NOTE_OFF) | ((kind == NOTE_ON) & (play.second == 0)))
    channel = play.channel[moment]
    place: NDArray[np.uint16] = (channel.astype(np.uint16) << np.uint16(7)) | play.first[moment]
    order = np.argsort(place, kind="stable")
    moment, place = moment[order], place[order]
    new = np.ones(len(moment), np.bool_)
    new[1:] = place[1:] != place[:-1]
    if len(letting.keys):
        piece = np.searchsorted(
            letting.keys, (place >> 7).astype(np.int64) * letting.stride + moment
        )
        new[1:] |= piece[1:] != piece[:-1]
    return _Sorted(moment, on[moment], place, np.cumsum(new) - 1)


def _another(rows: _Sorted, ons: Int, n: int) -> tuple[Int, Int, Int]:
    """Return for each note what ends it at the latest, its note-off, and the stray note-offs.

    The number of keys that are down is the sum of steps up and down that never gets below 0; a
    note-off that would take it there is stray. Of a piece the k-th note-off ends the k-th note.
    """
    step = np.where(rows.is_on, 1, -1)
    total = np.cumsum(step)
    first = np.searchsorted(rows.group, np.arange(rows.group[-1] + 1 if len(rows.group) else 0))
    before = (total - step)[first]
    level = total - before[rows.group]
    # Piece after piece is put below the one before it, so that one running minimum serves all.
    drop = rows.group * np.int64(len(step) + 2)
    lowest = np.minimum.accumulate(np.minimum(level, 0) - drop) + drop if len(step) else level
    earlier = np.zeros(len(step), np.int64)
    earlier[1:] = np.where(rows.group[1:] == rows.group[:-1], lowest[:-1], 0)
    stray = ~rows.is_on & (lowest < earlier)
    offs = np.flatnonzero(~rows.is_on & ~stray)
    on_group, off_group = rows.group[ons], rows.group[offs]
    number = np.arange(len(ons)) - np.searchsorted(on_group, on_group)
    place = np.searchsorted(off_group, on_group) + number
    off = np.full(len(ons), -1, np.int64)
    mine = place < np.searchsorted(off_group, on_group, "right")
    off[mine] = rows.moment[offs[place[mine]]]
    return np.full(len(ons), n, np.int64), off, rows.moment[stray]


def _same(rows: _Sorted, ons: Int, n: int) -> tuple[Int, Int, Int]:
    """Return the same where a key has one voice: the next note-off, or note-on, ends it."""
    following = np.minimum(ons + 1, len(rows.moment) - 1)
    inside = (ons + 1 < len(rows.moment)) & (rows.group[following] == rows.group[ons])
    by_off = inside & ~rows.is_on[following]
    off = np.where(by_off, rows.moment[following], -1)
    last = np.where(inside, rows.moment[following], n)
    used = np.zeros(len(rows.moment), np.bool_)
    used[following[by_off]] = True
    return last, off, rows.moment[~used & ~rows.is_on]


def _again(rows: _Sorted, ons: Int, n: int) -> Int:
    """Return the next note-on of the same key, whatever lies between."""
    again = np.full(len(ons), n, np.int64)
    place = rows.place[ons]
    same = np.flatnonzero(place[1:] == place[:-1])
    again[same] = rows.moment[ons[same + 1]]
    return again


def most_held(play: Play) -> int:
    """Return how many keys are down at once at most, a key of a channel counted once.

    The first note-off lets a key go; nothing else does, as in the figures of other programs.
    """
    nothing = Said(np.zeros(0, np.int64), np.zeros(0, np.int64), play.n + 1)
    rows = _sort(play, nothing)
    if not len(rows.moment):
        return 0
    was_on = np.zeros(len(rows.moment), np.bool_)
    was_on[1:] = rows.is_on[:-1] & (rows.group[1:] == rows.group[:-1])
    change = np.zeros(play.n, np.int64)
    change[rows.moment] = rows.is_on.astype(np.int64) - was_on
    return int(np.cumsum(change).max(initial=0))
