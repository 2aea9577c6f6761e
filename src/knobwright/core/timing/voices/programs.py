"""What each note takes: voices and tail of its program, drums and their kit.

A program change takes the bank that was selected last; bank select alone changes nothing, and the
bank stays selected (MIDI 1.0 Detailed Specification 4.2.1, p. 13). Notes that sound keep their old
sound (General MIDI 2, 1.2a, recommended), so a note is of the program at its beginning. Before the
first program change a channel has program byte 0 of bank 0, 0.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from knobwright.core.timing.voices.lookup import Said, said
from knobwright.core.timing.voices.module import Cost, Drums, Polyphony
from knobwright.core.timing.voices.notes import Keys
from knobwright.core.timing.voices.play import (
    BANK_HIGH,
    BANK_LOW,
    N_CHANNELS,
    PROGRAM,
    Flags,
    Int,
    Play,
)  # fmt: skip

_NS = 1_000_000
_START = (0, 0, 0)


class Sounds(NamedTuple):
    """What each note takes: arrays as long as there are notes.

    ``voices`` are those of one note; ``tail_ns`` its ring after the release or, where ``one_shot``,
    from its start; ``is_drum`` tells the notes of drum channels, and ``kit`` the number of their
    kit in ``kits``, -1 for none; ``program`` is bank high, bank low and program byte as one number:
    high * 16384 + low * 128 + program.
    """

    voices: Int
    tail_ns: Int
    one_shot: Flags
    is_drum: Flags
    kit: Int
    program: Int
    kits: tuple[Drums, ...]


def sounds_of(play: Play, keys: Keys, module: Polyphony) -> Sounds:
    """Return what each note takes.

    Parameters
    ----------
    play, keys
        Of the song.
    module : Polyphony
        What the module does.
    """
    program = programs(play, module)
    place, known = program.place_before(keys.channel, keys.down)
    drums = np.isin(np.arange(N_CHANNELS) + 1, module.drum_channels)[keys.channel]
    # Few programs, many notes: each program is looked up once, number 0 being the start.
    codes, which = np.unique(np.append(program.values, _code(_START)), return_inverse=True)
    found = [_triple(code) for code in codes.tolist()]
    kits, first_kit = tuple(module.kits.values()), 0 if module.kits else -1
    kit_numbers = {triple: number for number, triple in enumerate(module.kits)}
    costs = np.array([_cost(module, triple) for triple in found], np.int64).reshape(-1, 2)
    kit_of = np.array([kit_numbers.get(triple, first_kit) for triple in found], np.int64)
    row = np.where(known, which[place], which[-1])
    kit = np.where(drums, kit_of[row], -1)
    kit_tails = np.array([_drum_ns(module, drum) for drum in (*kits, Drums())], np.int64)
    one_shot = drums if module.choices.one_shot else np.zeros_like(drums)
    tail = np.where(drums, kit_tails[kit], costs[row, 1])
    voices = np.where(drums, 1, costs[row, 0])
    return Sounds(voices, tail, one_shot, drums, kit, codes[row], kits)


def programs(play: Play, module: Polyphony) -> Said:
    """Return the programs that channels are given, banks in front of them, as :class:`Sounds` says.

    A reset of the module brings program and bank back to the start.
    """
    moments = np.flatnonzero(play.of(PROGRAM))
    code = play.first[moments].astype(np.int64)
    for number, shift, heard in zip((BANK_HIGH, BANK_LOW), (14, 7), module.hears_bank, strict=True):
        at = play.moments(number)
        if heard and len(at):
            banks = said(play, at, play.second[at].astype(np.int64), on_reset=0)
            code += banks.before(play.channel[moments], moments, 0) << shift
    return said(play, moments, code, on_reset=_code(_START))


def _code(triple: tuple[int, int, int]) -> int:
    return (triple[0] << 14) | (triple[1] << 7) | triple[2]


def _triple(code: int) -> tuple[int, int, int]:
    return code >> 14, (code >> 7) & 127, code & 127


def _cost(module: Polyphony, triple: tuple[int, int, int]) -> tuple[int, int]:
    """Return voices and tail of a program; one that the sheet does not know takes one voice."""
    cost = module.programs.get(triple, Cost())
    tail_ns = cost.tail_ns if cost.tail_ns >= 0 else module.choices.tail_ms * _NS
    return cost.voices, tail_ns * module.choices.tail_percent // 100


def _drum_ns(module: Polyphony, drums: Drums) -> int:
    """Return how long a drum rings: from its start, or after its release where it is no one-shot.

    A one-shot has some length, or it would never sound.
    """
    if module.choices.one_shot:
        return max(drums.tail_ns if drums.tail_ns > 0 else module.choices.drum_ms * _NS, 1)
    tail_ns = drums.tail_ns if drums.tail_ns >= 0 else module.choices.tail_ms * _NS
    return tail_ns * module.choices.tail_percent // 100
