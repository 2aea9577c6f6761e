"""Turn coded bits into settings, with the checks that keep a wrong value from being believed."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from msgspec.structs import replace

from knobwright.core.codec.codings import CODINGS
from knobwright.core.codec.events import Event, Part, Setting, Unexplained
from knobwright.core.codec.fields import Fields
from knobwright.core.codec.match import Target
from knobwright.core.codec.runs import bytes_to_run
from knobwright.core.errors import DecodeError
from knobwright.core.interfaces import Lookup
from knobwright.core.sheet.records import Parameter

#: What a message makes of one target: its parameter (``None`` for a dump's request) and events.
Group = tuple[Parameter | None, list[Event]]


def raw_of(parameter: Parameter, bits: int) -> int:
    """Return the raw number that coded bits stand for."""
    return CODINGS[parameter.coding].to_raw(bits, parameter.n_value_bits, parameter.zero)


def bits_of(parameter: Parameter, raw: int) -> int:
    """Return the coded bits of a raw number."""
    return CODINGS[parameter.coding].to_bits(raw, parameter.n_value_bits, parameter.zero)


def settings_of(
    target: Target, fields: Fields, message: bytes, parameters: Mapping[str, Parameter]
) -> Iterator[Event]:
    """Yield the settings that a complete target makes, or why one can't be taken."""
    parameter = target.parameter
    assert parameter is not None
    if parameter.type:
        try:
            value = bytes_to_run(parameter, fields.run)
        except DecodeError as error:
            yield Unexplained(message, f"{parameter.key}: {error.message}")
            return
        yield Setting(parameter.key, value, fields.channel, fields.note, target.route)
    else:
        yield setting(parameter, fields.bits, fields.channel, fields.note, target.route, message)
    for name, bits in fields.others.items():
        other = parameters[name]
        channel = fields.channel if "channel" in other.per else None
        note = fields.note if "key" in other.per else None
        yield setting(other, bits, channel, note, 0, message)


def setting(
    parameter: Parameter,
    bits: int,
    channel: int | None,
    note: int | None,
    route: int,
    message: bytes,
    *,
    implied: bool = False,
) -> Event:
    """Return the setting of one parameter, or why its value can't be taken."""
    raw = raw_of(parameter, bits)
    if not parameter.allows(raw):
        spans = " and ".join(f"{low} to {high}" for low, high in parameter.ranges)
        return Unexplained(message, f"{parameter.key} would be {raw}, outside its range {spans}")
    return Setting(parameter.key, raw, channel, note, route, implied)


def condition_holds(
    parameter: Parameter,
    channel: int | None,
    note: int | None,
    current: Lookup | None,
    parameters: Mapping[str, Parameter],
) -> bool | None:
    """Return whether a parameter's condition holds now; ``None`` where that is not known."""
    answer: bool | None = True
    for when in parameter.when:
        other = parameters[when.key]
        value = None
        if current is not None:
            value = current(
                when.key,
                channel if "channel" in other.per else None,
                note if "key" in other.per else None,
            )
        if value is None:
            answer = None
        elif value not in when.values:
            return False
    return answer


def in_effect(
    groups: Sequence[Group], current: Lookup | None, parameters: Mapping[str, Parameter]
) -> list[Event]:
    """Return what a message does that fits the lines of several targets.

    Of several parameters that it would set, those whose condition does not hold now are left out
    (all are kept where none holds); where a condition is not known, its setting is marked as not
    sure. A line that refuses the message says so only where no other takes it.
    """
    taken = [group for group in groups if not all(isinstance(e, Unexplained) for e in group[1])]
    setting_keys = {p.key for p, events in taken if p and any(map(_sets, events))}
    if len(setting_keys) > 1:
        judged = [(group, _holds(group, current, parameters)) for group in taken]
        holding = [(group, holds) for group, holds in judged if holds is not False]
        taken = [_unsure(group) if holds is None else group for group, holds in holding] or taken
    events = _once(event for _, found in taken or groups for event in found)
    return [event for event in events if not isinstance(event, Part)] or events


def _sets(event: Event) -> bool:
    return isinstance(event, Setting)


def _once(events: Iterable[Event]) -> list[Event]:
    """Return the events without those that another line or route gives too."""
    kept: dict[object, Event] = {}
    for event in events:
        same: object = event
        if isinstance(event, Setting):
            same = (event.key, event.value, event.channel, event.note, event.implied, event.sure)
        kept.setdefault(same, event)
    return list(kept.values())


def _holds(
    group: Group, current: Lookup | None, parameters: Mapping[str, Parameter]
) -> bool | None:
    parameter, events = group
    own = next((event for event in events if isinstance(event, Setting)), None)
    if parameter is None or own is None:
        return True
    return condition_holds(parameter, own.channel, own.note, current, parameters)


def _unsure(group: Group) -> Group:
    parameter, events = group
    return parameter, [
        replace(event, sure=False)
        if isinstance(event, Setting) and parameter is not None and event.key == parameter.key
        else event
        for event in events
    ]
