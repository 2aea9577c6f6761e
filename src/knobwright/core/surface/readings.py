"""Read what one control sent: its form, line, range, coding and action, or what must be asked."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec.structs import replace

from knobwright.core.surface import judge as j
from knobwright.core.surface import kinds as k
from knobwright.core.surface.forms import DATA_HIGH, DATA_LOW, DOWN, SELECTIONS, UP
from knobwright.core.surface.heard import Ask, Heard
from knobwright.core.surface.relative import RELATIVE

RELATIVE_ASK = "sends"
PRESSES_ASK = "presses"
FIRST_ASK = "first"
ABSOLUTE = "absolute"
BUTTON = "button"
_TWICE = "press it twice, and let it go each time"
_MANY = 12
_STATUS = {
    k.CONTROL: 0xB0,
    k.CONTROL_14: 0xB0,
    k.NRPN: 0xB0,
    k.RPN: 0xB0,
    k.NOTE: 0x90,
    k.KEY_PRESSURE: 0xA0,
    k.BEND: 0xE0,
    k.PROGRAM: 0xC0,
    k.PRESSURE: 0xD0,
}


class Unit:
    """What one control sent: its values in order, when each came, and the messages.

    ``turns`` are the numbers of its messages among all that were heard. ``order`` is the order of
    the halves: the two controllers of a pair, or of a selection.
    """

    def __init__(self, form: str, channel: int | None, number: int) -> None:
        self.form = form
        self.channel = channel
        self.number = number
        self.n = 0
        self.values: list[int] = []
        self.times_ns: list[int] = []
        self.messages: list[bytes] = []
        self.turns: list[int] = []
        self.order: tuple[int, ...] = ()

    @property
    def words(self) -> str:
        """Return what it is in a few words."""
        on = "" if self.channel is None else f" on channel {self.channel + 1}"
        numbered = self.form in (k.CONTROL, k.CONTROL_14, k.NOTE, k.KEY_PRESSURE)
        number = f" {self.number}" if numbered else ""
        return f"{k.FORMS[self.form]}{number}{on}"

    @property
    def status(self) -> str:
        """Return its status byte in hex."""
        return f"{_STATUS[self.form] | (self.channel or 0):02X}"


def read(unit: Unit, answers: Mapping[str, str], also: tuple[str, ...]) -> Heard:
    """Return what is believed of a control, with the user's answers taken into account."""
    fields: dict[str, Any] = {
        "form": unit.form,
        "channel": None if unit.channel is None else unit.channel + 1,
        "also": also,
        "n_messages": unit.n,
    }
    if unit.form == k.FIXED:
        return _system(unit, answers, fields)
    if unit.form == k.CONTROL:
        if unit.number in (DATA_HIGH, DATA_LOW, UP, DOWN):
            needs = ("its number was selected before: start again, and move another control first",)
            return Heard(j.ASKS, needs=needs, also=also, n_messages=unit.n)
        line = f"{unit.status} {unit.number:02X} vv"
        return _seven_bits(unit.values, line, answers, fields)
    if unit.form == k.CONTROL_14:
        parts = {unit.number: "vh", unit.number + 32: "vl"}
        fields["line"] = tuple(f"{unit.status} {n:02X} {parts[n]}" for n in unit.order)
        return _wide(unit.values, 14, "knob", fields)
    if unit.form in SELECTIONS:
        return _numbered(unit, answers, fields)
    if unit.form == k.NOTE:
        return _note(unit, answers, fields)
    return _plain(unit, answers, fields)


