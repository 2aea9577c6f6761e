"""The codec of one sheet: compiled once, then encode and decode.

Encoding and decoding are exact inverses: whatever :meth:`Codec.encode` gives, a decoder of the same
codec understands as the same parameter, channel, key and value.
"""

from __future__ import annotations

from collections.abc import Callable

from knobwright.core.codec.codings import CODINGS
from knobwright.core.codec.decode import Decoder
from knobwright.core.codec.dumps import with_unpacked_sums
from knobwright.core.codec.encode import (
    Encoder,
    Fill,
    Messages,
    make_encoder,
    make_value_encoder,
)
from knobwright.core.codec.events import ProgramSet
from knobwright.core.codec.match import Matchers, compile_matchers
from knobwright.core.codec.names import find
from knobwright.core.codec.packings import PACKINGS
from knobwright.core.codec.runs import run_to_bytes
from knobwright.core.codec.shown import Scale
from knobwright.core.codec.values import checked, parse_value, spell_value
from knobwright.core.errors import EncodeError, NamingError, QuestionError
from knobwright.core.interfaces import Lookup
from knobwright.core.sheet.questions import blocking, blocking_block
from knobwright.core.sheet.records import Block, Parameter, Program, Question, Raw, Sheet


class _Plan:
    """One parameter, ready to be encoded for one device id."""

    __slots__ = (
        "bits",
        "blocked",
        "channels",
        "encoder",
        "high",
        "low",
        "others",
        "parameter",
        "quick",
    )

    def __init__(self, sheet: Sheet, parameter: Parameter, device: int) -> None:
        template = parameter.sent_route.template
        coding = CODINGS[parameter.coding]
        n_bits, zero = parameter.n_value_bits, parameter.zero
        self.parameter = parameter
        self.encoder: Encoder = make_encoder(template, device)
        self.others = template.line.others
        self.blocked: Question | None = blocking(sheet, parameter)
        plain = coding.name == "plain"
        self.bits: Callable[[int], int] | None = (
            None if plain else (lambda raw: coding.to_bits(raw, n_bits, zero))
        )
        whole = len(parameter.ranges) == 1
        self.low, self.high = parameter.ranges[0] if whole else (0, -1)
        self.channels = "channel" in parameter.per
        # The quick way may be taken only where nothing else needs a look.
        quick = not (self.blocked or parameter.danger or "key" in parameter.per or self.others)
        usable = quick and plain and whole and not parameter.type and not parameter.is_action
        self.quick = make_value_encoder(template, device) if usable else None


