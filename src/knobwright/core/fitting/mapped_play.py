"""What of a song decides about voices, as a module hears it behind the user's mapping.

Voices are counted by the module's own programs, so a song that is to be mapped must be counted as
mapped: a program that takes the place of another may take two voices a note.
"""

from __future__ import annotations

import numpy as np

from knobwright.core.fitting.mapping import Mapping
from knobwright.core.fitting.programs import Bank, Choice, Names
from knobwright.core.timing.voices.play import (
    BANK_HIGH,
    BANK_LOW,
    CONTROL,
    NOTE_OFF,
    NOTE_ON,
    PROGRAM,
    RESET,
    Play,
)

_Row = tuple[int, int, int, int, int]  # moment, step of the rank, status, first, second


def mapped_play(play: Play, mapping: Mapping, standard: Names, target: Names) -> Play:
    """Return a play with programs and drum keys of the module in place of those of the song.

    Parameters
    ----------
    play : Play
        Of the song as it is.
    mapping : Mapping
        The user's table.
    standard, target : Names
        Of the sheet by whose numbers the table's left side counts, and of the module's.

    Notes
    -----
    The numbers of the song's events stay, so that a change that is found here can be carried out on
    the song. Around a mapped program stand its bank and, behind it, the song's own bank again.
    """
    if not mapping.programs and not mapping.drums:
        return play
    first = play.first.copy()
    if mapping.drums:
        keys = np.arange(256, dtype=np.uint8)
        for key, to in mapping.drums.items():
            keys[key] = to
        drums = np.isin(play.channel + 1, target.drum_channels)
        drums &= play.of(NOTE_ON) | play.of(NOTE_OFF)
        first[drums] = keys[first[drums]]
    added: list[_Row] = []
    banks: dict[int, Bank] = {}
    chosen = play.of(PROGRAM) | (play.status == RESET)
    chosen[play.moments(BANK_HIGH, BANK_LOW)] = True
    for moment in np.flatnonzero(chosen).tolist():
        status, number = int(play.status[moment]), int(play.first[moment])
        channel = status & 0x0F
        high, low = banks.get(channel, (0, 0))
        if status == RESET:
            banks.clear()
        elif status & 0xF0 == CONTROL:
            value = int(play.second[moment])
            banks[channel] = (value, low) if number == BANK_HIGH else (high, value)
        else:
            source = Choice(number + standard.first, (high, low))
            is_drums = target.is_drums(channel + 1)
            stands = mapping.program(source, channel + 1, is_drums=is_drums)
            if stands is not None:
                first[moment] = stands.number - target.first
                added += _bank(moment, -1, channel, stands.bank)
                added += _bank(moment, 1, channel, (high, low))
    return _with(play._replace(first=first), added)


def _bank(moment: int, step: int, channel: int, bank: Bank) -> list[_Row]:
    status = CONTROL | channel
    return [(moment, step, status, BANK_HIGH, bank[0]), (moment, step, status, BANK_LOW, bank[1])]


def _with(play: Play, added: list[_Row]) -> Play:
    """Return a play with rows beside some of its moments: they have no event of the song."""
    if not added:
        return play
    rows = np.array(added, np.int64)
    at = rows[:, 0]
    ticks = np.concatenate((play.tick, play.tick[at]))
    ranks = np.concatenate((play.rank, play.rank[at] + rows[:, 1]))
    order = np.lexsort((ranks, ticks))  # stable: what is added in one place stays in its order
    new = rows[:, 2:].astype(np.uint8)
    return play._replace(
        ns=np.concatenate((play.ns, play.ns[at]))[order],
        tick=ticks[order],
        status=np.concatenate((play.status, new[:, 0]))[order],
        first=np.concatenate((play.first, new[:, 1]))[order],
        second=np.concatenate((play.second, new[:, 2]))[order],
        rank=ranks[order],
        track=np.concatenate((play.track, play.track[at]))[order],
    )
