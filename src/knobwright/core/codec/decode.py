"""The decoder: whole messages in, what they mean out. The way in.

It takes messages with their full status byte, as the stream splitter gives them, together with a
number for the source they came from; selections of RPN and NRPN and banks are kept per source and
channel. Nothing is passed over: every message gives at least one event.
"""

from __future__ import annotations

from collections.abc import Iterator

from knobwright.core.codec.checksums import CHECKSUMS
from knobwright.core.codec.controls import Controls
from knobwright.core.codec.dumps import checksum_at, covered, parameters_in, take_out
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
from knobwright.core.codec.sequences import Sequences
from knobwright.core.codec.settings import in_effect
from knobwright.core.errors import DecodeError
from knobwright.core.interfaces import Lookup
from knobwright.core.sheet.records import Block, Parameter, Raw, Sheet
from knobwright.core.wire.messages import check_whole
from knobwright.core.wire.status import N_BYTES

# What stands behind the device id of an identity request: the same specification, p. 40.
IDENTITY_END = bytes.fromhex("06 01 F7")

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
        Tells what a parameter is set to now: needed for conditions, half values and steps. Without
        it, what a condition depends on is known from the messages decoded so far.
    """

    def __init__(self, sheet: Sheet, matchers: Matchers, current: Lookup | None = None) -> None:
        self._sheet = sheet
        self._matchers = matchers
        self._parameters: dict[str, Parameter] = {p.key: p for p in sheet.parameters}
        # Without a lookup a condition is known once it has come in the same stream.
        self._heard: dict[tuple[str, int | None, int | None], Raw] = {}
        self._deciding = frozenset(when.key for p in sheet.parameters for when in p.when)
        self._remembers = current is None
        current = self._recall if current is None else current
        self._current = current
        self._controls = Controls(matchers, self._parameters, current)
        self._banks: dict[tuple[int, int], dict[int, int]] = {}
        self._sequences = Sequences(matchers, self._parameters, sheet.module)
        self._has_note_lines = any(
            fixed >> 20 in (0x8, 0x9)
            for by_fixed in matchers.patterns.get(3, {}).values()
            for fixed in by_fixed
        )
        self._names = {(p.number, p.bank): p.name for p in sheet.program}

    def forget(self) -> None:
        """Forget selections, banks and halves: the module was switched off or reset."""
        self._controls.forget()
        self._banks.clear()
        self._sequences.forget()
        self._heard.clear()

    def feed(self, message: bytes, source: int = 0) -> list[Event]:
        """Return what a message means; at least one event.

        Parameters
        ----------
        message : bytes
            One whole message with its status byte.
        source : int
            Which input it came from; selections are kept apart.
        """
        if wrong := _not_whole(message):
            return [Unexplained(message, wrong)]
        events = self._decode(message, source)
        if self._remembers and self._deciding:
            self._remember(events)
        return events

    def _decode(self, message: bytes, source: int) -> list[Event]:
        status = message[0]
        if status < 0xF0:
            return self._channel(message, source)
        if status == 0xF0:
            return self._exclusive(message, source)
        return self._system(message, source)

    def _remember(self, events: list[Event]) -> None:
        for event in events:
            if isinstance(event, Dump):
                self._remember(list(event.settings))
            elif isinstance(event, Setting) and event.sure and event.key in self._deciding:
                self._heard[event.key, event.channel, event.note] = event.value

    def _recall(self, key: str, channel: int | None, note: int | None) -> object | None:
        return self._heard.get((key, channel, note))

    def _whole(self, message: bytes, source: int) -> list[Event]:
        """Return the events of every target whose pattern the message fits."""
        groups = self._sequences.take(message, source)
        return in_effect(groups, self._current, self._parameters) if groups else []

    # -- channel messages -----------------------------------------------------------------------

    def _channel(self, message: bytes, source: int) -> list[Event]:
        high = message[0] & 0xF0
        if high in (0x80, 0x90):
            return self._note(message, source)
        if high == 0xB0:
            return self._control(message, source)
        found = self._whole(message, source)
        if found:
            return found
        if high == 0xC0 and self._sheet.programs is not None:
            return [self._program(message, source)]
        return [Unexplained(message, "the sheet has no line for it")]

    def _note(self, message: bytes, source: int) -> list[Event]:
        if self._has_note_lines:  # a key that switches something, say
            found = self._whole(message, source)
            if not all(isinstance(event, Unexplained) for event in found):
                return found
        velocity = message[2] if message[0] & 0xF0 == 0x90 else 0
        return [Note((message[0] & 0x0F) + 1, message[1], velocity)]

    def _control(self, message: bytes, source: int) -> list[Event]:
        number, nibble = message[1], message[0] & 0x0F
        if number in SELECTORS:
            return self._controls.select(message, source)
        if number in DATA_CONTROLLERS:
            return self._controls.data(message, source)
        groups = [*self._controls.plain(message), *self._sequences.take(message, source)]
        if groups:
            return in_effect(groups, self._current, self._parameters)
        if number in self._matchers.bank_controllers:
            self._banks.setdefault((source, nibble), {})[number] = message[2]
            return [Part(f"bank by controller {number}: {message[2]}", channel=nibble + 1)]
        return [Unexplained(message, f"the sheet has no line for controller {number}")]

    def _program(self, message: bytes, source: int) -> Event:
        programs = self._sheet.programs
        assert programs is not None
        heard = self._banks.get((source, message[0] & 0x0F), {})
        # Controller 0 is the high, 32 the low byte: MIDI 1.0 Detailed Specification 4.2.1, p. 13.
        bank = (heard.get(0, 0), heard.get(32, 0))
        number = message[1] + programs.first
        name = self._names.get((number, bank), "")
        return ProgramSet((message[0] & 0x0F) + 1, number, bank, name)

    # -- exclusive and other patterns -----------------------------------------------------------

    def _exclusive(self, message: bytes, source: int) -> list[Event]:
        is_identity = len(message) == 6 and message[1] == 0x7E and message[3:] == IDENTITY_END
        if is_identity and message[2] in (0x7F, *self._sheet.module.device_ids):
            return [Request("")]
        found = self._whole(message, source)
        if not found or all(isinstance(event, Unexplained) for event in found):
            found = self._dumps(message) or found
        return found or [Unexplained(message, self._why_not(message))]

    def _why_not(self, message: bytes) -> str:
        maker = self._sheet.module.maker_id
        if (
            maker
            and not message.startswith(b"\xf0" + maker)
            and message[1:2] not in (b"\x7e", b"\x7f")
        ):
            return "it has another maker's id than the sheet's module"
        return "the sheet has no line for this exclusive message"

    def _system(self, message: bytes, source: int) -> list[Event]:
        found = self._whole(message, source)
        return found or [Plain(_SYSTEM_WORDS[message[0]])]

    # -- dumps ----------------------------------------------------------------------------------

    def _dumps(self, message: bytes) -> list[Event]:
        refused: list[Event] = []
        for pattern in self._matchers.dumps:
            stretch = len(message) - pattern.length
            behind = pattern.length - pattern.data_at
            if stretch < 0:
                continue
            frame = message[: pattern.data_at] + message[len(message) - behind :]
            if int.from_bytes(frame, "big") & pattern.mask == pattern.fixed:
                event = self._dump(pattern, message)
                if isinstance(event, Dump):
                    return [event]
                refused.append(event)
        return refused

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


def _not_whole(message: bytes) -> str:
    """Say why bytes are no whole message, or return an empty string."""
    if message and message[0] == 0xF0:
        if len(message) > 1 and message[-1] == 0xF7 and message[1:-1].isascii():
            return ""
    elif message and N_BYTES[message[0]] == len(message) and message[1:].isascii():
        return ""
    try:
        check_whole(message)
    except DecodeError as error:
        return error.message
    return ""


def _wrong_dump_sum(block: Block, message: bytes, data: bytes) -> str:
    template = block.template
    for span, checksum in zip(template.line.spans, template.checksums, strict=True):
        body = covered(block, span, checksum, message, data)
        right = CHECKSUMS[checksum.rule].compute(body)
        found = message[checksum_at(block, span, message)]
        if found != right:
            return f"its checksum is {found:02X} and should be {right:02X}"
    return ""
