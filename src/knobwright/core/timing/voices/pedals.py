"""When notes enter their release: keys, the damper pedal (64) and the sostenuto pedal (66).

A switch is on from 64 (MIDI 1.0 Detailed Specification 4.2.1, p. 12). The damper holds every note
whose key comes up while it is down. The sostenuto holds the notes whose keys are down at the moment
it is pressed, and no others; it is pressed when it was up before. A note is released when its key
and every pedal that holds it are up; a pedal catches nothing that was released before. Reset All
Controllers (121) lifts both (RP-015), and so does a reset of the module. Hold 2 (69) and half
pedals are not modelled: most modules know neither (common practice, no source).
"""

from __future__ import annotations

import numpy as np

from knobwright.core.timing.voices.lookup import Said, said
from knobwright.core.timing.voices.notes import Keys
from knobwright.core.timing.voices.play import (
    DAMPER,
    RESET_CONTROLLERS,
    SOSTENUTO,
    Byte,
    Int,
    Play,
)  # fmt: skip

_ON = 64


def pedal(play: Play, number: int) -> Said:
    """Return where a pedal is put up (0) or down (1), on all channels."""
    moments = play.moments(number, RESET_CONTROLLERS)
    down = (play.first[moments] == number) & (play.second[moments] >= _ON)
    return said(play, moments, down.astype(np.int64), on_reset=0)


def released(play: Play, keys: Keys) -> Int:
    """Return the moment at which each note enters its release; ``play.n`` where it never does."""
    up = keys.up
    sostenuto = pedal(play, SOSTENUTO)
    if sostenuto.values.any():
        up = _after_sostenuto(sostenuto, keys)
    damper = pedal(play, DAMPER)
    return _after_damper(damper, keys.channel, up) if damper.values.any() else up


def _after_sostenuto(sostenuto: Said, keys: Keys) -> Int:
    """Return when key and sostenuto are both up.

    The press that counts is the one under way when the key comes up: it caught the note when it
    came after the note began. Every earlier one is over.
    """
    place, known = sostenuto.place_before(keys.channel, keys.up)
    is_down = known & (sostenuto.values[place] == 1)
    pressed = sostenuto.keys[_presses(sostenuto)[place]] - keys.channel * np.int64(sostenuto.stride)
    # At the very end no pedal matters any more: what is down then is never let go.
    caught = is_down & (pressed > keys.down) & (keys.up < sostenuto.stride - 1)
    return np.where(caught, sostenuto.only(0).after(keys.channel, keys.up), keys.up)


def _presses(pedal: Said) -> Int:
    """Return for each message of a pedal where it was last pressed: from up to down."""
    n = len(pedal.keys)
    same = np.zeros(n, np.bool_)
    same[1:] = pedal.keys[1:] // pedal.stride == pedal.keys[:-1] // pedal.stride
    before = np.zeros(n, np.int64)
    before[1:] = np.where(same[1:], pedal.values[:-1], 0)
    press = (pedal.values == 1) & (before == 0)
    last: Int = np.maximum.accumulate(np.where(press, np.arange(n), 0))
    return last


def _after_damper(damper: Said, channel: Byte, up: Int) -> Int:
    """Return when the damper is up, too."""
    held = damper.before(channel, up, 0) == 1
    return np.where(held, damper.only(0).after(channel, up), up)


def never_lifted(play: Play, number: int) -> list[tuple[int, int]]:
    """Return (channel 0 to 15, moment) of each pedal that is down when the song ends."""
    at = pedal(play, number)
    last = np.ones(len(at.keys), np.bool_)
    last[:-1] = at.keys[1:] // at.stride != at.keys[:-1] // at.stride
    rows = np.flatnonzero(last & (at.values == 1))
    if not len(rows):
        return []
    pressed = at.keys[_presses(at)[rows]]
    return list(zip((pressed // at.stride).tolist(), (pressed % at.stride).tolist(), strict=True))
