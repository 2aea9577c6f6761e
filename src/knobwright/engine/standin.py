"""A simulated module driven by a sheet; it models no sound, time, voices, or memory without power.

That means: it takes bytes at any speed (rests and start-up time are not asked for), notes never run
out of voices, nothing is stored for the next time, and a program change sets only the program. It
does nothing that the sheet does not say. It shares the codec with the sender, so that a mistake
which both make goes unnoticed.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from knobwright.core.codec.controls import Controls
from knobwright.core.codec.dumps import parameters_in
from knobwright.core.codec.events import (
    Dump,
    Event,
    Note,
    Part,
    Plain,
    ProgramSet,
    Request,
    Setting,
    Unexplained,
)
from knobwright.core.codec.match import SELECTORS
from knobwright.core.codec.plan import Codec
from knobwright.core.codec.settings import condition_holds
from knobwright.core.errors import EncodeError, QuestionError
from knobwright.core.sheet.records import Parameter, Raw
from knobwright.core.state.values import Place
from knobwright.core.wire import Dropped, Message, Splitter
from knobwright.engine.ignored import Ignored, IgnoredList
from knobwright.engine.replies import block_reply, identity_reply, shared_places
from knobwright.engine.resets import Resets, after_controllers_reset
from knobwright.engine.seen import Done, ProgramSeen, Report, ValueSeen

# Channel mode messages (MIDI 1.0 Detailed Specification 4.2.1, table V). 124 to 127 end notes too.
_FIRST_MODE, _RESET_CONTROLLERS = 120, 121
_ENDS_NOTES = frozenset({120, 123, 124, 125, 126, 127})

#: The words by which a listener is told of a reset.
RESET = "reset"
#: Told of every event that was acted on, with its arrival time in nanoseconds.
Listener = Callable[[Event, int], None]


class StandIn:
    """A module that is not there.

    Parameters
    ----------
    codec : Codec
        The sheet's codec; its device id is the module's own.
    listener : callable, optional
        Told of every setting, program and note that is acted on, in order, and of a reset (or of
        being switched off) as ``Plain("reset")``.
    """

    def __init__(self, codec: Codec, *, listener: Listener | None = None) -> None:
        self.codec = codec
        self._listener = listener
        self._splitter = Splitter()
        self._decoder = codec.decoder(self.lookup)
        self._ignored = IgnoredList()
        self._values: dict[Place, Raw] = {}
        self._programs: dict[int, ProgramSet] = {}
        self._actions: dict[Place, int] = {}
        self._held: dict[tuple[int, int], int] = {}
        self._resets = Resets(codec)
        self._on = True
        self._n_bytes = self._n_messages = self._n_replies = self._n_resets = 0
        self._selections = Controls(codec.matchers, codec.parameters, None)

    # -- bytes in, replies out -------------------------------------------------------------------

    def receive(self, data: bytes, at_ns: int = 0) -> list[bytes]:
        """Take bytes, cut anywhere, and return the messages that the module answers with.

        Parameters
        ----------
        data : bytes
            Any number of bytes.
        at_ns : int, nanoseconds
            When they arrived, on the caller's clock.
        """
        self._n_bytes += len(data)
        if not self._on:
            self._ignored.add(data, "it is switched off", at_ns)
            return []
        replies: list[bytes] = []
        for record, is_short in self._records(data, at_ns):
            if isinstance(record, Dropped):
                self._ignored.add(record.data, record.reason, record.at_ns)
            elif is_short:
                reason = "it came by running status, which the module does not take"
                self._ignored.add(record.data, reason, record.at_ns)
            else:
                replies.extend(self._take(record.data, record.at_ns))
        self._n_replies += len(replies)
        return replies

    def _records(self, data: bytes, at_ns: int) -> Iterator[tuple[Message | Dropped, bool]]:
        """Yield what the bytes complete, and whether running status makes it count for nothing."""
        splitter = self._splitter
        if self.codec.sheet.receiver.running_status:
            yield from ((record, False) for record in splitter.feed(data, at_ns))
            return
        for i in range(len(data)):  # one by one: a byte completes one message at most
            before = splitter.n_restored
            for record in splitter.feed(data[i : i + 1], at_ns):
                yield record, splitter.n_restored > before and isinstance(record, Message)

    def _take(self, message: bytes, at_ns: int) -> list[bytes]:
        self._n_messages += 1
        events = self._decoder.feed(message)
        if self._resets.is_complete(message, events):
            self.reset(at_ns)
            return []
        replies: list[bytes] = []
        for event in events:
            replies.extend(self._act(event, message, at_ns))
        if message[0] & 0xF0 == 0xB0:
            self._follow_control(message, events, at_ns)
        return replies

    def _act(self, event: Event, message: bytes, at_ns: int) -> list[bytes]:
        if isinstance(event, Setting):
            self._set(event, message, at_ns)
        elif isinstance(event, Note):
            self._note(event, message, at_ns)
        elif isinstance(event, ProgramSet):
            self._program(event, message, at_ns)
        elif isinstance(event, Dump):
            self._dump(event, message, at_ns)
        elif isinstance(event, Request):
            return self._request(event, message, at_ns)
        elif isinstance(event, Unexplained):
            self._ignored.add(event.data, event.reason, at_ns)
        elif isinstance(event, Plain):
            self._ignored.add(message, f"{event.words}: it sets nothing", at_ns)
        else:
            assert isinstance(event, Part)  # a selection or a first half: the decoder holds it
        return []

    # -- what a message does ---------------------------------------------------------------------

    def _set(
        self, setting: Setting, message: bytes, at_ns: int, *, check_when: bool = True
    ) -> None:
        if why := self._why_not(setting, check_when):
            self._ignored.add(message, f"{setting.key}: {why}", at_ns)
            return
        place = (setting.key, setting.channel, setting.note)
        if self.codec.parameters[setting.key].is_action:
            self._actions[place] = self._actions.get(place, 0) + 1
        else:
            self._values.pop(place, None)  # to the end: the report is in the order of last set
            self._values[place] = setting.value
        self._tell(setting, at_ns)

    def _why_not(self, setting: Setting, check_when: bool) -> str:
        parameter = self.codec.parameters[setting.key]
        if "channel" in parameter.per and setting.channel not in self.codec.sheet.module.channels:
            if setting.channel is None:
                return "the bytes do not say for which channel"
            return f"the module has no channel {setting.channel}"
        if "key" in parameter.per and setting.note is None:
            return "the bytes do not say for which key"
        if not setting.sure:
            return "the bytes could set another parameter as well, and what decides it is not known"
        if self.codec.blocked(setting.key) is not None:
            return "its line has an open question"
        if check_when:
            return self._why_condition(parameter, setting)
        return ""

    def _why_condition(self, parameter: Parameter, setting: Setting) -> str:
        holds = condition_holds(
            parameter, setting.channel, setting.note, self.lookup, self.codec.parameters
        )
        if holds:
            return ""
        conditions = []
        for when in parameter.when:
            names = " or ".join(self.codec.spell(when.key, value) for value in when.values)
            conditions.append(f"{when.key} is {names}")
        state = "which is not so now" if holds is False else "and what it is now is not known"
        return f"it takes effect only while {' and '.join(conditions)}, {state}"

    def _dump(self, dump: Dump, message: bytes, at_ns: int) -> None:
        """Set what stands in a dump.

        A dump is an image of the memory: its values count whatever the conditions, save where
        parameters share a place. Those are looked at last, when what decides them is set.
        """
        block = next(b for b in self.codec.sheet.blocks if b.key == dump.block)
        shared = shared_places(list(parameters_in(self.codec.sheet, block)))
        for setting in dump.settings:
            if setting.key not in shared:
                self._set(setting, message, at_ns, check_when=False)
        for setting in dump.settings:
            if setting.key in shared:
                self._set(setting, message, at_ns)

    def _note(self, note: Note, message: bytes, at_ns: int) -> None:
        place = (note.channel, note.key)
        if note.channel not in self.codec.sheet.module.channels:
            self._ignored.add(message, f"a note: the module has no channel {note.channel}", at_ns)
        elif note.velocity:
            self._held.pop(place, None)
            self._held[place] = note.velocity
            self._tell(note, at_ns)
        elif self._held.pop(place, None) is None:
            self._ignored.add(message, "a note off without a note that sounds", at_ns)
        else:
            self._tell(note, at_ns)

    def _program(self, program: ProgramSet, message: bytes, at_ns: int) -> None:
        sheet = self.codec.sheet
        drums = program.channel in sheet.module.drum_channels
        name = program.name
        if drums:
            kits = {(kit.number, kit.bank): kit.name for kit in sheet.kits}
            listed = not kits or (program.number, program.bank) in kits
            name = kits.get((program.number, program.bank), "")
        else:
            listed = not sheet.program or any(
                (p.number, p.bank) == (program.number, program.bank) for p in sheet.program
            )
        if program.channel not in sheet.module.channels:
            reason = f"a program: the module has no channel {program.channel}"
        elif not listed:
            what = "drum kit" if drums else "program"
            high, low = program.bank
            reason = f"the sheet lists no {what} {program.number} in bank {high}, {low}"
        else:
            chosen = ProgramSet(program.channel, program.number, program.bank, name)
            self._programs[program.channel] = chosen
            self._tell(chosen, at_ns)
            return
        self._ignored.add(message, reason, at_ns)

    def _request(self, request: Request, message: bytes, at_ns: int) -> list[bytes]:
        what = f"the block {request.block}" if request.block else "the identity"
        if not self.codec.sheet.receiver.replies:
            reason = f"a request for {what}: the sheet says that the module does not reply"
            self._ignored.add(message, reason, at_ns)
            return []
        try:
            if not request.block:
                return [identity_reply(self.codec)]
            block = next(b for b in self.codec.sheet.blocks if b.key == request.block)
            return list(block_reply(self.codec, block, self.lookup, request.channel))
        except (EncodeError, QuestionError) as error:
            self._ignored.add(message, f"a request for {what}: {error.message}", at_ns)
            return []

    # -- control changes that mean more than a value ---------------------------------------------

    def _follow_control(self, message: bytes, events: list[Event], at_ns: int) -> None:
        number, channel = message[1], (message[0] & 0x0F) + 1
        if number in SELECTORS:
            self._selections.select(message, 0)
        if number < _FIRST_MODE or not any(isinstance(e, Setting) for e in events):
            return  # a channel mode message counts only where the sheet has a line for it
        if number in _ENDS_NOTES:
            for place in [place for place in self._held if place[0] == channel]:
                del self._held[place]
                self._tell(Note(channel, place[1], 0), at_ns)
        elif number == _RESET_CONTROLLERS:
            self._reset_controllers(message, at_ns)

    def _reset_controllers(self, message: bytes, at_ns: int) -> None:
        """Do what RP-015 says, to those of its controllers that the sheet has."""
        nibble = message[0] & 0x0F
        for selector in (101, 100):  # null: nothing is selected, RPN or NRPN
            null = bytes((0xB0 | nibble, selector, 0x7F))
            self._decoder.feed(null)
            self._selections.select(null, 0)
        for parameter in self.codec.sheet.parameters:
            raw = after_controllers_reset(parameter)
            if raw is not None:
                self._set(Setting(parameter.key, raw, nibble + 1), message, at_ns)

    # -- switching and resetting -----------------------------------------------------------------

    def reset(self, at_ns: int = 0) -> None:
        """Take the sheet's defaults, as after a setup line or a General MIDI System On."""
        self._forget()
        self._n_resets += 1
        self._tell(Plain(RESET), at_ns)

    def off(self, at_ns: int = 0) -> None:
        """Switch the module off: values, programs, selections and half messages are lost."""
        self._forget()
        self._splitter.end()
        self._on = False
        self._tell(Plain(RESET), at_ns)

    def on(self) -> None:
        """Switch the module on again; it comes up with the sheet's defaults."""
        self._on = True

    def _forget(self) -> None:
        self._values.clear()
        self._programs.clear()
        self._actions.clear()
        self._held.clear()
        self._decoder.forget()
        self._selections.forget()
        self._resets.forget()

    # -- asking ----------------------------------------------------------------------------------

    @property
    def is_on(self) -> bool:
        """Return whether the module is switched on."""
        return self._on

    def lookup(self, key: str, channel: int | None, note: int | None) -> Raw | None:
        """Return the raw value held, the sheet's default, or ``None`` where there is neither."""
        parameter = self.codec.parameters[key]
        found = self._values.get((key, channel, note))
        return parameter.default if found is None else found

    @property
    def n_resets(self) -> int:
        """Return how often the module was reset."""
        return self._n_resets

    def n_done(self, key: str, channel: int | None = None, note: int | None = None) -> int:
        """Return how often an action was asked for since the last reset."""
        return self._actions.get((key, channel, note), 0)

    def program(self, channel: int) -> ProgramSeen | None:
        """Return the program of a channel (1 to 16), or ``None`` while none was chosen."""
        chosen = self._programs.get(channel)
        if chosen is None:
            return None
        return ProgramSeen(channel, chosen.number, chosen.bank, chosen.name)

    def selected(self, channel: int) -> tuple[str, int, int] | None:
        """Return what is selected on a channel: RPN or NRPN, high and low number; or ``None``."""
        return self._selections.selection(0, channel - 1)

    @property
    def held(self) -> tuple[tuple[int, int], ...]:
        """Return the notes that sound, as (channel, key), oldest first."""
        return tuple(self._held)

    @property
    def ignored(self) -> tuple[Ignored, ...]:
        """Return what was not acted on, in order; at most 500 records, 50 of a reason."""
        return self._ignored.kept

    def report(self) -> Report:
        """Return what the module holds and what it ignored."""
        spell, parameters = self.codec.spell, self.codec.parameters
        values = tuple(
            ValueSeen(key, channel, note, raw, spell(key, raw), parameters[key].default)
            for (key, channel, note), raw in self._values.items()
            if raw != parameters[key].default
        )
        programs = (self.program(channel) for channel in sorted(self._programs))
        return Report(
            values=values,
            programs=tuple(program for program in programs if program is not None),
            actions=tuple(Done(*place, times) for place, times in self._actions.items()),
            held=self.held,
            ignored=self._ignored.counts,
            n_ignored=self._ignored.n,
            n_bytes=self._n_bytes,
            n_messages=self._n_messages,
            n_replies=self._n_replies,
            n_resets=self._n_resets,
        )

    def _tell(self, event: Event, at_ns: int) -> None:
        if self._listener is not None:
            self._listener(event, at_ns)
