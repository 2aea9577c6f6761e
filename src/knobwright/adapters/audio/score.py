"""From what a module acted on to what can be played: notes, programs and roles with their times."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import NamedTuple

from knobwright.adapters.audio.roles import AT_REST, HOLD, roles_of
from knobwright.core.codec import events as ev
from knobwright.core.sheet.records import Sheet

_NS = 1e-9


class PlayedNote(NamedTuple):
    """A note begins (``velocity`` 1 to 127) or ends (0); ``at_s`` in seconds, channel 1 to 16."""

    at_s: float
    channel: int
    key: int
    velocity: int


class Control(NamedTuple):
    """A role takes a value (see ``roles.AT_REST`` for units).

    ``key`` is for a level per key; with ``None`` there, that of every key.
    """

    at_s: float
    channel: int
    role: str
    value: float
    key: int | None = None


class PlayedProgram(NamedTuple):
    """A channel changes its program: the program byte 0 to 127, and the bank (high, low)."""

    at_s: float
    channel: int
    number: int
    bank: tuple[int, int] = (0, 0)


Played = PlayedNote | Control | PlayedProgram


class Score(NamedTuple):
    """What is to be heard, in the order of time.

    ``drum_channels`` are 1 to 16. What a control is before its first event is in ``roles.AT_REST``.
    """

    events: tuple[Played, ...]
    drum_channels: tuple[int, ...] = (10,)

    @property
    def channels(self) -> tuple[int, ...]:
        """Return the channels with notes, ascending."""
        return tuple(sorted({e.channel for e in self.events if isinstance(e, PlayedNote)}))

    @property
    def end_s(self) -> float:
        """Return the time of the last event in seconds."""
        return max((event.at_s for event in self.events), default=0.0)


def make_score(acted: Iterable[tuple[int, ev.Event]], sheet: Sheet) -> Score:
    """Return the score of what a module acted on.

    Parameters
    ----------
    acted : iterable of (int, Event)
        Times in nanoseconds, ascending, with settings, programs and notes; ``Plain("reset")``
        lets every note go and brings back the sheet's defaults.
    sheet : Sheet
        The module's sheet.
    """
    return Score(tuple(_Scorer(sheet).run(acted)), sheet.module.drum_channels)


class _Scorer:
    def __init__(self, sheet: Sheet) -> None:
        self._sheet = sheet
        self._roles = roles_of(sheet)
        self._first = sheet.programs.first if sheet.programs else 1
        self._held: dict[tuple[int, int], None] = {}

    def run(self, acted: Iterable[tuple[int, ev.Event]]) -> Iterator[Played]:
        yield from self._defaults(0.0)
        for at_ns, event in acted:
            at_s = at_ns * _NS
            if isinstance(event, ev.Note):
                self._hold(event)
                yield PlayedNote(at_s, event.channel, event.key, event.velocity)
            elif isinstance(event, ev.ProgramSet):
                number = min(max(event.number - self._first, 0), 127)
                yield PlayedProgram(at_s, event.channel, number, event.bank)
            elif isinstance(event, ev.Setting):
                yield from self._setting(at_s, event)
            elif isinstance(event, ev.Plain) and event.words == "reset":
                yield from self._reset(at_s)

    def _hold(self, note: ev.Note) -> None:
        if note.velocity:
            self._held[note.channel, note.key] = None
        else:
            self._held.pop((note.channel, note.key), None)

    def _setting(self, at_s: float, setting: ev.Setting) -> Iterator[Control]:
        role = self._roles.get(setting.key)
        if role is None or not isinstance(setting.value, int):
            return  # a parameter whose sound nobody can guess
        value = role.convert(setting.value)
        channels = range(1, 17) if setting.channel is None else (setting.channel,)
        for channel in channels:
            yield Control(at_s, channel, role.name, value, setting.note)

    def _reset(self, at_s: float) -> Iterator[Played]:
        for channel, key in self._held:
            yield PlayedNote(at_s, channel, key, 0)
        self._held.clear()
        for channel in range(1, 17):
            yield Control(at_s, channel, HOLD, 0)
            yield PlayedProgram(at_s, channel, 0)
            for role in dict.fromkeys(role.name for role in self._roles.values()):
                yield Control(at_s, channel, role, AT_REST[role])
        yield from self._defaults(at_s)

    def _defaults(self, at_s: float) -> Iterator[Control]:
        """Yield what the sheet says that parameters are before anything came."""
        parameters = {parameter.key: parameter for parameter in self._sheet.parameters}
        for key, role in self._roles.items():
            default = parameters[key].default
            if not isinstance(default, int):
                continue
            for channel in range(1, 17):
                yield Control(at_s, channel, role.name, role.convert(default))