def _seven_bits(
    values: list[int], line: str, answers: Mapping[str, str], fields: dict[str, Any]
) -> Heard:
    judged = j.judge(values)
    chosen = answers.get(RELATIVE_ASK, "")
    fields |= {"line": (line,), "range": (min(values), max(values))}
    if chosen == ABSOLUTE or (judged.what == j.STANDS and not chosen):
        level = j.LIKELY if chosen else judged.level
        needs = judged.needs if judged.what == j.STANDS else ()
        return Heard(level, kind="knob", needs=needs, **fields)
    if chosen == BUTTON or (not chosen and judged.what in (j.PRESSED, j.TRIGGER)):
        return _pressed(values, line, answers, fields)
    if not chosen and judged.level == j.ASKS:
        kind = "encoder" if judged.what == j.STEPS else "knob"
        asks = (_coding_ask(judged.codings),) if len(values) > 1 else ()
        return Heard(j.ASKS, kind=kind, needs=judged.needs, asks=asks, **fields)
    return _steps(values, chosen or judged.codings[0], answers, fields)


def _steps(
    values: list[int], coding: str, answers: Mapping[str, str], fields: dict[str, Any]
) -> Heard:
    fields |= {"kind": "encoder", "relative": coding, "range": (0, 127)}
    if RELATIVE[coding].steps[values[0]] >= 0:
        return Heard(j.SURE, **fields)
    first = answers.get(FIRST_ASK)
    if first is None:
        answers_first = {"up": "up: it sends its steps the other way round", "down": "down"}
        ask = Ask(FIRST_ASK, "which way was it turned first", answers_first)
        return Heard(j.ASKS, asks=(ask,), **fields)
    return Heard(j.SURE, reverse=first == "up", **fields)


def _coding_ask(codings: tuple[str, ...]) -> Ask:
    answers = {name: RELATIVE[name].words for name in codings}
    answers[ABSOLUTE] = "no steps: it sends where it stands"
    answers[BUTTON] = "it is pressed"
    return Ask(RELATIVE_ASK, "how does it send", answers)


def _pressed(
    values: list[int], line: str, answers: Mapping[str, str], fields: dict[str, Any]
) -> Heard:
    """Return a button: what a press and what letting go sends needs the number of presses."""
    fields |= {"kind": "button"}
    n, n_presses = len(values), int(answers.get(PRESSES_ASK, 0))
    if not n_presses:
        ask = Ask(PRESSES_ASK, "how many times was it pressed (and let go)", {})
        turns = ("if it turns, turn it the other way too",) if len(set(values)) == 1 else ()
        return Heard(j.ASKS, needs=(_TWICE, *turns), asks=(ask,), **fields)
    if len(set(values)) == 1:
        if n != n_presses:
            return Heard(j.ASKS, needs=(_unequal(n, n_presses), _TWICE), **fields)
        if fields["form"] == k.CONTROL:  # always the same: a message without a value
            fields |= {"form": k.FIXED, "line": (line.replace("vv", f"{values[0]:02X}"),)}
            fields["n_bits"] = 0
        return Heard(j.SURE, action=k.MOMENTARY, **fields)
    if n == 2 * n_presses:
        action = k.MOMENTARY
    elif n == n_presses and n > 1:
        action = k.TOGGLE
    else:
        return Heard(j.ASKS, needs=(_unequal(n, n_presses), _TWICE), **fields)
    return Heard(j.SURE, action=action, **fields)


def _unequal(n: int, n_presses: int) -> str:
    return f"{n} messages do not fit {n_presses} presses"


def _wide(values: list[int], n_bits: int, kind: str, fields: dict[str, Any]) -> Heard:
    """Return a control that stands somewhere, by how much of its way was seen."""
    fields |= {"n_bits": n_bits, "kind": kind}
    most = (1 << n_bits) - 1
    if not values:
        return Heard(j.ASKS, needs=(j.TURN,), **fields)
    low, high = min(values), max(values)
    fields["range"] = (low, high)
    if len(set(values)) < _MANY or high - low < most // 2:
        return Heard(j.ASKS, needs=(j.TURN,), **fields)
    if low == 0 and high == most:
        return Heard(j.SURE, **fields)
    return Heard(j.LIKELY, needs=("turn it fully both ways",), **fields)


