"""Values shown back on the surface: rings of light and motor faders follow the module's values."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from knobwright.core.interfaces import Lookup
from knobwright.core.surface.assignment import Shown
from knobwright.core.surface.assignments import Assignments
from knobwright.core.surface.echo import Echo, Echoed
from knobwright.core.surface.moves import Move
from knobwright.core.surface.records import Surface
from knobwright.core.timing.items import ALL_CHANNELS, VALUE, Item

#: Takes items for the surface (its own pacer's push).
PushEcho = Callable[[Sequence[Item]], None]
#: Takes a number for an Open Sound Control path.
PushNumber = Callable[[str, float], None]


class Feedback:
    """Shows the values of one input's assignments on its surface.

    Parameters
    ----------
    name : str
        The input's name.
    surface : Surface
        Its controls.
    echo : Echo
        Codes the values as the surface wants them.
    assignments : Assignments
        Of the same input.
    push : callable, optional
        Takes the messages, as items of which a newer one of a control takes an older one's place.
    push_number : callable, optional
        Takes numbers, for controls with a path.
    """

    def __init__(
        self,
        name: str,
        surface: Surface,
        echo: Echo,
        assignments: Assignments,
        push: PushEcho | None,
        push_number: PushNumber | None,
    ) -> None:
        self._name = name
        # A knob or fader stands where the hand has put it; an encoder or button shows only what it
        # is told.
        self._stand = {c.name for c in surface.controls if not (c.relative or c.presses)}
        self._echo = echo
        self._assignments = assignments
        self._push = push
        self._push_number = push_number

    def moved(self, move: Move) -> None:
        """Note that a hand is on a control: nothing is shown on it for a moment."""
        self._echo.moved(move)

    def changed(
        self, key: str, raw: object, channel: int | None, note: int | None, cause: str, now_ns: int
    ) -> None:
        """Show a value, save on a knob or fader that has set it itself."""
        if isinstance(raw, int):
            for shown in self._assignments.shown(key, raw, channel, note):
                itself = cause == source_of(self._name, shown.control)
                if not (itself and shown.control in self._stand):
                    self._show(shown, now_ns)

    def show_all(self, current: Lookup, now_ns: int) -> None:
        """Show everything that is known in the layer that is on."""
        for shown in self._assignments.all_shown(current):
            self._show(shown, now_ns)

    def again(self, current: Lookup, now_ns: int) -> None:
        """Show everything anew: the surface was switched on again."""
        self._echo.again()
        self.show_all(current, now_ns)

    def due(self, now_ns: int) -> None:
        """Show what had to wait for the hand."""
        for echoed in self._echo.due(now_ns):
            self._send(echoed)

    def _show(self, shown: Shown, now_ns: int) -> None:
        echoed = self._echo.show(shown, now_ns)
        if echoed is not None:
            self._send(echoed)

    def _send(self, echoed: Echoed) -> None:
        if echoed.path:
            if self._push_number is not None:
                self._push_number(echoed.path, echoed.number)
        elif self._push is not None and echoed.messages:
            base = ("echo", echoed.control)
            channels = 0
            for message in echoed.messages:
                channels |= 1 << (message[0] & 15) if message[0] < 0xF0 else ALL_CHANNELS
            self._push([Item(echoed.messages, VALUE, channels, base, base, 0, 0, self._name)])


def source_of(name: str, control: str) -> str:
    """Return the source that stands in the items of a control: ``INPUT/CONTROL``."""
    return f"{name}/{control}"
