"""The decoder: whole messages in, what they mean out. The way in.

It takes messages with their full status byte, as the stream splitter gives them, together with a
number for the source they came from; selections of RPN and NRPN and banks are kept per source and
channel. Nothing is passed over: every message gives at least one event.
"""

from __future__ import annotations

from collections.abc import Iterator

from knobwright.core.codec.controls import Controls
from knobwright.core.codec.dumps import covered, checksum_at, parameters_in, take_out
from knobwright.core.codec.checksums import CHECKSUMS
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
from knobwright.core.codec.fields import Fields, read_fields
from knobwright.core.codec.match import DATA_CONTROLLERS, SELECTORS, Matchers, Pattern
from knobwright.core.codec.packings import PACKINGS
from knobwright.core.codec.settings import condition_holds, settings_of
from knobwright.core.errors import DecodeError
from knobwright.core.interfaces import Lookup
from knobwright.core.sheet.records import Block, Parameter, Sheet

IDENTITY_REQUEST = bytes.fromhex("F07E00 0601F7")

_SYSTEM_WORDS = {
    0xF1: "time code quarter frame",
    0xF2: "song position",
    0xF3: "song select",
    0xF6: "tune request",
    0xF8: "clock",
    0xFA: "start",
    0xFB: "continue",
    0xFC: "stop",
    0xFE: "active sensing",
    0xFF: "system reset",
}


