"""Names of the controllers and of the channel mode messages.

Sources: MIDI 1.0 Detailed Specification 4.2.1, pages 11 to 17, 20 to 25 and tables III and V; the
later names of 70 to 79 and 91 to 95 (RP-021, RP-023) and controller 88 (CA-031) from the MIDI
Association's table of control change messages; the plain numbering of 79, 92, 94 and 95 from
memory of that table.

To name a controller, give it a row in ``_NAMED``; numbers 32 to 63 follow from 0 to 31.
"""

from __future__ import annotations

#: First controller number that is a channel mode message.
FIRST_MODE = 120

_NAMED = {
    0: "bank select",
    1: "modulation",
    2: "breath",
    4: "foot",
    5: "portamento time",
    6: "data entry",
    7: "channel volume",
    8: "balance",
    10: "pan",
    11: "expression",
    12: "effect control 1",
    13: "effect control 2",
    16: "general purpose 1",
    17: "general purpose 2",
    18: "general purpose 3",
    19: "general purpose 4",
    64: "damper pedal",
    65: "portamento on/off",
    66: "sostenuto",
    67: "soft pedal",
    68: "legato footswitch",
    69: "hold 2",
    70: "sound variation",
    71: "timbre/harmonic intensity",
    72: "release time",
    73: "attack time",
    74: "brightness",
    75: "decay time",
    76: "vibrato rate",
    77: "vibrato depth",
    78: "vibrato delay",
    79: "sound controller 10",
    80: "general purpose 5",
    81: "general purpose 6",
    82: "general purpose 7",
    83: "general purpose 8",
    84: "portamento control",
    88: "high-resolution velocity prefix",
    91: "reverb send",
    92: "effect depth 2",
    93: "chorus send",
    94: "effect depth 4",
    95: "effect depth 5",
    96: "data increment",
    97: "data decrement",
    98: "NRPN number, low part",
    99: "NRPN number, high part",
    100: "RPN number, low part",
    101: "RPN number, high part",
}

#: Name of each channel mode message 120 to 127, indexed by ``number - 120``.
MODES: tuple[str, ...] = (
    "all sound off",
    "reset all controllers",
    "local control",
    "all notes off",
    "omni off",
    "omni on",
    "mono on",
    "poly on",
)


def _name(number: int) -> str:
    """Return the name of controller ``number``, 0 to 119, from the rows above."""
    if number in _NAMED:
        # Of a pair this is the MSB, which may be used alone (page 12): no word about parts.
        return _NAMED[number]
    if 32 <= number < 64 and number - 32 in _NAMED:
        return f"{_NAMED[number - 32]}, low part"
    return ""


#: Name of each controller 0 to 119; the empty string where the standard defines none.
CONTROLLERS: tuple[str, ...] = tuple(_name(number) for number in range(FIRST_MODE))


def is_switch(number: int) -> bool:
    """Return whether a controller is a switch: 64 to 69, off up to 63, on from 64 (page 12)."""
    return 64 <= number <= 69


def mode_words(number: int, value: int) -> str:
    """Return a channel mode message in words.

    Parameters
    ----------
    number : int, 120 to 127
    value : int, 0 to 127
        Means something for local control (0 off, 127 on) and mono on (number of channels, 0 for as
        many as there are voices); the others send 0 (page 25, table V). Any other value is said.
    """
    name = MODES[number - FIRST_MODE]
    if number == 122:
        return f"{name} " + {0: "off", 127: "on"}.get(value, f"value {value} (0 or 127 expected)")
    if number == 126:
        if value == 0:
            return f"{name}, as many channels as voices"
        return f"{name}, {value} channel{'s' if value > 1 else ''}"
    return name if value == 0 else f"{name}, value {value} (0 is the standard's)"
