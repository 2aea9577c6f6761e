"""Which parameter of a sheet is the volume, the pan, the brightness ... of a stand-in's sound.

A sheet does not say what a parameter sounds like, so this is a guess, good enough for an
illustration: the stand-in's sound is never the module's sound.

*By bytes*, from the parameter's own line or any route: controllers 1, 7, 10, 11, 64, 71 to 78, 91
and 93 (MIDI 1.0, table III; 75 to 78 by RP-021), RPN 0 to 2, pitch bend, and the universal master
volume.

*By words* of key and label, for everything else (NRPN, exclusive): "brightness" or "cutoff",
"resonance", "attack", "decay", "release", "pan", "level" or "volume", "vibrato" with "rate",
"depth" or "delay". A name that also holds the word of an effect ("hall level", "echo volume") is no
part of the tone. A level per key is heard on drum channels; anything else per key is not.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

from knobwright.core.codec.settings import bits_of
from knobwright.core.sheet.records import Parameter, Sheet, Template
from knobwright.core.sheet.words import FIXED, OTHER, VALUE, Cell

# Roles with a position from 0 to 127, as a controller has one.
MODULATION, VOLUME, PAN, EXPRESSION, HOLD = "modulation", "volume", "pan", "expression", "hold"
RESONANCE, RELEASE, ATTACK, BRIGHTNESS, DECAY = (
    "resonance",
    "release",
    "attack",
    "brightness",
    "decay",
)
VIBRATO_RATE, VIBRATO_DEPTH, VIBRATO_DELAY = "vibrato rate", "vibrato depth", "vibrato delay"
REVERB, CHORUS = "reverb", "chorus"
LEVEL, KEY_LEVEL, MASTER = "level", "key level", "master"
# Roles with a unit of their own.
BEND, BEND_RANGE, FINE, COARSE = "bend", "bend range", "fine tuning", "coarse tuning"

#: Value of each role where neither a message nor the sheet says one. Positions: the defaults of
#: General MIDI 2 (RP-024); bend -1 to 1, its range and the coarse tuning in semitones, the fine
#: tuning in cents.
AT_REST: dict[str, float] = {
    MODULATION: 0,
    VOLUME: 100,
    PAN: 64,
    EXPRESSION: 127,
    HOLD: 0,
    RESONANCE: 64,
    RELEASE: 64,
    ATTACK: 64,
    BRIGHTNESS: 64,
    DECAY: 64,
    VIBRATO_RATE: 64,
    VIBRATO_DEPTH: 64,
    VIBRATO_DELAY: 64,
    REVERB: 40,
    CHORUS: 0,
    LEVEL: 127,
    KEY_LEVEL: 127,
    MASTER: 127,
    BEND: 0,
    BEND_RANGE: 2,
    FINE: 0,
    COARSE: 0,
}

#: Controller number of each role that is one.
CONTROLLERS: dict[int, str] = {
    1: MODULATION,
    7: VOLUME,
    10: PAN,
    11: EXPRESSION,
    64: HOLD,
    71: RESONANCE,
    72: RELEASE,
    73: ATTACK,
    74: BRIGHTNESS,
    75: DECAY,
    76: VIBRATO_RATE,
    77: VIBRATO_DEPTH,
    78: VIBRATO_DELAY,
    91: REVERB,
    93: CHORUS,
}
_RPNS = {0: BEND_RANGE, 1: FINE, 2: COARSE}

_WORDS: tuple[tuple[frozenset[str], str], ...] = (
    (frozenset({"vibrato", "rate"}), VIBRATO_RATE),
    (frozenset({"vibrato", "depth"}), VIBRATO_DEPTH),
    (frozenset({"vibrato", "delay"}), VIBRATO_DELAY),
    (frozenset({"brightness"}), BRIGHTNESS),
    (frozenset({"cutoff"}), BRIGHTNESS),
    (frozenset({"resonance"}), RESONANCE),
    (frozenset({"attack"}), ATTACK),
    (frozenset({"decay"}), DECAY),
    (frozenset({"release"}), RELEASE),
    (frozenset({"pan"}), PAN),
    (frozenset({"level"}), LEVEL),
    (frozenset({"volume"}), LEVEL),
)
_EFFECT_WORDS = frozenset(
    {
        "chorus", "delay", "depth", "echo", "effect", "feedback", "hall", "lfo", "modulation",
        "pitch", "reverb", "room", "send", "sense", "tremolo", "velocity", "vibrato",
    }
)  # fmt: skip


class Role(NamedTuple):
    """What a parameter does to the sound: the role, and raw value to the role's own unit."""

    name: str
    convert: Callable[[int], float]
    by_bytes: bool


