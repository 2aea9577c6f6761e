"""When notes fall silent: release and tail, or what cuts them before.

All Sound Off (120) and resets cut at once. A key whose voice begins anew cuts its older note. In
mono mode (126, until 127) each note takes over from all that sounds on its channel, and an older
key does not come back when the newer one is let go (the receiver is free: common practice,
no source). A drum of an exclusive group stops the group's other keys of its kit and channel.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from knobwright.core.timing.voices.lookup import said
from knobwright.core.timing.voices.module import SAME
from knobwright.core.timing.voices.notes import Keys, cutting
from knobwright.core.timing.voices.play import MONO_ON, POLY_ON, Flags, Int, Play
from knobwright.core.timing.voices.programs import Sounds

#: How a note ends: released, rung out by itself, cut by All Sound Off or a reset, by its own key,
#: by the next note in mono mode, by a drum of its group, or not before the song does.
RELEASED, RUNG_OUT, SOUND_OFF, OWN_KEY, MONO, GROUP, NEVER = range(7)


class Ends(NamedTuple):
    """How notes end: arrays as long as there are notes.

    ``moment`` is the first moment at which the note no longer sounds: what ends by then is silent
    before the message of that moment is obeyed. ``ns`` is the time; ``how`` one of the numbers
    above.
    """

    moment: Int
    ns: Int
    how: NDArray[np.uint8]


def ends_of(play: Play, keys: Keys, released: Int, sounds: Sounds, repeats: str) -> Ends:
    """Return how every note ends.

    Parameters
    ----------
    play, keys, sounds
        Of the song.
    released : array of int64
        Moments at which the notes enter their release.
    repeats : str
        ``another`` or ``same``.
    """
    n = play.n
    clock = np.append(play.ns, play.length_ns)
    from_ns = np.where(sounds.one_shot, play.ns[keys.down], clock[released])
    ns = from_ns + sounds.tail_ns
    how = np.where(sounds.one_shot, RUNG_OUT, RELEASED).astype(np.uint8)
    moment = np.where(sounds.one_shot, 0, released)
    rings = np.flatnonzero(sounds.tail_ns > 0)
    moment[rings] = np.searchsorted(play.ns, ns[rings], "left")
    never = ~sounds.one_shot & (released == n)
    moment[never], how[never] = n, NEVER
    cut = cutting(play)
    if len(cut.keys):
        _cut(play, moment, ns, how, cut.after(keys.channel, keys.down), SOUND_OFF)
    if repeats == SAME:
        _cut(play, moment, ns, how, keys.again, OWN_KEY)
    mono = _mono(play, keys)
    if mono is not None:
        _cut(play, moment, ns, how, mono, MONO)
    for groups in _groups(play, keys, sounds):
        _cut(play, moment, ns, how, groups, GROUP)
    return Ends(moment, ns, how)


def _cut(play: Play, moment: Int, ns: Int, how: NDArray[np.uint8], by: Int, why: int) -> None:
    """End the notes that sound when what cuts them comes; ``play.n`` cuts nothing."""
    cut = np.flatnonzero((by < moment) & (by < play.n))
    moment[cut], how[cut] = by[cut], why
    ns[cut] = play.ns[by[cut]]


def _mono(play: Play, keys: Keys) -> Int | None:
    """Return for each note the next one that begins in mono mode on its channel."""
    at = play.moments(MONO_ON, POLY_ON)
    is_mono = play.first[at] == MONO_ON
    if not is_mono.any():
        return None
    mode = said(play, at, is_mono.astype(np.int64), on_reset=0)
    inside = keys.down[mode.before(keys.channel, keys.down, 0) == 1]
    ons = said(play, inside, np.ones(len(inside), np.int64))
    return ons.after(keys.channel, keys.down)


def _groups(play: Play, keys: Keys, sounds: Sounds) -> list[Int]:
    """Return for each exclusive group the next note of it with another key, for each note."""
    found = []
    for number, kit in enumerate(sounds.kits):
        of_kit = sounds.kit == number
        if not kit.exclusive or not of_kit.any():
            continue
        for group in kit.exclusive:
            members = np.flatnonzero(of_kit & np.isin(keys.key, group))
            if len(members) > 1:
                found.append(_next_other(play.n, keys, members))
    return found


def _next_other(n: int, keys: Keys, members: Int) -> Int:
    """Return for each note the next one among ``members`` with its channel and another key."""
    by_channel = members[np.argsort(keys.channel[members], kind="stable")]
    place = (keys.channel[by_channel].astype(np.int64) << 7) | keys.key[by_channel]
    new: Flags = np.ones(len(place), np.bool_)
    new[1:] = place[1:] != place[:-1]
    starts = np.append(np.flatnonzero(new), len(place))
    following = starts[np.cumsum(new)]  # where the run of one key ends
    inside = np.minimum(following, len(place) - 1)
    same = (following < len(place)) & (place[inside] >> 7 == place >> 7)
    by = np.full(len(keys.key), n, np.int64)
    by[by_channel] = np.where(same, keys.down[by_channel[inside]], n)
    return by