def _numbered(unit: Unit, answers: Mapping[str, str], fields: dict[str, Any]) -> Heard:
    halves = {
        SELECTIONS[unit.form][0]: unit.number >> 7,
        SELECTIONS[unit.form][1]: unit.number & 127,
    }
    head = " ".join(f"{number:02X} {halves[number]:02X}" for number in unit.order)
    data = [(message[1], message[2]) for message in unit.messages]
    highs = [value for number, value in data if number == DATA_HIGH]
    lows = [value for number, value in data if number == DATA_LOW]
    start = f"{unit.status} {head}"
    if not highs and not lows:  # increments and decrements only
        fields |= {"line": (f"{start} 06 vv",), "kind": "encoder"}
        return Heard(j.LIKELY, needs=("it sends increments and decrements",), **fields)
    if len(lows) < len(highs) // 2:
        return _seven_bits(highs, f"{start} 06 vv", answers, fields)
    if not highs:
        return _seven_bits(lows, f"{start} 26 vv", answers, fields)
    low_first = data[0][0] == DATA_LOW
    fields["line"] = (f"{start} 26 vl 06 vh" if low_first else f"{start} 06 vh 26 vl",)
    values: list[int] = []
    now: dict[int, int] = {}
    for number, value in data:
        now[number] = value
        if number == (DATA_HIGH if low_first else DATA_LOW) and len(now) == 2:
            values.append(now[DATA_HIGH] << 7 | now[DATA_LOW])
    return _wide(values, 14, "knob", fields)


def _note(unit: Unit, answers: Mapping[str, str], fields: dict[str, Any]) -> Heard:
    line = f"{unit.status} {unit.number:02X} vv"
    fields["line"] = (line,)
    strokes = [value for value in unit.values if value]
    heard = _pressed([min(value, 1) for value in unit.values], line, answers, fields)
    kind = "pad" if len(set(strokes)) > 1 else "button"
    return replace(heard, kind=kind, range=(0, 127))


def _plain(unit: Unit, answers: Mapping[str, str], fields: dict[str, Any]) -> Heard:
    values = unit.values
    if unit.form == k.BEND:
        coarse = all(message[1] == 0 for message in unit.messages)
        fields["line"] = (f"{unit.status} 00 vv" if coarse else f"{unit.status} vl vh",)
        return _wide(
            [v >> 7 for v in values] if coarse else values, 7 if coarse else 14, "wheel", fields
        )
    if unit.form == k.PROGRAM:
        if len(set(values)) == 1:
            fields |= {"form": k.FIXED, "n_bits": 0, "line": (f"{unit.status} {values[0]:02X}",)}
            return _pressed(values, "", answers, fields)
        fields["line"] = (f"{unit.status} pp",)
        return _wide(values, 7, "knob", fields)
    key = f" {unit.number:02X}" if unit.form == k.KEY_PRESSURE else ""
    fields["line"] = (f"{unit.status}{key} vv",)
    return _wide(values, 7, "sensor", fields)


def _system(unit: Unit, answers: Mapping[str, str], fields: dict[str, Any]) -> Heard:
    kinds = list(dict.fromkeys(unit.messages))
    first = kinds[0]
    fields |= {"line": (first.hex(" ").upper(),), "n_bits": 0}
    if len(kinds) == 1:
        return _pressed([0] * unit.n, "", answers, fields)
    moving = [i for i in range(len(first)) if len({message[i] for message in kinds}) > 1]
    if len(kinds) == 2:
        heard = _pressed([kinds.index(m) for m in unit.messages], "", answers, fields)
        return replace(heard, release=kinds[1].hex(" ").upper())
    if len(moving) > 1:
        needs = (
            f"bytes {', '.join(str(i + 1) for i in moving)} of the exclusive message change: "
            "write its line into the surface by hand",
        )
        return Heard(j.ASKS, needs=needs, **fields)
    spelt = [f"{byte:02X}" for byte in first]
    spelt[moving[0]] = "vv"
    fields |= {"form": k.EXCLUSIVE, "line": (" ".join(spelt),)}
    return _wide([message[moving[0]] for message in unit.messages], 7, "knob", fields)