def roles_of(sheet: Sheet) -> dict[str, Role]:
    """Return the role of each parameter that has one, by the parameter's key.

    Those told by their bytes come last: where two parameters start with different defaults for the
    same role, theirs counts.
    """
    by_words: dict[str, Role] = {}
    by_bytes: dict[str, Role] = {}
    for parameter in sheet.parameters:
        if parameter.is_action or parameter.type:
            continue
        names = (_role_of_line(route.template) for route in parameter.routes)
        name = next((name for name in names if name), "")
        if name and "key" not in parameter.per:
            by_bytes[parameter.key] = Role(name, _converter(name, parameter), True)
        elif name := _role_of_words(parameter):
            by_words[parameter.key] = Role(name, _position_in_range(parameter), False)
    return {**by_words, **by_bytes}


def _role_of_line(template: Template) -> str:
    """Return the role that a line's bytes have by a published standard, or an empty string."""
    messages = template.line.messages
    first = messages[0]
    kind = first[0].fixed & 0xF0
    if kind == 0xE0 and len(messages) == 1:
        return BEND
    if kind == 0xF0:
        return MASTER if _is_master_volume(first) else ""
    if kind != 0xB0 or any(m[0] != first[0] or m[1].kind != FIXED for m in messages):
        return ""
    cells = {message[1].fixed: message[2] for message in messages}
    if {100, 101} <= cells.keys() and cells[101].kind == cells[100].kind == FIXED:
        entry = cells.get(6)
        if entry is not None and entry.kind == VALUE and cells[101].fixed == 0:
            return _RPNS.get(cells[100].fixed, "")
        return ""
    number = min(cells)
    if len(cells) == 1 or cells.keys() == {number, number + 32}:
        return CONTROLLERS.get(number, "") if cells[number].kind in (VALUE, OTHER) else ""
    return ""


def _is_master_volume(message: tuple[Cell, ...]) -> bool:
    """Return whether a line is F0 7F device 04 01 low high F7 (MIDI 1.0, page 57)."""
    fixed = [cell.fixed if cell.kind == FIXED else None for cell in message]
    return len(message) == 8 and fixed[1] == 0x7F and fixed[3:5] == [0x04, 0x01]


def _role_of_words(parameter: Parameter) -> str:
    text = f"{parameter.key} {parameter.label}".casefold().replace("cut-off", "cutoff")
    words = frozenset(re.findall(r"[a-z]+", text))
    wanted, name = next((row for row in _WORDS if row[0] <= words), (words, ""))
    if not name or (words - wanted) & _EFFECT_WORDS:
        return ""
    if "key" in parameter.per:
        return KEY_LEVEL if name == LEVEL else ""
    return MASTER if name == LEVEL and "channel" not in parameter.per else name


def _position_in_range(parameter: Parameter) -> Callable[[int], float]:
    low, high = parameter.ranges[0][0], parameter.ranges[-1][1]
    width = max(high - low, 1)
    return lambda raw: (raw - low) / width * 127


def _converter(name: str, parameter: Parameter) -> Callable[[int], float]:
    """Return raw value to role value, through the bits that the line carries."""
    n_bits = parameter.n_value_bits

    def bits_14(raw: int) -> int:
        bits = bits_of(parameter, raw)
        return bits << (14 - n_bits) if n_bits <= 14 else bits >> (n_bits - 14)

    if name == BEND:
        return lambda raw: (bits_14(raw) - 8192) / 8192
    if name == FINE:  # RP-022: steps of 100/8192 cent
        return lambda raw: (bits_14(raw) - 8192) / 8192 * 100
    if name == COARSE:
        return lambda raw: (bits_14(raw) >> 7) - 64
    if name == BEND_RANGE:  # semitones, then cents (MIDI 1.0, page 18)
        return lambda raw: (bits_14(raw) >> 7) + (bits_14(raw) & 0x7F) / 100
    top = (1 << n_bits) - 1
    return lambda raw: bits_of(parameter, raw) / top * 127
