"""Values shown back on the surface: rings, lights and motor faders, in each control's own coding.

While a hand moves a control it is shown nothing (a motor would fight the hand); what came
meanwhile is shown once the hand has been still for :data:`STILL_NS`.
"""

from __future__ import annotations

from typing import NamedTuple

from knobwright.core.surface.assignment import Shown
from knobwright.core.surface.forms import filled
from knobwright.core.surface.moves import PART, Move
from knobwright.core.surface.recognise import Recogniser
from knobwright.core.surface.records import Control, Surface

#: A control that has not moved for so long is left alone by the hand, in nanoseconds.
STILL_NS = 300_000_000


class Echoed(NamedTuple):
    """What shows a value on a control: messages, or (``path`` not empty) a number for a path."""

    control: str
    messages: tuple[bytes, ...] = ()
    path: str = ""
    number: float = 0.0


def raw_for(control: Control, position: float) -> int:
    """Return the raw number by which a control is shown a place, 0 to 1, on its way."""
    if control.presses:
        return control.on if position >= 0.5 else control.off
    low, high = control.shows or control.range
    way = 1.0 - position if control.reverse else position
    return low + int(way * (high - low) + 0.5)


def echo(control: Control, position: float, channel: int = 1) -> Echoed | None:
    """Return what shows a place on a control; ``None`` where it can be shown nothing.

    Parameters
    ----------
    control : Control
        A control of the surface.
    position : float, 0 to 1
        The place on its way; for a button 0.5 and more is on.
    channel : int, 1 to 16
        Used where the control's line names none.
    """
    if not control.echoes:
        return None
    if control.line is None and control.echo is None:
        low, high = control.numbers
        way = 1.0 - position if control.reverse else position
        number = low + (high - low) * way
        return Echoed(control.name, path=control.path, number=number)
    line = control.echo or control.line
    if line is None:
        return None
    return Echoed(control.name, filled(line, max(channel - 1, 0), raw_for(control, position)))


class Echo:
    """Shows values on the controls of one surface.

    Parameters
    ----------
    surface : Surface
        The checked surface.
    recogniser : Recogniser, optional
        Told where a control that follows its echo (``follows``) stands afterwards.

    Attributes
    ----------
    next_ns : int or None
        When to call :meth:`due`; ``None`` while nothing is held back.
    """

    def __init__(self, surface: Surface, recogniser: Recogniser | None = None) -> None:
        self.next_ns: int | None = None
        self._controls = {c.name: c for c in surface.controls if c.echoes}
        self._recogniser = recogniser
        self._moved_ns: dict[tuple[str, int], int] = {}
        self._held: dict[tuple[str, int], Shown] = {}
        self._last: dict[tuple[str, int], Echoed] = {}

    def moved(self, move: Move) -> None:
        """Note that the hand is on a control."""
        if move.what != PART and move.control.echoes and not move.control.presses:
            place = (move.control.name, move.channel)
            self._moved_ns[place] = move.at_ns
            self._last.pop(place, None)  # the control shows something else now
            if place in self._held:
                self._set_next()

    def show(self, shown: Shown, now_ns: int) -> Echoed | None:
        """Return what shows a value, or ``None``.

        ``None``: the control can be shown nothing, shows just that already, or is being moved; in
        the last case :meth:`due` brings it later, unless a newer value comes before.
        """
        control = self._controls.get(shown.control)
        if control is None:
            return None
        place = (shown.control, shown.channel)
        free_ns = self._free_ns(place)
        if free_ns is not None and now_ns < free_ns:
            self._held[place] = shown
            self.next_ns = free_ns if self.next_ns is None else min(self.next_ns, free_ns)
            return None
        if self._held.pop(place, None) is not None:
            self._set_next()
        return self._new(control, shown)

    def due(self, now_ns: int) -> list[Echoed]:
        """Return what was held back while a hand moved the controls, and may be shown now."""
        found = []
        for place, shown in list(self._held.items()):
            if now_ns >= (self._free_ns(place) or 0):
                del self._held[place]
                echoed = self._new(self._controls[shown.control], shown)
                if echoed is not None:
                    found.append(echoed)
        self._set_next()
        return found

    def again(self) -> None:
        """Forget what the controls show: the surface was away."""
        self._last.clear()
        self._moved_ns.clear()

    def _new(self, control: Control, shown: Shown) -> Echoed | None:
        place = (shown.control, shown.channel)
        echoed = echo(control, shown.position, shown.channel)
        if echoed is None or self._last.get(place) == echoed:
            return None
        self._last[place] = echoed
        if control.follows and self._recogniser is not None:
            self._recogniser.placed(control.name, shown.channel, shown.position)
        return echoed

    def _free_ns(self, place: tuple[str, int]) -> int | None:
        moved_ns = self._moved_ns.get(place)
        return None if moved_ns is None else moved_ns + STILL_NS

    def _set_next(self) -> None:
        times = (self._free_ns(place) or 0 for place in self._held)
        self.next_ns = min(times, default=None)
