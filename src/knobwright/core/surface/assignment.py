"""An assignment: a control tied to a parameter, and what can be wrong with it.

To add a mode, add a row to :data:`MODES`, a branch to ``tied.py`` and a row to
``docs/reference/surface.md``.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from msgspec import Struct

from knobwright.core.sheet.records import Parameter
from knobwright.core.surface.curves import CURVES, curve_fault
from knobwright.core.surface.kinds import FIXED
from knobwright.core.surface.meeting import AT_ONCE, MEETINGS
from knobwright.core.surface.records import Control

FOLLOW = "follow"
STEPS = "steps"
HELD = "held"
SWITCH = "toggle"
NEXT = "next"
PREVIOUS = "previous"
SET = "set"


class Mode(NamedTuple):
    """What a control does to its parameter: for controls that turn, that are pressed, in words."""

    name: str
    turns: bool
    presses: bool
    words: str


MODES: dict[str, Mode] = {
    row.name: row
    for row in (
        Mode(FOLLOW, True, True, "the value follows the control (a pad: its force)"),
        Mode(STEPS, True, False, "the control's way is cut into as many equal pieces as values"),
        Mode(HELD, False, True, "high while the button is held (or on), low when it is let go"),
        Mode(SWITCH, False, True, "every press changes between low and high"),
        Mode(NEXT, False, True, "every press goes on to the next value"),
        Mode(PREVIOUS, False, True, "every press goes back to the value before"),
        Mode(SET, False, True, "a press sets one value, or does an action"),
    )
}


class Assignment(Struct, frozen=True):
    """A control tied to a parameter.

    Attributes
    ----------
    control, parameter : str
        The control's name and the parameter's key.
    input : str
        Name of the bench's input whose control it is; empty: any.
    channels : tuple of int, 1 to 32
        Where it goes, for a parameter per channel (17 to 32 are the second link); empty: the
        channel on which the control came.
    note : int, 0 to 127, optional
        The key number, for a parameter per key.
    meet : str
        A row of ``MEETINGS``.
    curve, amount, points : str, float, tuple of (float, float)
        A row of ``CURVES``, how bent it is (0: as usual), and the points of a drawn one.
    low, high : int, optional
        Raw values at the two ends of the way; the ends of the parameter's range where not given.
        With ``low`` above ``high`` the value falls as the control rises.
    invert : bool
        The control is taken the other way round.
    mode : str
        A row of ``MODES``; empty: what fits the control, see :func:`mode_of`.
    steps : tuple of int
        Raw values of a switch's positions, in their order.
    step : int
        Allowed values that one tick of an encoder moves; 0: along the curve, 127 ticks the whole
        way, at least one value a tick.
    value : int, optional
        The raw value of mode ``set``.
    wrap : bool, optional
        Behind the last value comes the first; where not given: for buttons yes, for encoders no.
    layer : str
        Acts only while this button is held; other assignments of the same control rest then.
    """

    control: str
    parameter: str
    input: str = ""
    channels: tuple[int, ...] = ()
    note: int | None = None
    meet: str = AT_ONCE
    curve: str = "linear"
    amount: float = 0.0
    points: tuple[tuple[float, float], ...] = ()
    low: int | None = None
    high: int | None = None
    invert: bool = False
    mode: str = ""
    steps: tuple[int, ...] = ()
    step: int = 0
    value: int | None = None
    wrap: bool | None = None
    layer: str = ""


class Wish(NamedTuple):
    """A parameter that a control asks to set.

    ``channel`` is 1 to 32, ``None`` where the parameter is not per channel; ``note`` its key
    number or ``None``.
    """

    assignment: Assignment
    key: str
    raw: int
    channel: int | None
    note: int | None


class Shown(NamedTuple):
    """A place (0 to 1) that a control is to show, on its channel (1 to 16, 0 for a path)."""

    control: str
    channel: int
    position: float


def is_chosen(parameter: Parameter) -> bool:
    """Return whether every value of a parameter has a name: a choice, not an amount."""
    n_values = sum(high - low + 1 for low, high in parameter.ranges)
    return bool(parameter.choices) and n_values <= len(parameter.choices)


def mode_of(assignment: Assignment, control: Control, parameter: Parameter) -> str:
    """Return the mode that is meant.

    Without a word of its own: an action is ``set``; a button or pad is ``held``; a control that
    turns is ``steps`` where steps are given or every value of the parameter has a name, else
    ``follow``.
    """
    if assignment.mode:
        return assignment.mode
    if control.presses:
        return SET if parameter.is_action or assignment.value is not None else HELD
    return STEPS if assignment.steps or is_chosen(parameter) else FOLLOW


#: Key of the assignment's table, what is wrong, one next step.
Wrong = tuple[str, str, str]


def faults(
    assignment: Assignment,
    control: Control,
    parameter: Parameter,
    layer: Control | None = None,
) -> list[Wrong]:
    """Return everything that is wrong with an assignment of a control to a parameter.

    Parameters
    ----------
    assignment : Assignment
        What was asked for.
    control, parameter : Control, Parameter
        Those that it names.
    layer : Control, optional
        The control that it names as its layer.

    Returns
    -------
    list of (key, message, hint)
        ``key`` is the key of the assignment's table in the bench that the fault is about.
    """
    found = list(_parameter_faults(assignment, control, parameter))
    if not found:
        found += _value_faults(assignment, parameter)
        found += _mode_faults(assignment, control, parameter)
    found += _way_faults(assignment)
    if layer is not None and not layer.presses:
        message = f"{layer.name} can't be held: it is a {layer.kind}"
        found.append(("layer", message, "a layer is a button, pad or footswitch"))
    return found


def _parameter_faults(
    assignment: Assignment, control: Control, parameter: Parameter
) -> Iterator[Wrong]:
    key = parameter.key
    if parameter.type:
        yield "parameter", f"{key} is a {parameter.type}: no control can set it", ""
    if parameter.danger:
        message = f"{key} is marked as dangerous ({parameter.danger}): no control sets it"
        yield "parameter", message, "send it by command, where it is asked for twice"
    if "key" in parameter.per and assignment.note is None:
        yield "parameter", f"{key} is set for one key at a time", "say which: note = 36"
    if "key" not in parameter.per and assignment.note is not None:
        yield "note", f"{key} is not set per key", "leave note out"
    if "channel" not in parameter.per:
        if assignment.channels:
            yield "channels", f"{key} is one setting for the whole module", "leave channels out"
    elif not assignment.channels and _has_no_channel(control):
        message = f"{control.name} sends no channel, and {key} is set per channel"
        yield "parameter", message, "say which: channels = [1]"


def _has_no_channel(control: Control) -> bool:
    line = control.line
    return line is None or line.messages[0][0].fixed >= 0xF0


def _value_faults(assignment: Assignment, parameter: Parameter) -> Iterator[Wrong]:
    named = [("low", assignment.low), ("high", assignment.high), ("value", assignment.value)]
    for name, raw in named + [("steps", raw) for raw in assignment.steps]:
        if raw is not None and not parameter.allows(raw):
            ranges = ", ".join(f"{low} to {high}" for low, high in parameter.ranges[:6])
            yield name, f"{parameter.key} does not take {raw}", f"its range is {ranges} (raw)"
    if assignment.steps and (assignment.low, assignment.high) != (None, None):
        yield "steps", "steps name the values themselves", "leave low and high out"
    if len(set(assignment.steps)) != len(assignment.steps) or len(assignment.steps) == 1:
        yield "steps", "steps are two or more different values", ""


def _mode_faults(assignment: Assignment, control: Control, parameter: Parameter) -> Iterator[Wrong]:
    mode = mode_of(assignment, control, parameter)
    row = MODES.get(mode)
    if row is None:
        yield "mode", f"there is no mode {mode!r}", f"modes: {', '.join(MODES)}"
        return
    if not (row.presses if control.presses else row.turns):
        does = "is pressed" if control.presses else "is turned"
        fitting = [m.name for m in MODES.values() if (m.presses if control.presses else m.turns)]
        yield "mode", f"{control.name} {does}: mode {mode!r} does not fit", _these(fitting)
    if parameter.is_action and mode != SET:
        yield "mode", f"{parameter.key} is an action: a button does it", f"mode = {SET!r}"
    if mode == SET and assignment.value is None and not parameter.is_action:
        yield "mode", "mode 'set' needs the value that is set", "value = 64"
    if mode != SET and assignment.value is not None:
        yield "value", f"value belongs to mode 'set', not to {mode!r}", ""
    silent = control.form == FIXED and control.release is None
    if mode == HELD and silent:
        message = f"{control.name} sends nothing when it is let go"
        yield "mode", message, "mode 'toggle', or write its release into the surface"


def _way_faults(assignment: Assignment) -> Iterator[Wrong]:
    if assignment.meet not in MEETINGS:
        yield "meet", f"there is no way to meet {assignment.meet!r}", _these(list(MEETINGS))
    if wrong := curve_fault(assignment.curve, assignment.amount, assignment.points):
        key = "points" if "point" in wrong else "amount" if "amount" in wrong else "curve"
        yield key, wrong, _these(list(CURVES)) if key == "curve" else ""
    if assignment.step < 0:
        yield "step", "step is the values that one tick moves, 1 or more", "invert = true"


def _these(names: list[str]) -> str:
    return f"one of {', '.join(names)}"
