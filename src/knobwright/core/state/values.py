"""What is known of a module's parameters: unknown, sent or heard.

Most modules can only listen, so that what we sent is all we know; what a module itself says (in a
dump, or by a knob of its own) was *heard*. Nothing here reads a clock: whoever notes a value says
when, in nanoseconds.

A program change leaves parameters as they are known: General MIDI 2 (RP-024, 1.2a) recommends that
a receiver keeps its controllers then, and no sheet can say otherwise yet.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from msgspec import Struct

from knobwright.core.codec.events import Dump, Event, ProgramSet, Setting
from knobwright.core.errors import InputError, NamingError
from knobwright.core.sheet.records import Parameter, Raw, Sheet

UNKNOWN = "unknown"
SENT = "sent"
HEARD = "heard"
#: Every state of a value.
STATES = (UNKNOWN, SENT, HEARD)

#: A parameter's key, its channel (1 to 16 or ``None``) and its key number (0 to 127 or ``None``).
Place = tuple[str, int | None, int | None]

_N_CHANNELS = 16
_N_KEYS = 128


class Known(Struct, frozen=True, tag="value"):
    """What is known of one parameter at one place.

    ``raw`` is ``None`` and ``at_ns`` 0 while ``state`` is unknown.
    """

    key: str
    channel: int | None
    note: int | None
    state: str = UNKNOWN
    raw: Raw | None = None
    at_ns: int = 0


class KnownProgram(Struct, frozen=True, tag="program"):
    """What is known of a channel's program: the printed number and the bank (high, low)."""

    channel: int
    state: str = UNKNOWN
    number: int | None = None
    bank: tuple[int, int] = (0, 0)
    at_ns: int = 0


