"""Tolerances for thinning as a person types them: ``bend=3 cents``, ``brightness=2``.

To add a word that stands for a whole kind of messages, give it a row in ``WORDS``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple, TypeVar

from knobwright.core.codec.events import Setting
from knobwright.core.codec.names import fold
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import InputError
from knobwright.core.sheet.records import Parameter
from knobwright.core.timing.classify import of_controller
from knobwright.core.timing.items import BEND, VALUE
from knobwright.core.timing.settings import from_setting, is_continuous
from knobwright.core.timing.thin_streams import Tolerances

K = TypeVar("K")

_STEPS = "steps"
_FORM = "NAME=VALUE, for example bend=3 or brightness=2"
_VALUE = re.compile(r"\s*([0-9]{1,9}(?:\.[0-9]{1,9})?)\s*(.*?)\s*", re.ASCII | re.DOTALL)
_CONTROLLER = re.compile(r"controller ([0-9]{1,3})", re.ASCII)
_N_CONTROLLERS = 128


class Word(NamedTuple):
    """A word for a kind of messages: its field in ``Tolerances``, and the unit."""

    field: str
    unit: str


WORDS: dict[str, Word] = {
    "bend": Word("bend_cents", "cents"),
    "pressure": Word("pressure_steps", _STEPS),
    "controllers": Word("steps", _STEPS),
}


def read_tolerances(texts: Sequence[str], codec: Codec) -> Tolerances:
    """Return the tolerances that texts set; all others are the default ones.

    Parameters
    ----------
    texts : sequence of str
        Each ``NAME=VALUE``. The name is a row of ``WORDS``, ``controller`` and a number, or the key
        or label of a continuous parameter of the sheet; the value is in its unit, which may stand
        behind it.
    codec : Codec
        Of the module's sheet.

    Raises
    ------
    InputError
        A text is none of this, says another unit, or names what is never thinned; or two of them
        are for the same.
    """
    plain: dict[str, float] = {}
    by_controller: dict[int, float] = {}
    by_parameter: dict[str, float] = {}
    for text in texts:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise InputError(f"a tolerance is {_FORM}, found {text!r}")
        folded = fold(name)
        found = _CONTROLLER.fullmatch(folded)
        if folded in WORDS:
            word = WORDS[folded]
            _put(plain, word.field, _number(text, value, word.unit), text)
        elif found:
            number = _controller(int(found[1]), codec)
            _put(by_controller, number, _number(text, value, _STEPS), text)
        else:
            parameter = codec.find(name.strip())
            _check_parameter(parameter, codec)
            unit = codec.scale(parameter.key).unit
            _put(by_parameter, parameter.key, _number(text, value, unit), text)
    return Tolerances(**plain, by_controller=by_controller, by_parameter=by_parameter)


def _put(found: dict[K, float], name: K, value: float, text: str) -> None:
    if name in found:
        raise InputError(f"the tolerance {text!r} is the second one for the same")
    found[name] = value


def _number(text: str, value: str, unit: str) -> float:
    found = _VALUE.fullmatch(value)
    if found is None:
        raise InputError(f"a tolerance is a number, 0 or more, in the tolerance {text!r}")
    said = found[2]
    if said and fold(said) != fold(unit) and said.casefold() != unit.casefold():
        wanted = f"it is counted in {unit}" if unit else "it has no unit"
        raise InputError(f"{said!r} is not the unit in the tolerance {text!r}: {wanted}")
    return float(found[1])


def _controller(number: int, codec: Codec) -> int:
    """Return a controller that can have a tolerance of its own."""
    if number >= _N_CONTROLLERS or of_controller(0, number).sort != VALUE:
        raise InputError(f"controller {number} holds no continuous value, so it is never thinned")
    channel = codec.sheet.module.channels[0] - 1 if codec.sheet.module.channels else 0
    for event in codec.decoder().feed(bytes((0xB0 | channel, number, 64))):
        if isinstance(event, Setting) and not event.implied:
            raise InputError(
                f"the sheet calls controller {number} {event.key}, and its tolerance is in the "
                "unit of that",
                hint=f"give it as {event.key}=VALUE",
            )
    return number & 31 if number < 64 else number


def _check_parameter(parameter: Parameter, codec: Codec) -> None:
    """Refuse a tolerance that would never be used."""
    channels = codec.sheet.module.channels
    note = 60 if "key" in parameter.per else None
    sort, is_bend = "", False
    if is_continuous(parameter) and not any(r.template.line.others for r in parameter.routes):
        channel, raw = (channels[0] if channels else 1), parameter.ranges[0][0]
        messages = codec.encode(parameter.key, raw, channel, note, danger=True)
        sort = from_setting(parameter, messages, channel, note).sort
        is_bend = sort == BEND and messages[0][0] >> 4 == 0xE
    if is_bend:
        raise InputError(
            f"{parameter.key} is pitch bend, and its tolerance is in cents", hint="give bend=CENTS"
        )
    if sort != VALUE:
        raise InputError(f"{parameter.key} is no continuous value, so it is never thinned")
