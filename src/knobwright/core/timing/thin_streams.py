"""The streams of values in a song, cut wherever something else may have set the parameter.

A stretch of a stream holds the values of one parameter between which nothing else touches it. It is
cut at programs, channel mode, exclusive messages that no sheet explains as one value, steps (96,
97) and, for pitch bend, a new bend range. Without a sheet nobody knows which controllers an NRPN
moves, so that NRPN data cut the controllers of their channel, and the other way round.

Two halves of a value belong together where the low one follows the high one on its channel with
nothing in between; a stream in which a low half comes alone is left as it is. So are switches (64
to 69), banks, what is meant for the next note (84, 88), steps, bend range, tuning and its choices.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import NamedTuple

from knobwright.core.codec.events import Dump, Event, Part, Setting
from knobwright.core.codec.plan import Codec
from knobwright.core.timing.classify import (
    DATA,
    DATA_HIGH,
    DATA_LOW,
    FIRST_MODE,
    NRPN,
    NULL,
    RESET_CONTROLLERS,
    RPN,
    SELECTORS,
    of_controller,
    of_data,
)
from knobwright.core.timing.items import VALUE
from knobwright.core.timing.settings import is_continuous, place_of, shared_bases
from knobwright.core.timing.thin_points import Point

_CENTRE_BEND = 8192
_MAX_BEND = 16383
#: What a key of a stream begins with.
_KINDS = ("bend", "pressure", "cc", RPN, NRPN, "place")
_BEND_RANGE = 2.0  # semitones; the default of General MIDI 1 (RP-003) where a song says nothing


class Tolerances(NamedTuple):
    """How far a held value may be from what the song says.

    ``bend_cents``: pitch bend, in cents by the bend range in force; 5 is what many listeners just
    miss (common practice, no source). ``steps``: controllers, data of RPN and NRPN, and parameters
    of a sheet without a tolerance of their own: in steps of which the whole range has 127.
    ``pressure_steps``: channel and key pressure, 0 to 127. ``by_controller``: of single
    controllers, in steps. ``by_parameter``: of single parameters of the sheet, in the unit that
    they are shown in.
    """

    bend_cents: float = 5.0
    steps: float = 1.0
    pressure_steps: float = 2.0
    by_controller: Mapping[int, float] = {}
    by_parameter: Mapping[str, float] = {}


def _kind_of(key: Hashable) -> str:
    """Return what kind of stream a key names: one of ``_KINDS``."""
    assert isinstance(key, tuple)
    return str(key[0])


class Stretch(NamedTuple):
    """Values of one parameter: its name and channel (1 to 16, 0: of the module), and its points."""

    name: str
    channel: int
    tolerance: float
    unit: str
    points: list[Point]


class Streams:
    """Collects the stretches of a song: give it every message in playing order.

    Parameters
    ----------
    tolerances : Tolerances
    codec : Codec, optional
        Tells which parameter of a sheet messages set.
    """

    def __init__(self, tolerances: Tolerances, codec: Codec | None = None) -> None:
        self._tolerances = tolerances
        self._codec = codec
        self._decoder = codec.decoder() if codec is not None else None
        self._shared = shared_bases(codec.sheet.parameters) if codec is not None else {}
        self._open: dict[Hashable, Stretch] = {}
        # Open streams by channel and kind, so that a cut looks only at what it ends.
        self._groups: dict[tuple[int, str], dict[Hashable, None]] = {}
        self._done: list[tuple[Hashable, Stretch]] = []
        self._poisoned: set[Hashable] = set()
        self._last = [-1] * 16  # number of the last message of each channel
        self._half: list[tuple[int, int]] = [(-1, -1)] * 16  # number and controller of a high half
        self._numbers: list[dict[int, int]] = [{} for _ in range(16)]
        self._kind = [""] * 16
        self._range = [_BEND_RANGE] * 16

    def stretches(self) -> list[Stretch]:
        """Return all stretches of streams that may be thinned."""
        rows = [*self._done, *self._open.items()]
        return [stretch for key, stretch in rows if key not in self._poisoned]

    def take(self, number: int, at_ns: int, message: bytes, *, loose: bool = True) -> None:
        """Take the next message.

        Parameters
        ----------
        number : int
            Its number in the song.
        at_ns : int, nanoseconds
        message : bytes
        loose : bool
            Whether it could be taken out of the file at all.
        """
        status = message[0]
        if status >= 0xF0:
            self._system(number, at_ns, message, loose)
            return
        channel, kind = status & 15, status >> 4
        if kind == 0xB:
            self._control(channel, number, at_ns, message, loose)
        elif kind > 0x9:
            if self._decoder is not None and kind == 0xC:
                self._decoder.feed(message)
            self._voice(channel, kind, number, at_ns, message, loose)
        self._last[channel] = number

    def note(self, number: int, message: bytes) -> None:
        """Take a note in place of :meth:`take`: it changes nothing, but parts two halves."""
        self._last[message[0] & 15] = number

    # -- points --------------------------------------------------------------------------------

    def _add(
        self, key: Hashable, point: Point, name: str, channel: int, tolerance: float, unit: str,
        loose: bool,
    ) -> None:  # fmt: skip
        if not loose:
            self._cut_key(key)
            return
        stretch = self._open.get(key)
        if stretch is None:
            stretch = self._open[key] = Stretch(name, channel, tolerance, unit, [])
            self._groups.setdefault((channel, _kind_of(key)), {})[key] = None
        stretch.points.append(point)

    def _cut_key(self, key: Hashable) -> None:
        stretch = self._open.pop(key, None)
        if stretch is not None:
            del self._groups[stretch.channel, _kind_of(key)][key]
            self._done.append((key, stretch))

    def _cut(self, channel: int | None, *kinds: str) -> None:
        """End the stretches of a channel (0 to 15; ``None``: of all), of some kinds or of all."""
        for at in range(17) if channel is None else (0, channel + 1):
            for kind in kinds or _KINDS:
                for key in [*self._groups.get((at, kind), ())]:
                    self._cut_key(key)

    # -- messages ------------------------------------------------------------------------------

    def _system(self, number: int, at_ns: int, message: bytes, loose: bool) -> None:
        status = message[0]
        if status >= 0xF8 and status != 0xFF:
            return
        if status == 0xF0 and self._decoder is not None:
            events = self._decoder.feed(message)
            if self._by_sheet(events, (number,), at_ns, loose):
                return
        if 0xF1 <= status <= 0xF3:
            return
        self._cut(None)

    def _voice(
        self, channel: int, kind: int, number: int, at_ns: int, message: bytes, loose: bool
    ) -> None:
        tolerances = self._tolerances
        if kind == 0xC:
            self._cut(channel)
        elif kind == 0xE:
            raw = message[1] | message[2] << 7
            cents = (raw - _CENTRE_BEND) * self._range[channel] * 100 / _CENTRE_BEND
            mark = raw in (0, _CENTRE_BEND, _MAX_BEND)
            self._add(("bend", channel), Point((number,), at_ns, raw, cents, mark), "pitch bend",
                      channel + 1, tolerances.bend_cents, "cents", loose)  # fmt: skip
        else:
            value = message[-1]
            note = message[1] if kind == 0xA else None
            name = "channel pressure" if note is None else f"pressure of key {note}"
            point = Point((number,), at_ns, value, value, value in (0, 127))
            self._add(("pressure", channel, note), point, name, channel + 1,
                      tolerances.pressure_steps, "steps", loose)  # fmt: skip

    def _control(self, channel: int, number: int, at_ns: int, message: bytes, loose: bool) -> None:
        controller, value = message[1], message[2]
        events = self._decoder.feed(message) if self._decoder is not None else []
        if controller >= FIRST_MODE:
            self._cut(None if controller == 126 else channel)  # mono may mean several channels
            if controller == RESET_CONTROLLERS:
                self._numbers[channel].clear()
                self._kind[channel] = ""
        elif controller in SELECTORS:
            self._kind[channel] = NRPN if controller < 100 else RPN
            self._numbers[channel][controller] = value
        elif controller in DATA:
            self._data(channel, number, at_ns, message, events, loose)
        elif of_controller(channel, controller).sort == VALUE:
            self._value(channel, number, at_ns, message, events, loose)
        elif any(isinstance(event, Setting) for event in events):
            self._cut(channel)  # the sheet says that a switch sets something

    def _value(
        self, channel: int, number: int, at_ns: int, message: bytes, events: list[Event],
        loose: bool,
    ) -> None:  # fmt: skip
        """Take a plain controller."""
        controller = message[1]
        members = self._members(channel, number, controller)
        low_alone = 32 <= controller < 64 and len(members) == 1
        if self._by_sheet(events, members, at_ns, loose, low_alone):
            return
        base = controller & 31 if controller < 64 else controller
        if self._codec is None:
            self._cut(channel, NRPN)
        tolerance = self._tolerances.by_controller.get(base, self._tolerances.steps)
        self._half_or_whole(("cc", channel, base), channel, members, at_ns, message,
                            f"controller {base}", tolerance, loose)  # fmt: skip

    def _data(
        self, channel: int, number: int, at_ns: int, message: bytes, events: list[Event],
        loose: bool,
    ) -> None:  # fmt: skip
        """Take data of the selected parameter."""
        kind, numbers = self._kind[channel], self._numbers[channel]
        low_number = 98 if kind == NRPN else 100
        high, low = numbers.get(low_number + 1, NULL), numbers.get(low_number, NULL)
        if message[1] not in (DATA_HIGH, DATA_LOW) or not kind or high == low == NULL:
            self._cut(channel)
            return
        if kind == RPN and (high, low) == (0, 0):
            self._new_range(channel, message)
            return
        members = self._members(channel, number, message[1])
        if of_data(channel, kind, high, low, message[1]).sort != VALUE:
            return
        low_alone = message[1] == DATA_LOW and len(members) == 1
        if self._by_sheet(events, members, at_ns, loose, low_alone):
            return
        if self._codec is None and kind == NRPN:
            self._cut(channel, "cc")
        self._half_or_whole((kind, channel, high, low), channel, members, at_ns, message,
                            f"{kind.upper()} {high} {low}", self._tolerances.steps,
                            loose)  # fmt: skip

    def _new_range(self, channel: int, message: bytes) -> None:
        """Take a bend range: what a bend means is another thing now."""
        cents = round(self._range[channel] % 1 * 100)
        semitones = int(self._range[channel])
        if message[1] == DATA_HIGH:
            semitones, cents = message[2], 0
        else:
            cents = message[2]
        self._range[channel] = semitones + cents / 100
        self._cut(channel, "bend")

    # -- halves --------------------------------------------------------------------------------

    def _members(self, channel: int, number: int, controller: int) -> tuple[int, ...]:
        """Return the messages of the value that a controller completes: its high half too."""
        at, high = self._half[channel]
        if 0 <= high < 32 and controller == high + 32 and at == self._last[channel]:
            return (at, number)
        self._half[channel] = (number, controller)
        return (number,)

    def _half_or_whole(
        self, key: Hashable, channel: int, members: tuple[int, ...], at_ns: int, message: bytes,
        name: str, tolerance: float, loose: bool,
    ) -> None:  # fmt: skip
        """Take a value of 7 bits, or the low half of one of 14."""
        raw = message[2] << 7
        if 32 <= message[1] < 64:
            stretch = self._open.get(key)
            points = stretch.points if stretch is not None else []
            if not points or points[-1].members != members[:1] or len(members) < 2:
                self._poisoned.add(key)
                return
            raw = points.pop().raw | message[2]
        mark = raw in (0, 64 << 7, 127 << 7, _MAX_BEND)
        self._add(key, Point(members, at_ns, raw, raw / 128, mark), name, channel + 1, tolerance,
                  "steps", loose)  # fmt: skip

    # -- the sheet -----------------------------------------------------------------------------

    def _by_sheet(
        self, events: list[Event], members: tuple[int, ...], at_ns: int, loose: bool,
        low_alone: bool = False,
    ) -> bool:  # fmt: skip
        """Take what the sheet makes of a message; return whether it explains it."""
        settings = [event for event in events if isinstance(event, Setting)]
        if any(isinstance(event, Dump) for event in events):
            self._cut(None)
            return True
        if not settings:
            return any(isinstance(event, Part) for event in events)
        setting = settings[0]
        if len(settings) > 1 or not self._is_plain(setting):
            for event in settings:
                self._cut(None if event.channel is None else event.channel - 1)
            return True
        if low_alone:  # where it lands depends on a high half that might be taken out
            self._poisoned.add(self._key(setting))
        self._add_setting(setting, members, at_ns, loose)
        return True

    def _is_plain(self, setting: Setting) -> bool:
        assert self._codec is not None
        parameter = self._codec.parameters[setting.key]
        one = type(setting.value) is int and setting.sure and not (setting.implied or setting.step)
        alone = not any(route.template.line.others for route in parameter.routes)
        return one and alone and is_continuous(parameter)

    def _key(self, setting: Setting) -> Hashable:
        assert self._codec is not None
        parameter = self._codec.parameters[setting.key]
        return place_of(parameter, setting.channel, setting.note, self._shared).base

    def _add_setting(
        self, setting: Setting, members: tuple[int, ...], at_ns: int, loose: bool
    ) -> None:
        """Take one value of one continuous parameter."""
        codec = self._codec
        assert codec is not None
        assert isinstance(setting.value, int)
        raw = setting.value
        parameter = codec.parameters[setting.key]
        key = self._key(setting)
        low, high = parameter.ranges[0][0], parameter.ranges[-1][1]
        own = self._tolerances.by_parameter.get(setting.key)
        shown: float | None = raw * 127 / max(high - low, 1)
        unit, tolerance = "steps", self._tolerances.steps
        if own is not None:
            scale = codec.scale(setting.key)
            shown, unit, tolerance = scale.raw_to_value(raw), scale.unit, own
        stretch = self._open.get(key)
        if stretch is not None and stretch.points[-1].members == members[:1] and members[1:]:
            stretch.points.pop()  # the low half of what came just now
        marks = (low, high, (low + high + 1) // 2, parameter.default)
        name = setting.key if setting.note is None else f"{setting.key} of key {setting.note}"
        self._add(key, Point(members, at_ns, raw, shown, raw in marks), name,
                  setting.channel or 0, tolerance, unit, loose)  # fmt: skip
