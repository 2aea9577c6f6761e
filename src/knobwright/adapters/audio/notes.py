"""The notes of a score with beginning and end, as the built-in tone plays them."""

from __future__ import annotations

from typing import NamedTuple

from knobwright.adapters.audio.roles import HOLD
from knobwright.adapters.audio.score import Control, PlayedNote, PlayedProgram, Score

_HOLD_ON = 64  # switches: 64 and up is on (MIDI 1.0, page 12)


class Sounding(NamedTuple):
    """A note from its beginning to where it is let go, in seconds, with the program of its start.

    A program change leaves notes that sound as they are (General MIDI 2, RP-024: recommended).
    """

    start_s: float
    end_s: float
    channel: int
    key: int
    velocity: int
    program: int


def sounding(score: Score) -> list[Sounding]:
    """Return the notes of a score in the order of their ends.

    A note that begins again while it sounds ends the first. Under the hold pedal a note goes on
    until the pedal is let go; what is never let go ends with the last event.
    """
    return _Follower().run(score)


class _Follower:
    def __init__(self) -> None:
        self._on: dict[tuple[int, int], tuple[float, int, int]] = {}
        self._kept: set[tuple[int, int]] = set()
        self._programs: dict[int, int] = {}
        self._pedals: dict[int, bool] = {}
        self._found: list[Sounding] = []

    def run(self, score: Score) -> list[Sounding]:
        for event in score.events:
            if isinstance(event, PlayedNote):
                self._note(event)
            elif isinstance(event, PlayedProgram):
                self._programs[event.channel] = event.number
            elif event.role == HOLD:
                self._pedal(event)
        for place in tuple(self._on):
            self._end(place, score.end_s)
        return self._found

    def _note(self, note: PlayedNote) -> None:
        place = (note.channel, note.key)
        if note.velocity:
            self._end(place, note.at_s)
            program = self._programs.get(note.channel, 0)
            self._on[place] = (note.at_s, note.velocity, program)
        elif self._pedals.get(note.channel):
            self._kept.add(place)
        else:
            self._end(place, note.at_s)

    def _pedal(self, control: Control) -> None:
        down = control.value >= _HOLD_ON
        self._pedals[control.channel] = down
        if not down:
            for place in [place for place in self._kept if place[0] == control.channel]:
                self._end(place, control.at_s)

    def _end(self, place: tuple[int, int], at_s: float) -> None:
        self._kept.discard(place)
        started = self._on.pop(place, None)
        if started is not None:
            start_s, velocity, program = started
            self._found.append(Sounding(start_s, at_s, *place, velocity, program))
