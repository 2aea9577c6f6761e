"""The controllers that the trade knows by number and by name: what proves a number's base.

A leaflet that prints ``Pan  10`` counts in tens, one that prints ``Pan  0A`` counts in sixteens.
The numbers are those of the control change table of the MIDI 1.0 Detailed Specification (table III)
and of General MIDI 2; the names are the usual ones (common practice, no source).
"""

from __future__ import annotations

from knobwright.core.reading.numbers import DEC, HEX
from knobwright.core.reading.words import fold, has_word

CONTROLLERS: tuple[tuple[int, tuple[str, ...]], ...] = (
    # number -> how a name of it begins (folded); only numbers whose two readings differ
    (10, ("pan", "panorama", "panpot", "panning", "panoramique")),
    (11, ("expression", "ausdruck", "expresion", "espression", "expressie")),
    (16, ("general purpose 1", "general purpose controller 1")),
    (64, ("hold", "sustain", "damper", "haltepedal", "forte", "pedale forte")),
    (65, ("portamento on", "portamento switch", "portamento (on", "glide switch")),
    (66, ("sostenuto",)),
    (67, ("soft pedal", "una corda")),
    (71, ("resonance", "resonanz", "harmonic content", "timbre", "filter resonance")),
    (72, ("release", "ausklingzeit", "relachement", "rilascio")),
    (73, ("attack", "anstiegszeit", "attaque", "ataque", "attacco")),
    (74, ("cutoff", "cut-off", "brightness", "helligkeit", "brillance", "filter cutoff", "brillo")),
    (75, ("decay",)),
    (76, ("vibrato rate", "vibrato speed")),
    (77, ("vibrato depth",)),
    (78, ("vibrato delay",)),
    (84, ("portamento control", "portamento source")),
    (91, ("reverb", "hall", "room send")),
    (93, ("chorus",)),
    (94, ("celeste", "detune", "variation")),
)


def named_base(digits: str, label: str) -> str:
    """Return the base in which a controller's number fits its name, or nothing.

    Parameters
    ----------
    digits : str
        Two decimal digits without a mark; anything else proves nothing.
    label : str
        The name printed beside it.
    """
    if len(digits) != 2 or not digits.isdigit():
        return ""
    folded = fold(label).strip(" -:*")
    names = dict(CONTROLLERS)
    as_dec = any(folded.startswith(name) for name in names.get(int(digits), ()))
    as_hex = any(folded.startswith(name) for name in names.get(int(digits, 16), ()))
    if as_dec == as_hex:
        return ""
    return DEC if as_dec else HEX


def names_one(label: str) -> bool:
    """Return whether a name is that of a standard controller."""
    folded = fold(label)
    return any(has_word(folded, names) for _, names in CONTROLLERS)
