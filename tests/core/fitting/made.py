"""Songs and a small module for tests, and a player that shares nothing with the program."""

from __future__ import annotations

import io
from fractions import Fraction
from functools import cache
from pathlib import Path
from typing import NamedTuple

import mido

from knobwright.adapters.files import sheets, standard
from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.fitting.programs import Names

ROOT = Path(__file__).parents[3]
LARKFIELD = ROOT / "examples" / "larkfield-bench" / "larkfield-t4.sheet.toml"


@cache
def larkfield() -> Codec:
    """Return the codec of the invented 28-voice module."""
    return Codec(sheets.load(str(LARKFIELD)).require())


@cache
def general_midi() -> Names:
    """Return the programs and drum keys of General MIDI."""
    return Names(codec_of(standard.text("general-midi-1")).sheet)


def codec_of(text: str) -> Codec:
    """Return the codec of a sheet's text."""
    return Codec(check_sheet(text, library=standard.library()).require())


class Played(NamedTuple):
    """A message as mido reads it: its tick, its time in seconds, track and bytes."""

    tick: int
    time_s: Fraction
    track: int
    message: bytes


def played(data: bytes) -> list[Played]:
    """Return a song's messages in playing order, by mido; meta events only for the tempo."""
    file = mido.MidiFile(file=io.BytesIO(data))
    rows: list[tuple[int, int, bytes]] = []
    tempos: list[tuple[int, int]] = []
    for number, track in enumerate(file.tracks):
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "set_tempo":
                tempos.append((tick, message.tempo))
            elif not message.is_meta:
                rows.append((tick, number, bytes(message.bytes())))
    rows.sort(key=lambda row: row[0])
    tempos.sort(key=lambda row: row[0])
    return [
        Played(tick, _seconds(tick, tempos, file.ticks_per_beat), track, message)
        for tick, track, message in rows
    ]


def _seconds(tick: int, tempos: list[tuple[int, int]], per_quarter: int) -> Fraction:
    done, at, tempo = Fraction(0), 0, 500_000
    for when, new in tempos:
        if when > tick:
            break
        done += Fraction((when - at) * tempo, per_quarter * 1_000_000)
        at, tempo = when, new
    return done + Fraction((tick - at) * tempo, per_quarter * 1_000_000)


def is_note(message: bytes) -> bool:
    """Return whether a message begins or ends a note."""
    return message[0] & 0xE0 == 0x80


class Heard:
    """What each note of a stream begins under: controllers, program, bend, registered values.

    Written for the tests from MIDI 1.0 alone (pages 11 to 18) and RP-015. It does not model
    exclusive messages, and takes General MIDI On as a reset of everything.
    """

    def __init__(self) -> None:
        self.channels: list[dict[object, object]] = [{} for _ in range(16)]
        self._selected: list[dict[int, int]] = [{} for _ in range(16)]
        self._kind: list[int] = [0] * 16

    def take(self, message: bytes) -> dict[object, object] | None:
        """Take a message; return the state of the channel where it begins a note."""
        if message[0] == 0xF0:
            if message[1] == 0x7E and message[3] == 0x09:
                self.__init__()  # type: ignore[misc]
            return None
        if message[0] >= 0xF0:
            return None
        channel, kind = message[0] & 15, message[0] >> 4
        state = self.channels[channel]
        if kind == 0x9 and message[2]:
            return {**state}
        if kind == 0xB:
            self._control(channel, message[1], message[2])
        elif kind == 0xC:
            state["program"] = (state.get(0, 0), state.get(32, 0), message[1])
        elif kind in (0xD, 0xE):
            state[kind << 8] = message[1:]
        return None

    def _control(self, channel: int, number: int, value: int) -> None:
        state, selected = self.channels[channel], self._selected[channel]
        if number in (98, 99, 100, 101):
            selected[number] = value
            self._kind[channel] = number & ~1
        elif number in (6, 38):
            low = self._kind[channel]
            name = (low, selected.get(low + 1), selected.get(low))
            if low and None not in name and name[1:] != (127, 127):
                state[(*name, number)] = value
                if number == 6:
                    state[(*name, 38)] = 0
        elif number == 121:
            for controller in (1, 11, 64, 65, 66, 67):
                state.pop(controller, None)
            state.pop(0xE00, None)
            state.pop(0xD00, None)
            self._kind[channel] = 0
        elif number < 120:
            state[number] = value
            if number < 32:  # a high part that comes sets the low part to 0 (page 12)
                state[number + 32] = 0