class Codec:
    """Encodes and decodes everything that a checked sheet describes.

    Parameters
    ----------
    sheet : Sheet
        A checked sheet.
    device : int, optional
        The device id to send (0 to 127); the sheet's first by default.

    Raises
    ------
    EncodeError
        The device id is none.
    """

    def __init__(self, sheet: Sheet, *, device: int | None = None) -> None:
        self.sheet = sheet
        self.device = sheet.module.device_ids[0] if device is None else device
        if not 0 <= self.device <= 0x7F:
            raise EncodeError(f"a device id is 00 to 7F, not {self.device:X} (hex)")
        self.parameters: dict[str, Parameter] = {p.key: p for p in sheet.parameters}
        self._plans: dict[str, _Plan] = {}
        self._scales: dict[str, Scale] = {}
        self._channels = frozenset(sheet.module.channels)
        self._matchers: Matchers | None = None

    # -- names and values ---------------------------------------------------------------------

    def find(self, name: str) -> Parameter:
        """Return the parameter that a person's name for it means; see :func:`names.find`."""
        known = self.parameters.get(name)
        return known if known is not None else find(self.sheet.parameters, name)

    def scale(self, key: str) -> Scale:
        """Return the shown values of a parameter."""
        scale = self._scales.get(key)
        if scale is None:
            scale = self._scales[key] = Scale(self.parameters[key])
        return scale

    def parse(self, key: str, text: str) -> Raw:
        """Return the raw value that a typed text stands for; see :func:`values.parse_value`."""
        return parse_value(self.parameters[key], self.scale(key), text)

    def spell(self, key: str, raw: Raw) -> str:
        """Return a raw value as a person reads it."""
        return spell_value(self.parameters[key], self.scale(key), raw)

    # -- out ----------------------------------------------------------------------------------

    def encode(
        self,
        key: str,
        value: Raw,
        channel: int = 1,
        note: int | None = None,
        current: Lookup | None = None,
        *,
        danger: bool = False,
    ) -> Messages:
        """Return the messages that set a parameter, each with its full status byte.

        Parameters
        ----------
        key : str
            The parameter's key.
        value : int, str or tuple of int
            The raw value; 0 for an action.
        channel : int, 1 to 16
            Used where the parameter is per channel.
        note : int, 0 to 127, optional
            The key number, needed where the parameter is per key.
        current : Lookup, optional
            Gives the raw values of other parameters that stand in the same line; without it, or
            where it does not know, the other's default is taken.
        danger : bool
            Needed for a line that the sheet marks as dangerous.

        Raises
        ------
        EncodeError
            The value, channel or key is outside what the sheet allows.
        QuestionError
            An open question of the sheet is about this parameter.
        """
        plan = self._plans.get(key) or self._plan(key)
        quick = plan.quick
        if (
            quick is not None
            and type(value) is int
            and plan.low <= value <= plan.high
            and (channel in self._channels or not plan.channels)
        ):
            return quick(value, channel - 1 if plan.channels else 0)
        return self._encode_with_care(plan, value, channel, note, current, danger)

    def _plan(self, key: str) -> _Plan:
        parameter = self.parameters.get(key)
        if parameter is None:
            raise NamingError(f"no parameter has the key {key!r}")
        plan = self._plans[key] = _Plan(self.sheet, parameter, self.device)
        return plan

    def _encode_with_care(
        self,
        plan: _Plan,
        value: Raw,
        channel: int,
        note: int | None,
        current: Lookup | None,
        danger: bool,
    ) -> Messages:
        parameter = plan.parameter
        if plan.blocked is not None:
            raise open_question(parameter, plan.blocked)
        if parameter.danger and not danger:
            raise EncodeError(
                f"{parameter.key} is marked as dangerous: {parameter.danger}",
                hint="it is sent only when asked for twice",
            )
        self._check_channel(plan, channel)
        key_number = self._key_number(parameter, note)
        at = channel if plan.channels else None
        others = {
            name: self._other_bits(parameter, name, at, note, current) for name in plan.others
        }
        bits, run = self._coded(plan, value)
        fill = Fill(bits=bits, run=run, key=key_number, others=others)
        return plan.encoder(channel - 1 if plan.channels else 0, fill)

    def _check_channel(self, plan: _Plan, channel: int) -> None:
        if plan.channels and channel not in self._channels:
            raise EncodeError(
                f"{plan.parameter.key}: there is no channel {channel}",
                hint=f"the module has {_spans(self.sheet.module.channels)}",
            )

    def _key_number(self, parameter: Parameter, note: int | None) -> int:
        if "key" not in parameter.per:
            return 0
        if note is None:
            raise EncodeError(
                f"{parameter.key} is set for one key at a time", hint="say which: --key 36"
            )
        if not 0 <= note <= 127:
            raise EncodeError(f"{parameter.key}: a key number is 0 to 127, not {note}")
        return note

    def _coded(self, plan: _Plan, value: Raw) -> tuple[int, bytes]:
        parameter = plan.parameter
        if parameter.type:
            return 0, run_to_bytes(parameter, value)
        if isinstance(value, bool) or not isinstance(value, int):
            raise EncodeError(f"{parameter.key} takes a whole number, not {value!r}")
        raw = checked(parameter, self.scale(parameter.key), value)
        return (raw if plan.bits is None else plan.bits(raw)), b""

    def _other_bits(
        self,
        parameter: Parameter,
        name: str,
        channel: int | None,
        note: int | None,
        current: Lookup | None,
    ) -> int:
        other = self.parameters[name]
        at = channel if "channel" in other.per else None
        value = current(name, at, note if "key" in other.per else None) if current else None
        if value is None:
            value = other.default
        if not isinstance(value, int):
            raise EncodeError(
                f"{parameter.key} is sent together with {name}, whose value is not known",
                hint=f"set {name} too, or give it a default in the sheet",
            )
        raw = checked(other, self.scale(name), value)
        return CODINGS[other.coding].to_bits(raw, other.n_value_bits, other.zero)

    def blocked(self, key: str) -> Question | None:
        """Return the open question because of which a parameter is not sent, if any."""
        return (self._plans.get(key) or self._plan(key)).blocked

    def program(self, program: Program, channel: int = 1) -> Messages:
        """Return the messages that choose a program of the sheet's list on a channel."""
        return self.program_bytes(program.number, program.bank, channel)

    def program_bytes(self, number: int, bank: tuple[int, int], channel: int = 1) -> Messages:
        """Return the messages that choose a printed program number of a bank (high, low).

        Raises
        ------
        EncodeError
            The sheet says nothing of programs, a number is out of range, or the line has no place
            for this bank (its bank byte is fixed, or there is none).
        """
        programs = self.sheet.programs
        if programs is None:
            raise EncodeError(
                "the sheet does not say how a program is chosen", hint="add [programs] with a line"
            )
        question = next((q for q in self.sheet.questions if q.thing == "programs"), None)
        if question is not None:
            raise QuestionError(
                f"programs have an open question: {question.understood}", where=question.place
            )
        byte = number - programs.first
        if not 0 <= byte <= 127 or not all(0 <= half <= 127 for half in bank):
            raise EncodeError(f"there is no program {number} in bank {bank[0]}, {bank[1]}")
        if channel not in self._channels:
            raise EncodeError(f"there is no channel {channel}")
        encoder = make_encoder(programs.template, self.device)
        messages = encoder(channel - 1, Fill(program=byte, bank=bank))
        decoder = self.decoder()
        events = [event for message in messages for event in decoder.feed(message)]
        chosen = [(e.number, e.bank) for e in events if isinstance(e, ProgramSet)]
        if chosen != [(number, bank)]:
            raise EncodeError(
                f"the sheet's line for programs can't choose program {number} "
                f"of bank {bank[0]}, {bank[1]}"
            )
        return messages

    def dump(self, block: Block, data: bytes, channel: int = 1) -> Messages:
        """Return the message that carries a block's unpacked bytes.

        Raises
        ------
        EncodeError
            The data have another size than the block or a byte that the packing can't carry, or the
            sheet marks the block as dangerous.
        QuestionError
            An open question of the sheet is about it.
        """
        self._check_block(block)
        if block.size is not None and len(data) != block.size:
            raise EncodeError(f"{block.key} has {block.size} bytes, not {len(data)}")
        packed = PACKINGS[block.packing].pack(data)
        encoder = make_encoder(block.template, self.device)
        messages = encoder(channel - 1, Fill(run=packed))
        return with_unpacked_sums(block, messages, data)

    def request(self, block: Block, channel: int = 1) -> Messages:
        """Return the message that asks for a block.

        Raises
        ------
        EncodeError
            The sheet gives no request for it, or marks the block as dangerous.
        QuestionError
            An open question of the sheet is about it.
        """
        if block.request is None:
            raise EncodeError(f"the sheet gives no request for {block.key}")
        self._check_block(block)
        return make_encoder(block.request, self.device)(channel - 1, Fill())

    def _check_block(self, block: Block) -> None:
        question = blocking_block(self.sheet, block)
        if question is not None:
            raise QuestionError(
                f"{block.key} is not sent, since {question.about} has an open question: "
                f"{question.understood}",
                where=question.place,
            )
        if block.danger:
            raise EncodeError(f"{block.key} is marked as dangerous: {block.danger}")

    def setup(self) -> tuple[tuple[Messages, int], ...]:
        """Return the messages of a reset in order, each with its rest in milliseconds."""
        return tuple(
            (make_encoder(step.template, self.device)(0, Fill()), step.rest_ms)
            for step in self.sheet.setup
            if not step.danger
        )

    # -- in -----------------------------------------------------------------------------------

    @property
    def matchers(self) -> Matchers:
        """Return the compiled way in; made at first use."""
        if self._matchers is None:
            self._matchers = compile_matchers(self.sheet)
        return self._matchers

    def decoder(self, current: Lookup | None = None) -> Decoder:
        """Return a decoder with its own selections; ``current`` tells what is set now."""
        return Decoder(self.sheet, self.matchers, current)


def open_question(parameter: Parameter, question: Question) -> QuestionError:
    """Return the error that refuses a parameter with an open question and shows the question."""
    choices = "; ".join(f"{name}: {words}" for name, words in question.choices.items())
    return QuestionError(
        f"{parameter.key} is not sent, since {question.about} has an open question: "
        f"{question.understood} [{choices}]",
        where=question.place,
        hint=f"answer it: knobwright answer SHEET {question.about}=CHOICE",
    )


def _spans(channels: tuple[int, ...]) -> str:
    if channels == tuple(range(channels[0], channels[-1] + 1)):
        return f"channels {channels[0]} to {channels[-1]}"
    return f"channels {', '.join(map(str, channels))}"
