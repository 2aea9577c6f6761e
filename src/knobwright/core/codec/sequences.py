"""Whole messages on the way in, and lines of several messages that come one after the other.

A line of several controllers works like the controllers themselves: what came last of each holds,
and the line is complete whenever its last one comes. A line with an exclusive message, or with the
same controller twice, is complete only where its messages come in order with no other exclusive
message between them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from knobwright.core.codec.events import Event, Part, Request, Unexplained
from knobwright.core.codec.fields import Fields, read_fields
from knobwright.core.codec.match import Matchers, Pattern, Target, candidates
from knobwright.core.codec.settings import Group, settings_of
from knobwright.core.sheet.records import Module, Parameter

#: What a message overwrites: its status, and the controller number of a control change.
_Slot = tuple[int, int]


class _Begun:
    """A line in order of which ``due`` messages have come, with what they said."""

    __slots__ = ("due", "fields")

    def __init__(self) -> None:
        self.due = 0
        self.fields = Fields()


class _Held:
    """What came last of each message of a line of controllers, with its pattern."""

    __slots__ = ("parts",)

    def __init__(self, n_messages: int) -> None:
        self.parts: list[tuple[Pattern, bytes] | None] = [None] * n_messages

    def overwrite(self, message: bytes) -> None:
        """Forget what the message takes the place of."""
        slot = _slot(message)
        for i, part in enumerate(self.parts):
            if part is not None and _slot(part[1]) == slot:
                self.parts[i] = None


class Sequences:
    """Follows the messages that the lines of a sheet are made of, control changes apart."""

    def __init__(
        self, matchers: Matchers, parameters: Mapping[str, Parameter], module: Module
    ) -> None:
        self._matchers = matchers
        self._parameters = parameters
        self._module = module
        self._begun: dict[int, dict[int, _Begun]] = {}  # by source and template
        self._held: dict[tuple[int, int], dict[int, _Held]] = {}  # by source and channel nibble
        self._is_free: dict[int, bool] = {}

    def forget(self) -> None:
        """Forget the lines of which only some messages have come."""
        self._begun.clear()
        self._held.clear()

    def take(self, message: bytes, source: int) -> list[Group]:
        """Return what a message makes of every target whose pattern it fits."""
        groups: list[Group] = []
        several: dict[int, list[Pattern]] = {}
        for pattern in candidates(self._matchers, message):
            target = pattern.target
            if len(target.template.line.messages) > 1:
                several.setdefault(id(target.template), []).append(pattern)
            else:
                events = self._finish(pattern, message, Fields())
                groups.append((target.parameter, list(events)))
        nibble = message[0] & 0x0F if message[0] < 0xF0 else -1
        for held in self._held.get((source, nibble), {}).values():
            held.overwrite(message)
        begun = self._begun.setdefault(source, {})
        if message[0] == 0xF0:
            for template in begun.keys() - several.keys():
                del begun[template]
        for template, patterns in several.items():
            target = patterns[0].target
            if self._needs_no_order(target):
                lines = self._held.setdefault((source, nibble), {})
                n_messages = len(target.template.line.messages)
                held = lines.setdefault(template, _Held(n_messages))
                events = self._join(patterns[0], message, held)
            else:
                events = self._next(patterns, message, begun, template)
            groups.append((target.parameter, list(events)))
        return groups

    def _needs_no_order(self, target: Target) -> bool:
        known = self._is_free.get(id(target.template))
        if known is None:
            line = target.template.line.messages
            slots = {(message[0].fixed, message[1].fixed) for message in line if len(message) > 1}
            channels = all(0x80 <= message[0].fixed < 0xF0 for message in line)
            known = channels and len(slots) == len(line)
            self._is_free[id(target.template)] = known
        return known

    def _join(self, pattern: Pattern, message: bytes, held: _Held) -> Iterator[Event]:
        """Join a message to what is held of its line; yield what is complete with the last."""
        held.parts[pattern.part] = (pattern, message)
        target = pattern.target
        if pattern.part + 1 < len(held.parts):
            yield _part(pattern, None)
            return
        fields = Fields()
        for part in held.parts[:-1]:
            if part is None:
                yield _late(target, message)
                return
            fields = read_fields(part[0], part[1], self._module, fields)
        yield from self._finish(pattern, message, fields)

    def _next(
        self, patterns: list[Pattern], message: bytes, begun: dict[int, _Begun], template: int
    ) -> Iterator[Event]:
        """Join a message to those before it of the same line; yield what is complete.

        Where it fits the message that is due it is that one, else it may begin the line anew.
        """
        state = begun.pop(template, None) or _Begun()
        by_part = {pattern.part: pattern for pattern in patterns}
        if state.due not in by_part:
            state = _Begun()
        pattern = by_part.get(state.due)
        target = patterns[0].target
        if pattern is None:
            yield _late(target, message)
            return
        if state.due + 1 == len(target.template.line.messages):
            yield from self._finish(pattern, message, state.fields)
            return
        state.fields = read_fields(pattern, message, self._module, state.fields)
        if state.fields.reason:
            yield Unexplained(message, f"{target.name}: {state.fields.reason}")
            return
        state.due += 1
        begun[template] = state
        yield _part(pattern, state.fields.channel)

    def _finish(self, pattern: Pattern, message: bytes, before: Fields) -> Iterator[Event]:
        """Yield what the last message of a line sets or asks for."""
        target = pattern.target
        fields = read_fields(pattern, message, self._module, before)
        if fields.reason:
            yield Unexplained(message, f"{target.name}: {fields.reason}")
        elif target.parameter is not None:
            yield from settings_of(target, fields, message, self._parameters)
        elif target.block is not None:
            yield Request(target.block.key, fields.channel)


def _slot(message: bytes) -> _Slot:
    return message[0], message[1] if message[0] & 0xF0 == 0xB0 else -1


def _part(pattern: Pattern, channel: int | None) -> Part:
    target = pattern.target
    n_messages = len(target.template.line.messages)
    words = f"part {pattern.part + 1} of {n_messages} of {target.name}"
    return Part(words, target.name, channel)


def _late(target: Target, message: bytes) -> Unexplained:
    reason = f"it is a later part of {target.name}, whose start is missing"
    return Unexplained(message, reason)
