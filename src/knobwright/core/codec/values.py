"""Typed values: what a person writes behind ``NAME=`` becomes a raw value, or is refused.

A bare whole number is raw; hex is raw (``40h``, ``0x40``, ``$40``); a name is a choice; a number
with the unit is a shown value, and so is a signed number (``+12``, ``-3``) where the shown value
is not the raw one and raw values are never negative. ``raw 5`` says plainly that 5 is raw.
"""

from __future__ import annotations

import re

from knobwright.core.codec.shown import Scale, number_and_unit
from knobwright.core.errors import EncodeError, printable
from knobwright.core.sheet.records import Parameter, Raw

_HEX = re.compile(r"(?:0x|\$)([0-9A-Fa-f]{1,8})\Z|([0-9A-Fa-f]{1,8})[hH]\Z")
_WHOLE = re.compile(r"[0-9]{1,12}\Z")
_SIGNED = re.compile(r"[+-][0-9]{1,12}\Z")
#: What may be written for the one value of an action.
DO = "do"


def parse_value(parameter: Parameter, scale: Scale, text: str) -> Raw:
    """Return the raw value that ``text`` stands for.

    Raises
    ------
    EncodeError
        The text is no value of this parameter, lies outside its range, or can be read in two ways.
    """
    text = text.strip()
    if parameter.type:
        return _run(parameter, text)
    if parameter.is_action:
        if text.casefold() in (DO, "", "0"):
            return 0
        raise EncodeError(f"{parameter.key} is an action", hint=f"write {parameter.key}={DO}")
    if text.casefold().startswith("raw "):
        return checked(parameter, scale, _raw_number(text[4:].strip(), parameter))
    by_name = _choice(parameter, text)
    by_number = _number(parameter, scale, text)
    if by_name is not None and by_number is not None and by_name != by_number:
        raise EncodeError(
            f"{text!r} is the choice {parameter.choices[by_name]!r} (raw {by_name}) "
            f"and also the number {by_number}",
            hint=f"write 'raw {by_name}' or 'raw {by_number}'",
        )
    found = by_name if by_name is not None else by_number
    if found is None:
        raise EncodeError(
            f"{printable(text)!r} is no value of {parameter.key}", hint=_help(parameter, scale)
        )
    return checked(parameter, scale, found)


def checked(parameter: Parameter, scale: Scale, raw: int) -> int:
    """Return ``raw`` if the parameter allows it; refuse it with the range otherwise."""
    if parameter.allows(raw):
        return raw
    raise EncodeError(
        f"{parameter.key}: {raw} is outside the range {scale.spell_range()}",
        hint=_help(parameter, scale) if parameter.choices else "",
    )


def spell_value(parameter: Parameter, scale: Scale, raw: Raw) -> str:
    """Return a raw value as a person reads it: its choice's name, or its shown value."""
    if isinstance(raw, str):
        return repr(raw)
    if isinstance(raw, tuple):
        return ", ".join(map(str, raw)) or "none"
    if parameter.is_action:
        return DO
    name = parameter.choices.get(raw)
    return name if name is not None else scale.text(raw)


def _raw_number(text: str, parameter: Parameter) -> int:
    if match := _HEX.match(text):
        return int(match[1] or match[2], 16)
    if _WHOLE.match(text) or _SIGNED.match(text):
        return int(text)
    raise EncodeError(f"{printable(text)!r} is no raw number of {parameter.key}")


def _choice(parameter: Parameter, text: str) -> int | None:
    wanted = text.casefold()
    names = {raw: name.casefold() for raw, name in parameter.choices.items()}
    exact = [raw for raw, name in names.items() if name == wanted]
    if len(exact) > 1:
        raise EncodeError(
            f"{text!r} names {len(exact)} choices of {parameter.key}: raw {_list(exact)}",
            hint=f"write 'raw {exact[0]}'",
        )
    if exact or not re.search(r"[^\W\d_]", wanted):
        return exact[0] if exact else None
    part = [raw for raw, name in names.items() if wanted in name]
    if len(part) > 1:
        listed = ", ".join(f"{parameter.choices[raw]} ({raw})" for raw in part[:8])
        raise EncodeError(f"{printable(text)!r} fits several choices: {listed}")
    return part[0] if part else None


def _number(parameter: Parameter, scale: Scale, text: str) -> int | None:
    if _HEX.match(text):
        return _raw_number(text, parameter)
    if _WHOLE.match(text):
        return int(text)
    if _SIGNED.match(text):
        if text[0] == "+" and scale.is_plain and parameter.ranges[0][0] >= 0:
            raise EncodeError(
                f"{parameter.key}: {text} has a sign, and its values are plain numbers",
                hint=f"write {text[1:]}; range {scale.spell_range()}",
            )
        if scale.is_plain or parameter.ranges[0][0] < 0:
            return int(text)
        return _nearest(parameter, scale, float(text))
    split = number_and_unit(text)
    if split is None:
        return None
    value = scale.read(text)
    if value is None:
        unit = scale.unit or "no unit"
        raise EncodeError(
            f"{parameter.key}: {printable(text)!r} is no value; its unit is {unit}",
            hint=_help(parameter, scale),
        )
    if scale.is_plain:
        if value != int(value):
            raise EncodeError(f"{parameter.key} takes whole numbers, not {value:g}")
        return int(value)
    return _nearest(parameter, scale, value)


def _nearest(parameter: Parameter, scale: Scale, value: float) -> int:
    try:
        return scale.value_to_raw(value)
    except EncodeError as error:
        raise EncodeError(f"{parameter.key}: {error.message}", hint=error.hint) from error


def _run(parameter: Parameter, text: str) -> Raw:
    if parameter.type == "text":
        return text
    items = [item for item in re.split(r"[,\s]+", text) if item]
    if parameter.type == "mask" and items == ["none"]:
        return ()
    if not all(_WHOLE.match(item) or _SIGNED.match(item) for item in items):
        raise EncodeError(f"{parameter.key} takes whole numbers parted by commas")
    return tuple(int(item) for item in items)


def _help(parameter: Parameter, scale: Scale) -> str:
    if parameter.choices:
        shown = [f"{raw} {name}" for raw, name in list(parameter.choices.items())[:12]]
        more = ", ..." if len(parameter.choices) > 12 else ""
        return f"choices: {', '.join(shown)}{more}"
    return f"range {scale.spell_range()}"


def _list(numbers: list[int]) -> str:
    return ", ".join(map(str, numbers))
