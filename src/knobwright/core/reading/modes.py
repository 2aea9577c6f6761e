"""Channel mode messages: controllers 120 to 127 mean the same in every module.

Their values are the standard's (MIDI 1.0 Detailed Specification, table IV, channel mode messages):
0 for all sound off, reset, all notes off, omni off and on and poly; 0 or 127 for local control; the
number of channels for mono.
"""

from __future__ import annotations

from knobwright.core.reading.built import Built
from knobwright.core.reading.facts import Facts
from knobwright.core.reading.found import Found, fixed
from knobwright.core.reading.numbers import spans

ACTIONS = (120, 121, 123, 124, 125, 127)
LOCAL, MONO = 122, 126
_IMPLIED = ("columns", "controller", "number")


def mode_action(found: Found, built: Built, facts: Facts) -> Found | None:
    """Return a mode message without a printed value as the action that it is, else None."""
    if mode_of(found, built) not in ACTIONS or facts.choices:
        return None
    if facts.range not in (None, (0, 0)) or any(_says_more(t) for _, _, t in found.texts):
        return None
    return found._replace(toks=(*found.toks[:2], fixed(0)))


def settle_mode(found: Found, built: Built, facts: Facts) -> None:
    """Give local control and mono the standard's values, where the row prints none."""
    mode = mode_of(found, built)
    if facts.range is not None or facts.choices or facts.doubts:
        return
    if mode == LOCAL:
        facts.choices = {0: "off", 127: "on"}
    elif mode == MONO:
        facts.range = (0, 16)


def mode_of(found: Found, built: Built) -> int:
    """Return the number of the mode controller that a row names without a value, or 0."""
    if built.kind != "parameter" or len(built.words) != 1 or found.dialect not in _IMPLIED:
        return 0
    words = built.words[0]
    if words[0][0] != "B" or len(words) != 3 or len(built.parts) != 1:
        return 0
    number = int(words[1], 16)
    return number if number >= 120 else 0


def _says_more(text: str) -> bool:
    """Return whether a text beside a mode message prints a value other than 0."""
    return any(max(map(abs, span.values("dec"))) > 0 and not span.is_range for span in spans(text))