class Decoder:
    """Decodes the messages that go to (or come from) a module.

    Parameters
    ----------
    sheet : Sheet
        The checked sheet.
    matchers : Matchers
        Its compiled tables.
    current : Lookup, optional
        Tells what a parameter is set to now: needed for conditions, half values and steps.
    """

    def __init__(self, sheet: Sheet, matchers: Matchers, current: Lookup | None = None) -> None:
        self._sheet = sheet
        self._matchers = matchers
        self._parameters: dict[str, Parameter] = {p.key: p for p in sheet.parameters}
        self._current = current
        self._controls = Controls(matchers, self._parameters, current)
        self._banks: dict[tuple[int, int], dict[int, int]] = {}
        self._progress: dict[int, tuple[int, Fields]] = {}
        self._names = {(p.number, p.bank): p.name for p in sheet.program}

    def forget(self) -> None:
        """Forget selections, banks and halves: the module was switched off or reset."""
        self._controls.forget()
        self._banks.clear()
        self._progress.clear()

    def feed(self, message: bytes, source: int = 0) -> list[Event]:
        """Return what a message means; at least one event.

        Parameters
        ----------
        message : bytes
            One whole message with its status byte.
        source : int
            Which input it came from; selections are kept apart.
        """
        if not message or message[0] < 0x80:
            return [Unexplained(message, "it has no status byte")]
        status = message[0]
        if status < 0xF0:
            return self._channel(message, source)
        if status == 0xF0:
            return self._exclusive(message)
        return self._system(message)

    # -- channel messages -----------------------------------------------------------------------

    def _channel(self, message: bytes, source: int) -> list[Event]:
        high, nibble = message[0] & 0xF0, message[0] & 0x0F
        if high in (0x80, 0x90):
            if len(message) != 3:
                return [Unexplained(message, "it is a note message that is not whole")]
            velocity = message[2] if high == 0x90 else 0
            return [Note(nibble + 1, message[1], velocity)]
        if high == 0xB0 and len(message) == 3:
            return self._control(message, source)
        found = self._patterns(message)
        if found:
            return found
        if high == 0xC0 and self._sheet.programs is not None:
            return [self._program(message, source)]
        return [Unexplained(message, "the sheet has no line for it")]

    def _control(self, message: bytes, source: int) -> list[Event]:
        number = message[1]
        if number in SELECTORS:
            return self._controls.select(message, source)
        if number in DATA_CONTROLLERS:
            return self._controls.data(message, source)
        found = self._controls.plain(message)
        if found is not None:
            return self._sure(found)
        if number in self._matchers.bank_controllers:
            self._banks.setdefault((source, message[0] & 0x0F), {})[number] = message[2]
            return [Part(f"bank by controller {number}: {message[2]}", channel=(message[0] & 15) + 1)]
        return self._patterns(message) or [
            Unexplained(message, f"the sheet has no line for controller {number}")
        ]

    def _program(self, message: bytes, source: int) -> Event:
        programs = self._sheet.programs
        assert programs is not None
        heard = self._banks.get((source, message[0] & 0x0F), {})
        bank = [0, 0]
        for part in programs.template.line.messages:
            if part[0].fixed & 0xF0 == 0xB0:
                half = 0 if part[2].kind == "bank-high" else 1
                known = heard.get(part[1].fixed)
                if part[2].kind == "fixed":
                    continue
                bank[half] = 0 if known is None else known
        number = message[1] + programs.first
        pair = (bank[0], bank[1])
        return ProgramSet((message[0] & 0x0F) + 1, number, pair, self._names.get((number, pair), ""))

    # -- exclusive and other patterns -----------------------------------------------------------

    def _exclusive(self, message: bytes) -> list[Event]:
        if len(message) == 6 and message[1] == 0x7E and message[3:] == IDENTITY_REQUEST[3:]:
            if message[2] == 0x7F or message[2] in self._sheet.module.device_ids:
                return [Request("")]
        found = self._patterns(message) or self._dumps(message)
        return found or [Unexplained(message, self._why_not(message))]

    def _why_not(self, message: bytes) -> str:
        maker = self._sheet.module.maker_id
        if maker and not message.startswith(b"\xf0" + maker) and message[1:2] not in (b"\x7e", b"\x7f"):
            return "it has another maker's id than the sheet's module"
        return "the sheet has no line for this exclusive message"

    def _system(self, message: bytes) -> list[Event]:
        found = self._patterns(message)
        if found:
            return found
        words = _SYSTEM_WORDS.get(message[0])
        if words is None:
            return [Unexplained(message, "its status is undefined in MIDI 1.0")]
        return [Plain(words)]

    def _candidates(self, message: bytes) -> Iterator[Pattern]:
        by_mask = self._matchers.patterns.get(len(message))
        if by_mask:
            number = int.from_bytes(message, "big")
            for mask, by_fixed in by_mask.items():
                yield from by_fixed.get(number & mask, ())

    def _patterns(self, message: bytes) -> list[Event]:
        """Return the events of every target whose pattern the message fits."""
        events: list[Event] = []
        refused: list[Event] = []
        for pattern in self._candidates(message):
            for event in self._sequence(pattern, message):
                kept = refused if isinstance(event, Unexplained) else events
                if event not in kept:
                    kept.append(event)
        settled = [e for e in events if not isinstance(e, Part)]
        return self._sure(settled or events) or refused

    def _sequence(self, pattern: Pattern, message: bytes) -> Iterator[Event]:
        """Join a message to those before it of the same target; yield what is complete."""
        target = pattern.target
        n_messages = len(target.template.line.messages)
        place = id(target.template)
        at, before = self._progress.get(place, (0, Fields()))
        if pattern.part == 0:
            at, before = 0, Fields()
        if n_messages > 1 and pattern.part != at:
            yield Unexplained(message, f"it is a later part of {target.name}, whose start is missing")
            return
        fields = read_fields(pattern, message, self._sheet.module, before)
        if fields.reason:
            yield Unexplained(message, f"{target.name}: {fields.reason}")
            return
        if pattern.part + 1 < n_messages:
            self._progress[place] = (pattern.part + 1, fields)
            words = f"part {pattern.part + 1} of {n_messages} of {target.name}"
            yield Part(words, target.name, fields.channel)
            return
        self._progress.pop(place, None)
        if target.parameter is not None:
            yield from settings_of(target, fields, message, self._parameters)
        elif target.block is not None:
            yield Request(target.block.key, fields.channel)

    def _sure(self, events: list[Event]) -> list[Event]:
        """Keep the settings whose condition holds; name all of them where it is not known."""
        settings = [event for event in events if isinstance(event, Setting)]
        if len({s.key for s in settings}) < 2:
            return events
        kept: list[Event] = []
        unsure = False
        for event in events:
            if not isinstance(event, Setting):
                kept.append(event)
                continue
            parameter = self._parameters[event.key]
            holds = condition_holds(
                parameter, event.channel, event.note, self._current, self._parameters
            )
            unsure = unsure or holds is None
            if holds is not False:
                kept.append(event)
        if not unsure:
            return kept or events
        return [
            Setting(e.key, e.value, e.channel, e.note, e.route, e.implied, e.step, sure=False)
            if isinstance(e, Setting) and self._parameters[e.key].when
            else e
            for e in kept
        ]

    # -- dumps ----------------------------------------------------------------------------------

    def _dumps(self, message: bytes) -> list[Event]:
        for pattern in self._matchers.dumps:
            stretch = len(message) - pattern.length
            behind = pattern.length - pattern.data_at
            if stretch < 0:
                continue
            frame = message[: pattern.data_at] + message[len(message) - behind :]
            if int.from_bytes(frame, "big") & pattern.mask == pattern.fixed:
                return [self._dump(pattern, message)]
        return []

    def _dump(self, pattern: Pattern, message: bytes) -> Event:
        block = pattern.target.block
        assert block is not None
        fields = read_fields(pattern, message, self._sheet.module, Fields())
        if fields.reason:
            return Unexplained(message, f"{block.key}: {fields.reason}")
        try:
            data = PACKINGS[block.packing].unpack(fields.data)
        except DecodeError as error:
            return Unexplained(message, f"{block.key}: {error.message}")
        if block.size is not None and len(data) != block.size:
            reason = f"{block.key} came with {len(data)} bytes instead of {block.size}"
            return Unexplained(message, reason)
        if wrong := _wrong_dump_sum(block, message, data):
            return Unexplained(message, f"{block.key}: {wrong}")
        return Dump(block.key, data, tuple(self._inside(block, data, fields.channel)))

    def _inside(self, block: Block, data: bytes, channel: int | None) -> Iterator[Setting]:
        for parameter in parameters_in(self._sheet, block):
            raw = take_out(parameter, data)
            if raw is not None:
                at = channel if "channel" in parameter.per else None
                yield Setting(parameter.key, raw, at)


def _wrong_dump_sum(block: Block, message: bytes, data: bytes) -> str:
    template = block.template
    for span, checksum in zip(template.line.spans, template.checksums, strict=True):
        body = covered(block, span, checksum, message, data)
        right = CHECKSUMS[checksum.rule].compute(body)
        found = message[checksum_at(block, span, message)]
        if found != right:
            return f"its checksum is {found:02X} and should be {right:02X}"
    return ""
