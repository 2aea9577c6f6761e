"""What the set-up bar sends, in order: reset, programs, values that nobody gives, what the song
itself sets before its notes, and what the user wants.

What comes later wins, so the user's values stand last; what they replace is left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from knobwright.core.codec.events import ProgramSet, Setting
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import KnobwrightError
from knobwright.core.fitting.bar import Step
from knobwright.core.fitting.head import Head, selection_steps
from knobwright.core.fitting.mapping import Mapping
from knobwright.core.fitting.programs import Choice, Names
from knobwright.core.fitting.told import Told
from knobwright.core.fitting.wanted import Wanted
from knobwright.core.timing.classify import SELECTORS
from knobwright.core.timing.items import Item
from knobwright.core.wire import describe

#: Rest after General MIDI On where no sheet gives one, in milliseconds (RP-024, section 4.9.1: a
#: reset is complete within 100 ms; for General MIDI 1 common practice, no source).
RESET_REST_MS = 100
#: Messages that mean what a playing channel starts with: volume, pan, expression, both sends, bend
#: range. Where neither song nor user gives a value, the sheet's default is sent.
_SELECT_BEND = ((101, 0), (100, 0))
_CONTROLLERS = (7, 10, 11, 91, 93)

#: What is set: key, channel, key number.
Place = tuple[str, int | None, int | None]


class SetUp(NamedTuple):
    """The set-up: its steps, and for each channel (1 to 16) the program and bank it ends with.

    ``n_replaced`` counts settings of the song that the user's replace.
    """

    steps: tuple[Step, ...]
    programs: dict[int, Choice]
    n_replaced: int
    notes: tuple[str, ...]


class Maker:
    """Makes the set-up of one song (or pattern).

    Parameters
    ----------
    codec : Codec
        Of the module's sheet.
    wanted : Wanted
        The user's values.
    mapping : Mapping
        The user's table.
    standard : Names
        Of the sheet by whose numbers the mapping's left side counts.
    """

    def __init__(self, codec: Codec, wanted: Wanted, mapping: Mapping, standard: Names) -> None:
        self._codec, self._wanted, self._mapping = codec, wanted, mapping
        self._names, self._standard = Names(codec.sheet), standard
        self.first = standard.first
        self._notes: list[str] = []
        self.mapped_programs: list[tuple[int, Choice, Choice]] = []

    def make(
        self, head: Head, music: Sequence[Told], resets: Sequence[bytes], channels: Sequence[int]
    ) -> SetUp:
        """Return the set-up.

        Parameters
        ----------
        head : Head
            What the song sets before its notes.
        music : sequence of Told
            What follows the set-up.
        resets : sequence of bytes
            The song's own resets before its notes: used where the sheet says nothing of a reset.
        channels : sequence of int, 1 to 16
            Which channels play.
        """
        steps = list(self._reset(resets))
        programs: dict[int, Choice] = {}
        for channel, choice in sorted(self._wanted.programs.items()):
            steps.append(self.program_step(channel, choice))
            programs[channel] = choice
        wanted = {value.place for value in self._wanted.values}
        own, n_replaced = self._own(head, wanted, programs)
        given = wanted | {place for _, places in own for place in places}
        steps += self._defaults(given, channels)
        steps += [step for step, _ in own]
        steps += [Step(value.messages, value.words) for value in self._wanted.values]
        for channel, messages in selection_steps(head, _selecting(steps), music):
            steps.append(Step(messages, f"channel {channel}, selection"))
        self._say_without_program(programs, channels)
        return SetUp(tuple(steps), programs, n_replaced, tuple(self._notes))

    def _reset(self, resets: Sequence[bytes]) -> Iterator[Step]:
        for messages, rest_ms in self._codec.setup():
            yield Step(messages, "reset", rest_ms)
        if not self._codec.sheet.setup:
            for message in dict.fromkeys(resets):
                yield Step((message,), f"reset, as the song has it: {describe(message)}",
                           RESET_REST_MS)  # fmt: skip
        for step in self._codec.sheet.setup:
            if step.danger:
                self._notes.append(f"a part of the reset is left out as dangerous: {step.danger}")

    # -- programs --------------------------------------------------------------------------------

    def program_step(self, channel: int, choice: Choice) -> Step:
        """Return what chooses a program on a channel (1 to 16).

        Raises
        ------
        KnobwrightError
            The sheet can't say it.
        """
        messages = self._codec.program_bytes(choice.number, choice.bank, channel)
        return Step(messages, f"channel {channel}, {self.program_words(channel, choice)}")

    def program_words(self, channel: int, choice: Choice) -> str:
        """Return a program with the module's name for it."""
        if self._names.is_drums(channel):
            kit = self._names.kit(choice)
            name = kit.name if kit is not None else ""
        else:
            program = self._names.program(choice)
            name = program.name if program is not None else ""
        return choice.words() + (f", {name}" if name else "")

    def source_words(self, channel: int, choice: Choice) -> str:
        """Return a program of the song with the standard's name for it."""
        program = self._standard.program(Choice(choice.number))
        named = program is not None and not self._names.is_drums(channel)
        return choice.words() + (f" {program.name}" if program is not None and named else "")

    def mapped(self, channel: int, byte: int, bank: tuple[int, int]) -> Choice | None:
        """Return what stands for a program byte and bank of the song, or ``None``."""
        choice = Choice(byte + self._standard.first, bank)
        drums = self._names.is_drums(channel)
        return self._mapping.program(choice, channel, is_drums=drums)

    # -- what the song sets ----------------------------------------------------------------------

    def _own(
        self, head: Head, wanted: set[Place], programs: dict[int, Choice]
    ) -> tuple[list[tuple[Step, set[Place]]], int]:
        """Return the song's own settings, those left out that the user replaces."""
        decoder = self._codec.decoder()
        out: list[tuple[Step, set[Place]]] = []
        n_replaced = 0
        for item in head.items:
            events = [event for message in item.messages for event in decoder.feed(message)]
            if item.messages[-1][0] >> 4 == 0xC:
                step = self._program_of(item, programs, events)
                n_replaced += step is None
                if step is not None:
                    out.append((step, set()))
                continue
            settings = [e for e in events if isinstance(e, Setting) and not e.implied]
            places: set[Place] = {(e.key, e.channel, e.note) for e in settings}
            if places and places <= wanted:
                n_replaced += 1
                continue
            out.append((Step(item.messages, self._words(item, settings)), places))
        return out, n_replaced

    def _program_of(
        self, item: Item, programs: dict[int, Choice], events: Sequence[object]
    ) -> Step | None:
        """Return the song's program as it is sent, or ``None`` where the user wants another."""
        channel = (item.messages[-1][0] & 0x0F) + 1
        if channel in self._wanted.programs:
            return None
        bank = [0, 0]
        for message in item.messages[:-1]:
            bank[message[1] == 32] = message[2]
        to = self.mapped(channel, item.messages[-1][1], (bank[0], bank[1]))
        if to is not None:
            source = Choice(item.messages[-1][1] + self.first, (bank[0], bank[1]))
            self.mapped_programs.append((channel, source, to))
            programs[channel] = to
            return self.program_step(channel, to)
        found = next((e for e in events if isinstance(e, ProgramSet)), None)
        if found is None:
            programs[channel] = Choice(item.messages[-1][1] + self._names.first, (bank[0], bank[1]))
            return Step(item.messages, f"channel {channel}, program as the song has it")
        choice = programs[channel] = Choice(found.number, found.bank)
        try:  # with its bank, also where the song leaves it out
            return self.program_step(channel, choice)
        except KnobwrightError as error:
            self._notes.append(f"channel {channel}: {error.message}; the song's own bytes are sent")
            return Step(item.messages, f"channel {channel}, {self.program_words(channel, choice)}")

    def _words(self, item: Item, settings: Sequence[Setting]) -> str:
        if not settings:
            return f"as the song has it: {describe(item.messages[-1])}"
        words = []
        for event in settings:
            at = f"channel {event.channel}, " if event.channel is not None else ""
            at += f"key {event.note}, " if event.note is not None else ""
            words.append(f"{at}{event.key} = {self._codec.spell(event.key, event.value)}")
        return "; ".join(dict.fromkeys(words))

    # -- what nobody gives -----------------------------------------------------------------------

    def _defaults(self, given: set[Place], channels: Sequence[int]) -> Iterator[Step]:
        """Yield the sheet's defaults for what a playing channel starts with."""
        for channel in channels:
            for key in self._start_keys(channel):
                parameter = self._codec.parameters[key]
                raw = parameter.default
                if raw is None or parameter.when or (key, channel, None) in given:
                    continue
                try:
                    messages = self._codec.encode(key, raw, channel)
                except KnobwrightError:
                    continue  # an open question, danger: what nobody asked for is not sent
                words = f"channel {channel}, {key} = {self._codec.spell(key, raw)} (the default)"
                yield Step(messages, words)

    def _start_keys(self, channel: int) -> list[str]:
        """Return the sheet's parameters for volume, pan, expression, sends and bend range."""
        status = 0xB0 | (channel - 1)
        decoder = self._codec.decoder()
        events = []
        for number in _CONTROLLERS:
            events += decoder.feed(bytes((status, number, 64)))
        for number, value in (*_SELECT_BEND, (6, 2)):
            events += decoder.feed(bytes((status, number, value)))
        keys = [e.key for e in events if isinstance(e, Setting) and not e.implied and e.sure]
        own = [key for key in keys if self._codec.parameters[key].per == {"channel"}]
        return list(dict.fromkeys(own))

    def _say_without_program(self, programs: dict[int, Choice], channels: Sequence[int]) -> None:
        if self._codec.sheet.programs is None:
            return
        missing = [c for c in channels if c not in programs and not self._names.is_drums(c)]
        for channel in missing:
            self._notes.append(
                f"channel {channel}: neither the song nor the parts file chooses a program before "
                "its first note"
            )


def _selecting(steps: Sequence[Step]) -> set[int]:
    """Return the channels (1 to 16) on which steps select a registered or other parameter."""
    return {
        (message[0] & 0x0F) + 1
        for step in steps
        for message in step.messages
        if message[0] >> 4 == 0xB and message[1] in SELECTORS
    }
