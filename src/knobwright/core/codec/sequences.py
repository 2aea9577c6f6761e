"""Whole messages on the way in, and lines of several messages that come one after the other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from knobwright.core.codec.events import Event, Part, Request, Unexplained
from knobwright.core.codec.fields import Fields, read_fields
from knobwright.core.codec.match import Matchers, Pattern, candidates
from knobwright.core.codec.settings import Group, settings_of
from knobwright.core.sheet.records import Module, Parameter

#: Source, channel nibble (-1 for none) and template: whose sequence it is.
_Place = tuple[int, int, int]


class Sequences:
    """Follows the messages that the lines of a sheet are made of, control changes apart."""

    def __init__(
        self, matchers: Matchers, parameters: Mapping[str, Parameter], module: Module
    ) -> None:
        self._matchers = matchers
        self._parameters = parameters
        self._module = module
        self._progress: dict[_Place, tuple[int, Fields]] = {}

    def forget(self) -> None:
        """Forget the lines of which only the first messages have come."""
        self._progress.clear()

    def take(self, message: bytes, source: int) -> list[Group]:
        """Return what a message makes of every target whose pattern it fits."""
        several: dict[int, list[Pattern]] = {}
        groups: list[Group] = []
        for pattern in candidates(self._matchers, message):
            target = pattern.target
            if len(target.template.line.messages) > 1:
                several.setdefault(id(target.template), []).append(pattern)
            else:
                events = self._finish(pattern, message, Fields())
                groups.append((target.parameter, list(events)))
        nibble = message[0] & 0x0F if message[0] < 0xF0 else -1
        for template, patterns in several.items():
            events = self._next(patterns, message, (source, nibble, template))
            groups.append((patterns[0].target.parameter, list(events)))
        return groups

    def _next(self, patterns: list[Pattern], message: bytes, place: _Place) -> Iterator[Event]:
        """Join a message to those before it of the same line; yield what is complete.

        Where it fits the message that is due it is that one, else it may begin the line anew.
        """
        due, before = self._progress.pop(place, (0, Fields()))
        by_part = {pattern.part: pattern for pattern in patterns}
        if due not in by_part:
            due, before = 0, Fields()
        pattern = by_part.get(due)
        if pattern is None:
            name = patterns[0].target.name
            yield Unexplained(message, f"it is a later part of {name}, whose start is missing")
            return
        target = pattern.target
        n_messages = len(target.template.line.messages)
        if due + 1 == n_messages:
            yield from self._finish(pattern, message, before)
            return
        fields = read_fields(pattern, message, self._module, before)
        if fields.reason:
            yield Unexplained(message, f"{target.name}: {fields.reason}")
            return
        self._progress[place] = (due + 1, fields)
        words = f"part {due + 1} of {n_messages} of {target.name}"
        yield Part(words, target.name, fields.channel)

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
