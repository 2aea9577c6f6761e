"""Items of encoded parameters: what the sheet says of a parameter decides how it may be moved."""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import NamedTuple

from knobwright.core.sheet.records import Parameter, Template
from knobwright.core.sheet.words import VALUE as VALUE_CELL
from knobwright.core.timing.classify import bank_length, of_group, selection_length
from knobwright.core.timing.items import ALL_CHANNELS, BEND, KEPT, VALUE, Item


class Place(NamedTuple):
    """Where bytes go, after the sheet: the base of the parameter, and whether it is kept."""

    base: Hashable
    kept: bool


def is_continuous(parameter: Parameter) -> bool:
    """Return whether a parameter is a continuous one: more than two values, most without a name.

    A choice may set other parameters too (a kind of hall sets its time), and so may an action: they
    are kept in order against everything on their channels. Names for a few values of a range, as
    *left*, *centre* and *right*, make no choice of it.
    """
    if parameter.type or parameter.is_action:
        return False
    n_values = sum(high - low + 1 for low, high in parameter.ranges)
    n_named = sum(parameter.allows(raw) for raw in parameter.choices)
    return n_values > 2 and 2 * n_named < n_values


def from_setting(
    parameter: Parameter,
    messages: Sequence[bytes],
    channel: int | None,
    note: int | None = None,
    *,
    shared: Mapping[str, str] | None = None,
    rest_ns: int = 0,
    source: str = "",
) -> Item:
    """Return the item of an encoded parameter.

    Parameters
    ----------
    parameter : Parameter
        What the messages set.
    messages : sequence of bytes
        Whole messages as the codec gives them.
    channel : int, 1 to 16, or None
        Passed over where the parameter is not per channel.
    note : int, 0 to 127, or None
        Passed over where the parameter is not per key.
    shared : mapping of str to str, optional
        As :func:`shared_bases` gives it for the whole sheet.
    rest_ns : int >= 0, nanoseconds
        Rest that must follow.
    source : str
        Where it came from.

    Notes
    -----
    What the bytes alone say wins where it is stricter: a parameter that is sent as controller 64
    is a switch, one that is sent as RPN 0 is a bend.
    """
    at = channel if "channel" in parameter.per else None
    place = place_of(parameter, at, note, shared)
    found = of_group(messages)
    mask = _mask(messages, at)
    sort, base, key = found.sort, found.base, None
    if any(m[0] == 0xF0 for m in messages):
        sort, base = VALUE, None  # explained, so that the sheet decides
    elif sort not in (VALUE, BEND) and (sort != KEPT or base is None or len(messages) > 1):
        sort, base = KEPT, None
    if sort in (VALUE, BEND):
        if place.kept:
            sort, base = KEPT, None
        else:
            base, key = place.base, (place.base, parameter.key)
    n_selection = selection_length(messages) or bank_length(messages)
    return Item(tuple(messages), sort, mask, key, base, n_selection, rest_ns, source)


def from_messages(messages: Sequence[bytes], *, rest_ns: int = 0, source: str = "") -> Item:
    """Return messages that belong together as one kept item: a program, a setup step, a dump.

    No value of its channels crosses it.
    """
    n_selection = selection_length(messages) or bank_length(messages)
    mask = _mask(messages, None)
    return Item(tuple(messages), KEPT, mask, None, None, n_selection, rest_ns, source)


def _mask(messages: Sequence[bytes], channel: int | None) -> int:
    """Return the channels that messages address; ``channel`` (1 to 16) is what exclusives mean."""
    mask = 0
    for message in messages:
        if message[0] < 0xF0:
            mask |= 1 << (message[0] & 15)
        else:
            mask |= ALL_CHANNELS if channel is None else 1 << (channel - 1)
    return mask


def place_of(
    parameter: Parameter,
    channel: int | None,
    note: int | None,
    shared: Mapping[str, str] | None = None,
) -> Place:
    """Return the place of a parameter on a channel (1 to 16) and key, where it has such."""
    key = parameter.key if shared is None else shared.get(parameter.key, parameter.key)
    at_channel = channel if "channel" in parameter.per else None
    at_note = note if "key" in parameter.per else None
    return Place(("place", key, at_channel, at_note), not is_continuous(parameter))


def shared_bases(parameters: Sequence[Parameter]) -> dict[str, str]:
    """Return the name that parameters share as base where one's bytes carry or mean another.

    A line with ``{other}`` sets the other one too, and two parameters with the same line are told
    apart only by their condition: in both cases a newer one must not be moved before an older one.
    """
    leader = {parameter.key: parameter.key for parameter in parameters}

    def find(key: str) -> str:
        while leader[key] != key:
            key = leader[key]
        return key

    by_form: dict[object, str] = {}
    for parameter in parameters:
        for route in parameter.routes:
            linked = [k for k in route.template.line.others if k in leader]
            first = by_form.setdefault(_form(route.template), parameter.key)
            for other in (*linked, first):
                leader[find(other)] = find(parameter.key)
    return {key: find(key) for key in leader if find(key) != key}


def _form(template: Template) -> object:
    """Return a line without its values: what it looks like on the wire."""
    return tuple(
        tuple("v" if cell.kind == VALUE_CELL else cell.word for cell in message)
        for message in template.line.messages
    )
