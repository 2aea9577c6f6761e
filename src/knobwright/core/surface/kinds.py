"""What a control can be, and the forms in which it sends.

To add a kind of control, add a row to :data:`KINDS` and to ``docs/reference/surface.md``.
"""

from __future__ import annotations

from typing import NamedTuple


class Kind(NamedTuple):
    """A kind of control: whether it is pressed (else it is turned or pushed), and in words."""

    name: str
    presses: bool
    words: str


KINDS: dict[str, Kind] = {
    row.name: row
    for row in (
        Kind("knob", False, "turned, with two ends"),
        Kind("fader", False, "pushed along a line"),
        Kind("encoder", False, "turned without an end"),
        Kind("wheel", False, "a wheel or stick, which may spring back to its middle"),
        Kind("pedal", False, "a pedal with a way of its own: expression, volume"),
        Kind("sensor", False, "pressure, breath, light or anything else that changes by itself"),
        Kind("button", True, "pressed, on or off"),
        Kind("pad", True, "struck, with a force"),
        Kind("footswitch", True, "pressed by a foot, on or off"),
    )
}

CONTROL = "control"
CONTROL_14 = "control-14"
RPN = "rpn"
NRPN = "nrpn"
NOTE = "note"
KEY_PRESSURE = "key-pressure"
BEND = "bend"
PROGRAM = "program"
PRESSURE = "pressure"
FIXED = "fixed"
EXCLUSIVE = "exclusive"
PATH = "path"

#: The forms in which a control sends, in words.
FORMS: dict[str, str] = {
    CONTROL: "control change of 7 bits",
    CONTROL_14: "pair of control changes, 14 bits",
    RPN: "registered parameter number",
    NRPN: "non-registered parameter number",
    NOTE: "note",
    KEY_PRESSURE: "pressure of one key",
    BEND: "pitch bend",
    PROGRAM: "program change",
    PRESSURE: "channel pressure",
    FIXED: "message without a value",
    EXCLUSIVE: "exclusive message with a value",
    PATH: "Open Sound Control path",
}

#: A button that sends when pressed and when let go; one that keeps its state by itself.
MOMENTARY = "momentary"
TOGGLE = "toggle"
ACTIONS = (MOMENTARY, TOGGLE)
