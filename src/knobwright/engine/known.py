"""What is known of the module on one link: followed from what was really handed over, and heard."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import NamedTuple

from msgspec.structs import replace

from knobwright.core.codec.events import Dump, Event, ProgramSet, Setting
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import InputError
from knobwright.core.sheet.records import Raw
from knobwright.core.state.values import HEARD, Known, KnownProgram, Place, Values
from knobwright.core.timing.items import Item
from knobwright.core.wire import Dropped, Identity, Message, Splitter, identity
from knobwright.engine.resets import Resets, after_controllers_reset
from knobwright.engine.tally import PAUSE_NS
from knobwright.engine.told import ComesBack, DumpCame, Identified, Told

#: Where items come from that bring back what was set before, and those of a reset.
RESEND, RESET = "resend", "reset"
#: What comes in within this time as it went out is not the module's own word, in nanoseconds.
ECHO_NS = 1_000_000_000
_MAX_RECENT = 2048
_RESET_CONTROLLERS, _SYSTEM_RESET = 121, 0xFF
# General MIDI System On (RP-003), General MIDI 2 System On (RP-024), behind the device id.
_SYSTEM_ON = (b"\x09\x01\xf7", b"\x09\x03\xf7")
_FIRST_REAL_TIME = 0xF8
_NOTES = (0x8, 0x9)


class Change(NamedTuple):
    """A parameter or program is known otherwise now.

    ``place`` is a channel (1 to 16) for a program; ``cause`` the source of the item that did it, or
    empty where the module said so itself.
    """

    place: Place | int
    cause: str


class LinkState:
    """Values of the module as one link sees them.

    Parameters
    ----------
    codec : Codec
        The sheet's codec.
    number : int
        Of the link, from 0; it stands in what is told.
    listens : bool
        Whether something comes in from the module.
    """

    def __init__(self, codec: Codec, number: int = 0, *, listens: bool = False) -> None:
        self.values = Values(codec.sheet)
        self.number = number
        self._codec = codec
        self._decoder = codec.decoder(self.values.lookup)
        self._resets = Resets(codec)
        self._listens = listens
        self._splitter = Splitter()
        self._heard = codec.decoder(self.values.lookup)
        #: Values that were given to the pacer and have not been handed over yet.
        self._on_its_way: dict[Place, tuple[Raw, str]] = {}
        self._recent: dict[bytes, int] = {}
        self._n_echoes = 0
        self._echoes_told_ns = -PAUSE_NS
        #: Set when what was sent has reset the module: whether its values are owed then.
        self.was_reset: bool | None = None
        self._has_note_lines = any(
            cells[0].fixed >> 4 in _NOTES
            for parameter in codec.sheet.parameters
            for route in parameter.routes
            for cells in route.template.line.messages
        )
        reset_to = ((p.key, after_controllers_reset(p)) for p in codec.sheet.parameters)
        self._reset_to = tuple((key, raw) for key, raw in reset_to if raw is not None)

    # -- asking ----------------------------------------------------------------------------------

    def lookup(self, key: str, channel: int | None, note: int | None) -> Raw | None:
        """Return the newest value: on its way, or known; a ``Lookup``."""
        try:
            place = self.values.place(key, channel, note)
        except InputError:
            return None
        newest = self._on_its_way.get(place)
        return newest[0] if newest is not None else self.values.lookup(*place)

    def newest(
        self, key: str, channel: int | None, note: int | None, known: Raw | None
    ) -> Raw | None:
        """Return the value that is on its way to a place, or the one that is ``known``."""
        found = self._on_its_way.get((key, channel, note))
        return known if found is None else found[0]

    def wish(self, key: str, raw: Raw, channel: int | None, note: int | None, cause: str) -> None:
        """Note that a value was given to the pacer; ``cause`` is the source of its item."""
        self._on_its_way[self.values.place(key, channel, note)] = (raw, cause)

    # -- what was handed over --------------------------------------------------------------------

    def take_sent(self, item: Item, at_ns: int) -> list[Change]:
        """Note an item that was handed over; return what is known otherwise by it."""
        changes: list[Change] = []
        for message in item.messages:
            if _FIRST_REAL_TIME <= message[0] < _SYSTEM_RESET:
                continue
            if self._listens:
                self._recent.pop(message, None)
                self._recent[message] = at_ns
            if self._is_note(message):
                continue
            events = list(self._placed(self._decoder.feed(message)))
            changes += self._take(message, events, item.source, at_ns)
        if len(self._recent) > _MAX_RECENT:
            self._forget_echoes(at_ns)
        return changes

    def pass_over(self, item: Item, at_ns: int) -> None:
        """Note an item that a newer one of the same value has followed already."""
        if self._listens:
            for message in item.messages:
                self._recent.pop(message, None)
                self._recent[message] = at_ns

    def _take(self, message: bytes, events: list[Event], cause: str, at_ns: int) -> list[Change]:
        status = message[0]
        if self._resets.is_complete(message, events):
            self.was_reset = cause == RESEND or status == _SYSTEM_RESET
            return self.start_anew(cause, owed=self.was_reset)
        if status == _SYSTEM_RESET or (message[:2] == b"\xf0\x7e" and message[3:] in _SYSTEM_ON):
            # Perhaps it was reset by that, perhaps it does not know the message.
            self.was_reset = True
            return self.start_anew(cause, owed=True)
        self.values.take(events, at_ns)
        changes = self._changes(events, cause)
        for event in events:
            if isinstance(event, Setting):
                self._arrived(event, cause)
        if status >> 4 == 0xB and message[1] == _RESET_CONTROLLERS:
            changes += self._controllers_reset(message, events, cause, at_ns)
        return changes

    def _is_note(self, message: bytes) -> bool:
        """Return whether a message is a note that sets nothing in this sheet."""
        return message[0] >> 4 in _NOTES and not self._has_note_lines

    def _placed(self, events: Iterable[Event]) -> Iterator[Event]:
        """Yield the events without settings whose bytes do not say for which channel or key."""
        for event in events:
            if isinstance(event, Dump):
                inside = tuple(s for s in event.settings if self._has_place(s))
                yield event if inside == event.settings else replace(event, settings=inside)
            elif not isinstance(event, Setting) or self._has_place(event):
                yield event

    def _has_place(self, setting: Setting) -> bool:
        per = self._codec.parameters[setting.key].per
        return (setting.channel is not None or "channel" not in per) and (
            setting.note is not None or "key" not in per
        )

    def _arrived(self, event: Setting, cause: str) -> None:
        """Note that a value is on its way no more: it came, or somebody else has set it since."""
        place = self.values.place(event.key, event.channel, event.note)
        newest = self._on_its_way.get(place)
        if newest is not None and (newest[0] == event.value or newest[1] != cause):
            del self._on_its_way[place]

    def _controllers_reset(
        self, message: bytes, events: list[Event], cause: str, at_ns: int
    ) -> list[Change]:
        """Set what RP-015 says; unknown where the sheet does not say that the module does so."""
        channel = (message[0] & 0x0F) + 1
        known = any(isinstance(event, Setting) for event in events)
        settings: list[Event] = []
        for key, raw in self._reset_to:
            if known or self.values.get(key, channel).raw is not None:
                settings.append(Setting(key, raw, channel, sure=known))
        self.values.take(settings, at_ns)
        return self._changes(settings, cause)

    def _changes(self, events: list[Event], cause: str) -> list[Change]:
        found: dict[Place | int, None] = {}
        for event in events:
            if isinstance(event, ProgramSet):
                found[event.channel] = None
            elif isinstance(event, Dump):
                inside = self._changes(list(event.settings), cause)
                found.update(dict.fromkeys(change.place for change in inside))
            elif isinstance(event, Setting):
                found[self.values.place(event.key, event.channel, event.note)] = None
        return [Change(place, cause) for place in found]

    def start_anew(self, cause: str, *, owed: bool) -> list[Change]:
        """Note that the module forgot everything; ``owed`` keeps what it should have."""
        before = [_place_of(value) for value in self.values.known()]
        if owed:
            self.values.off()
        else:
            self.values.reset()
        self._decoder.forget()
        self._heard.forget()
        return [Change(place, cause) for place in before]

    def off(self) -> list[Change]:
        """Note that the module was switched off; return what was known before."""
        self._on_its_way.clear()
        self._resets.forget()
        self._splitter.end()
        return self.start_anew("", owed=True)

    # -- what the module says --------------------------------------------------------------------

    def take_heard(
        self, data: bytes, at_ns: int, tell: Callable[[Told], None]
    ) -> Iterator[Change | Dropped]:
        """Take bytes from the module; yield what is known otherwise, and what was no message."""
        for record in self._splitter.feed(data, at_ns):
            if not isinstance(record, Message):
                yield record
                continue
            message = record.data
            if message[0] >= _FIRST_REAL_TIME:
                continue
            sent_ns = self._recent.get(message)
            is_echo = sent_ns is not None and at_ns - sent_ns <= ECHO_NS
            self._n_echoes += is_echo
            if self._is_note(message):
                continue
            said = None if is_echo else identity(message)
            if said is not None:
                tell(self._identified(said))
                continue
            # An echo says nothing, but what comes next may belong to the selection in it.
            events = list(self._placed(self._heard.feed(message)))
            if is_echo:
                continue
            self.values.take(events, at_ns, state=HEARD)
            for event in events:
                if isinstance(event, Dump):
                    n_values = sum(s.sure for s in event.settings)
                    tell(DumpCame(self.number, event.block, len(event.data), n_values))
            yield from self._changes(events, "")

    def tell_echoes(self, tell: Callable[[Told], None], now_ns: int) -> None:
        """Tell how much of what was sent came back since last told, once a second at most."""
        if self._n_echoes and now_ns >= self._echoes_told_ns + PAUSE_NS:
            tell(ComesBack(self.number, self._n_echoes))
            self._n_echoes = 0
            self._echoes_told_ns = now_ns

    def _identified(self, said: Identity) -> Identified:
        module = self._codec.sheet.module
        pairs = (
            (module.maker_id, said.maker),
            (module.family, bytes((said.family & 0x7F, said.family >> 7))),
            (module.member, bytes((said.member & 0x7F, said.member >> 7))),
        )
        fits = all(not wanted or wanted == found for wanted, found in pairs)
        return Identified(
            self.number,
            said.maker.hex(" ").upper(),
            said.family,
            said.member,
            said.version.hex(" ").upper(),
            fits,
        )

    def _forget_echoes(self, now_ns: int) -> None:
        self._recent = {m: at for m, at in self._recent.items() if now_ns - at <= ECHO_NS}
        while len(self._recent) > _MAX_RECENT:
            del self._recent[next(iter(self._recent))]


def _place_of(value: Known | KnownProgram) -> Place | int:
    return (
        value.channel if isinstance(value, KnownProgram) else (value.key, value.channel, value.note)
    )
