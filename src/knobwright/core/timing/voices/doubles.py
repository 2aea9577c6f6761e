"""Doubled notes: one key at one tick, twice on a channel or on channels of the same program."""

from __future__ import annotations

import numpy as np

from knobwright.core.timing.voices.change import Change, event_of
from knobwright.core.timing.voices.cuts import Notes
from knobwright.core.timing.voices.module import ANOTHER
from knobwright.core.timing.voices.notes import Keys, keys_of
from knobwright.core.timing.voices.play import Byte, Flags, Int, Play


def doubled(play: Play, notes: Notes, *, across: bool) -> Int:
    """Return the numbers of the notes that another note doubles.

    Parameters
    ----------
    play, notes
        Of the song.
    across : bool
        ``False``: doubled by a note on the same channel. ``True``: by one on another channel that
        has the same program (of melodic channels; drums are never doubled across).

    Returns
    -------
    array of int64
        Of notes that double each other the loudest stays, of equally loud ones the longest, then
        the first.
    """
    keys = notes.keys
    where = notes.sounds.program if across else keys.channel.astype(np.int64)
    chosen = np.flatnonzero(~notes.sounds.is_drum) if across else np.arange(len(keys.down))
    # One number for place and time: 14 + 7 + 7 bits of program, 7 of key, the rest for the tick's
    # number among the ticks at which notes begin.
    tick = play.tick[keys.down]
    new = np.ones(len(tick), np.bool_)
    new[1:] = tick[1:] != tick[:-1]
    place = (np.cumsum(new) << 35) | (where << 7) | keys.key
    place = place[chosen]
    in_order = np.sort(place)
    twice = np.unique(in_order[1:][in_order[1:] == in_order[:-1]])
    if not len(twice):
        return chosen[:0]
    some = np.isin(place, twice)
    place, chosen = place[some], chosen[some]
    loudest = -keys.velocity[chosen].astype(np.int64)
    rank = np.lexsort((chosen, -keys.up[chosen], loudest, place))
    place, chosen = place[rank], chosen[rank]
    if not across:
        return np.sort(chosen[1:][place[1:] == place[:-1]])
    return np.sort(chosen[_from_other_channel(place, keys.channel[chosen])])


def _from_other_channel(place: Int, channel: Byte) -> Flags:
    """Return which notes are doubled by the first of their group, which is on another channel."""
    new = np.ones(len(place), np.bool_)
    new[1:] = place[1:] != place[:-1]
    leader = np.maximum.accumulate(np.where(new, np.arange(len(place)), 0))
    found: Flags = ~new & (channel != channel[leader])
    return found


def leave_out(play: Play, notes: Int, keys: Keys | None = None) -> Change:
    """Return the change that leaves notes out, each with the note-off that it is owed.

    Parameters
    ----------
    play : Play
        Of the song, unchanged.
    notes : array of int64
        Numbers of notes.
    keys : Keys, optional
        Notes with one note-off for each, where they are known already.
    """
    paired = keys_of(play, ANOTHER) if keys is None else keys
    off = paired.off[notes]
    moments = np.concatenate((paired.down[notes], off[off >= 0]))
    return Change(frozenset(event_of(play, moments).tolist()))