class Values:
    """The values of one module, as far as they are known.

    Parameters
    ----------
    sheet : Sheet
        A checked sheet. Values are taken as the codec gives them: they are not checked again.
    """

    def __init__(self, sheet: Sheet) -> None:
        self._sheet = sheet
        self._parameters: dict[str, Parameter] = {p.key: p for p in sheet.parameters}
        # Each is in the order of last set: a value that is set again moves to the end.
        self._known: dict[Place | int, Known | KnownProgram] = {}
        self._wanted: dict[Place | int, Known | KnownProgram] = {}

    # -- noting ----------------------------------------------------------------------------------

    def sent(
        self,
        key: str,
        raw: Raw,
        channel: int | None = None,
        note: int | None = None,
        at_ns: int = 0,
    ) -> None:
        """Note that a value was sent.

        Parameters
        ----------
        key : str
            The parameter's key.
        raw : int, str or tuple of int
            The raw value.
        channel : int, 1 to 16, optional
            Needed where the parameter is per channel, passed over elsewhere.
        note : int, 0 to 127, optional
            Needed where the parameter is per key, passed over elsewhere.
        at_ns : int, nanoseconds
            When, on the caller's clock.

        Raises
        ------
        NamingError
            There is no such parameter.
        InputError
            The channel or key number is missing or out of range.
        """
        self._set(SENT, key, raw, channel, note, at_ns)

    def heard(
        self,
        key: str,
        raw: Raw,
        channel: int | None = None,
        note: int | None = None,
        at_ns: int = 0,
    ) -> None:
        """Note that the module itself said a value; parameters and errors as in :meth:`sent`."""
        self._set(HEARD, key, raw, channel, note, at_ns)

    def program_sent(
        self, channel: int, number: int, bank: tuple[int, int] = (0, 0), at_ns: int = 0
    ) -> None:
        """Note that a program was chosen: channel 1 to 16, printed number, bank (high, low)."""
        self._put(channel, KnownProgram(channel, SENT, number, bank, at_ns))

    def program_heard(
        self, channel: int, number: int, bank: tuple[int, int] = (0, 0), at_ns: int = 0
    ) -> None:
        """Note that the module itself changed its program."""
        self._put(channel, KnownProgram(channel, HEARD, number, bank, at_ns))

    def take(self, events: Iterable[Event], at_ns: int = 0, *, state: str = SENT) -> None:
        """Note everything that a decoder's events set.

        A setting that is not sure (it could be one of several parameters) makes each of them
        unknown: the module holds something else now, and nobody can say which.
        """
        for event in events:
            if isinstance(event, ProgramSet):
                program = KnownProgram(event.channel, state, event.number, event.bank, at_ns)
                self._put(event.channel, program)
            elif isinstance(event, Dump):
                self.take(event.settings, at_ns, state=state)
            elif isinstance(event, Setting):
                if event.sure:
                    self._set(state, event.key, event.value, event.channel, event.note, at_ns)
                else:
                    place = self.place(event.key, event.channel, event.note)
                    self._known.pop(place, None)
                    self._wanted.pop(place, None)

    def off(self) -> None:
        """Note that the module was switched off: every value is unknown.

        What was set before is remembered for :meth:`should_have`.
        """
        self._known.clear()

    def restore(self, values: Iterable[Known | KnownProgram]) -> int:
        """Remember what the module should have, as :meth:`remembered` gave it some time ago.

        Nothing becomes known by it: the module may have been off in between. What is remembered
        already counts as set after it.

        Returns
        -------
        int
            How many values were left out, since the sheet has no such place any more or the value
            is none.
        """
        newer = dict(self._wanted)
        self._wanted.clear()
        n_left_out = 0
        for value in values:
            try:
                if isinstance(value, KnownProgram):
                    place: Place | int = _channel(value.channel, "a program")
                else:
                    place = self.place(value.key, value.channel, value.note)
            except InputError:  # naming errors too
                n_left_out += 1
                continue
            if (value.number if isinstance(value, KnownProgram) else value.raw) is None:
                n_left_out += 1
                continue
            if isinstance(value, Known) and not isinstance(place, int):
                value = Known(*place, value.state, value.raw, value.at_ns)
            self._wanted.pop(place, None)
            self._wanted[place] = value
        for newer_place, value in newer.items():
            self._wanted.pop(newer_place, None)
            self._wanted[newer_place] = value
        return n_left_out

    def reset(self) -> None:
        """Note that the module was reset on purpose: every value is unknown, and none is owed."""
        self._known.clear()
        self._wanted.clear()

    # -- asking ----------------------------------------------------------------------------------

    def get(self, key: str, channel: int | None = None, note: int | None = None) -> Known:
        """Return what is known of a parameter; errors as in :meth:`sent`."""
        place = self.place(key, channel, note)
        found = self._known.get(place)
        return found if isinstance(found, Known) else Known(*place)

    def program(self, channel: int) -> KnownProgram:
        """Return what is known of the program of a channel (1 to 16)."""
        found = self._known.get(_channel(channel, "a program"))
        return found if isinstance(found, KnownProgram) else KnownProgram(channel)

    def lookup(self, key: str, channel: int | None, note: int | None) -> Raw | None:
        """Return the raw value, or ``None`` where it is not known: a ``Lookup`` for the codec."""
        return self.get(key, channel, note).raw

    def known(self) -> Iterator[Known | KnownProgram]:
        """Yield everything that is known, in the order in which it was last set."""
        yield from tuple(self._known.values())

    def missing(self) -> Iterator[Known]:
        """Yield every place of every parameter whose value is unknown, in the sheet's order.

        Actions have no value. A parameter per key has a place for each key that a drum kit of the
        sheet names, or for all 128 where no kit names any.
        """
        keys = sorted({key for kit in self._sheet.kits for key in kit.names}) or range(_N_KEYS)
        for parameter in self._sheet.parameters:
            if parameter.is_action:
                continue
            channels = self._sheet.module.channels if "channel" in parameter.per else (None,)
            for channel in channels:
                for note in keys if "key" in parameter.per else (None,):
                    place = (parameter.key, channel, note)
                    if place not in self._known:
                        yield Known(*place)

    def should_have(self) -> Iterator[Known | KnownProgram]:
        """Yield what to send again, in the order in which it was last set.

        That is every value and program that was set and is unknown now, each in the state it
        had. Actions and lines marked as dangerous are left out: they are not sent unasked.
        """
        for value in self.remembered():
            place = value.channel if isinstance(value, KnownProgram) else _place_of(value)
            if place not in self._known:
                yield value

    def remembered(self) -> Iterator[Known | KnownProgram]:
        """Yield every value and program that was set, known now or not, in the order of last set.

        Actions and lines marked as dangerous are left out, as in :meth:`should_have`.
        """
        for wanted in tuple(self._wanted.values()):
            if isinstance(wanted, Known):
                parameter = self._parameters[wanted.key]
                if parameter.is_action or parameter.danger:
                    continue
            yield wanted

    def place(self, key: str, channel: int | None = None, note: int | None = None) -> Place:
        """Return the place that a value belongs to; what its ``per`` does not name is ``None``.

        Raises
        ------
        NamingError
            There is no such parameter.
        InputError
            The channel or key number is missing or out of range.
        """
        parameter = self._parameters.get(key)
        if parameter is None:
            raise NamingError(f"no parameter has the key {key!r}")
        at = _channel(channel, key) if "channel" in parameter.per else None
        if "key" not in parameter.per:
            return key, at, None
        if note is None or not 0 <= note < _N_KEYS:
            found = "none" if note is None else str(note)
            raise InputError(f"{key} has a value for each key, 0 to 127; found {found}")
        return key, at, note

    # -- inside ----------------------------------------------------------------------------------

    def _set(
        self, state: str, key: str, raw: Raw, channel: int | None, note: int | None, at_ns: int
    ) -> None:
        place = self.place(key, channel, note)
        self._put(place, Known(*place, state, raw, at_ns))

    def _put(self, place: Place | int, value: Known | KnownProgram) -> None:
        if isinstance(place, int):
            _channel(place, "a program")
        for held in (self._known, self._wanted):
            held.pop(place, None)
            held[place] = value


def _place_of(value: Known) -> Place:
    return value.key, value.channel, value.note


def _channel(channel: int | None, what: str) -> int:
    if channel is None or not 1 <= channel <= _N_CHANNELS:
        found = "none" if channel is None else str(channel)
        raise InputError(f"{what} has a value for each channel, 1 to 16; found {found}")
    return channel
