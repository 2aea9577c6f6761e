"""Turn coded bits into settings, with the checks that keep a wrong value from being believed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from knobwright.core.codec.codings import CODINGS
from knobwright.core.codec.events import Event, Setting, Unexplained
from knobwright.core.codec.fields import Fields
from knobwright.core.codec.match import Target
from knobwright.core.codec.runs import bytes_to_run
from knobwright.core.errors import DecodeError
from knobwright.core.interfaces import Lookup
from knobwright.core.sheet.records import Parameter


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
    parameter: Parameter, channel: int | None, note: int | None,
    current: Lookup | None, parameters: Mapping[str, Parameter],
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
