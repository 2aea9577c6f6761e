"""All assignments of one input at work: layers, several parameters, and what is shown back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from knobwright.core.interfaces import Lookup
from knobwright.core.sheet.records import Parameter
from knobwright.core.surface.assignment import Assignment, Shown, Wish
from knobwright.core.surface.kinds import TOGGLE
from knobwright.core.surface.moves import PRESSED, RELEASED, Move
from knobwright.core.surface.records import Control, Surface
from knobwright.core.surface.tied import Tied


class Assignments:
    """The assignments of one surface on one input.

    Parameters
    ----------
    surface : Surface
        The checked surface.
    assignments : sequence of Assignment
        Those of this input, without faults.
    parameters : mapping of str to Parameter
        The sheet's parameters by key.

    Attributes
    ----------
    layers_changed : bool
        The last :meth:`take` went to another layer: what the controls show is another thing now.
    """

    def __init__(
        self,
        surface: Surface,
        assignments: Sequence[Assignment],
        parameters: Mapping[str, Parameter],
    ) -> None:
        self._controls = controls = {control.name: control for control in surface.controls}
        self.layers_changed = False
        self._by_control: dict[str, list[Tied]] = {}
        self._by_key: dict[str, list[Tied]] = {}
        for row in assignments:
            tied = Tied(row, controls[row.control], parameters[row.parameter])
            self._by_control.setdefault(row.control, []).append(tied)
            self._by_key.setdefault(row.parameter, []).append(tied)
        self._layers = {row.layer for row in assignments if row.layer}
        self._held: list[str] = []  # layer buttons that are down, the latest last
        self._downs: dict[str, set[int]] = {}  # layer button -> channels on which it is down
        self._active: dict[str, list[Tied]] = {}
        self._pressed: dict[tuple[str, int], list[Tied]] = {}
        self._channels: dict[str, int] = {}  # control -> channel on which it moved last
        self._choose()

    def takes(self, control: str) -> bool:
        """Return whether a control does anything: it is assigned, or it is a layer's button."""
        return control in self._by_control or control in self._layers

    def take(self, move: Move, current: Lookup) -> list[Wish]:
        """Return what a move sets, in the order of the assignments.

        Parameters
        ----------
        move : Move
            From the recogniser of this input.
        current : Lookup
            Gives the raw value that the module has, or is about to have by the newest wish; its
            channel may be 1 to 32.
        """
        name = move.control.name
        self.layers_changed = name in self._layers and self._layer(move)
        self._channels[name] = move.channel
        wishes: list[Wish] = []
        for tied in self._tied(move):
            row, key = tied.assignment, tied.parameter.key
            note = row.note

            def known(channel: int | None, key: str = key, note: int | None = note) -> object:
                return current(key, channel, note)

            for channel, raw in tied.values(move, known):
                wishes.append(Wish(row, key, raw, channel, note))
                if len(self._by_key[key]) > 1:
                    self._changed(key, channel, note, by=tied)
        return wishes

    def changed(self, key: str, channel: int | None, note: int | None) -> None:
        """Note that a value was changed by other means: its controls must meet it anew.

        ``channel`` ``None`` means every channel, ``note`` ``None`` every key.
        """
        if key in self._by_key:
            self._changed(key, channel, note)

    def forget(self) -> None:
        """Let every control meet its values anew: they are not known any more."""
        for group in self._by_key.values():
            for tied in group:
                tied.changed(None)

    def let_go(self, at_ns: int) -> list[Move]:
        """Return the moves that let go of what is pressed: the surface is gone.

        A button that keeps its own state (``toggle``) is let go only where it holds a layer.
        """
        found = []
        for name, channel in self._pressed:
            control = self._controls[name]
            if control.action != TOGGLE or name in self._layers:
                found.append(Move(control, RELEASED, channel, 0, 0.0, None, 0, at_ns))
        return found

    def shown(self, key: str, raw: int, channel: int | None, note: int | None) -> list[Shown]:
        """Return the controls that show a value, in the layer that is on now."""
        found = []
        for tied in self._by_key.get(key, ()):
            if tied.assignment.note == note and self._shows(tied):
                place = self._shown_on(tied, channel)
                position = tied.position(raw)
                if place is not None and position is not None:
                    found.append(Shown(tied.control.name, place, position))
        return found

    def all_shown(self, current: Lookup) -> list[Shown]:
        """Return what every control shows in the layer that is on now, as far as it is known."""
        found: list[Shown] = []
        for group in self._active.values():
            for tied in group[:1]:
                key, note = tied.parameter.key, tied.assignment.note
                channel = self._first_channel(tied)
                raw = current(key, channel, note)
                if isinstance(raw, int):
                    found += self.shown(key, raw, channel, note)
        return list(dict.fromkeys(found))

    # -- the rest --------------------------------------------------------------------------------

    def _tied(self, move: Move) -> list[Tied]:
        """Return the assignments that a move is for: a press is let go where it began."""
        name = move.control.name
        if move.what == RELEASED:
            began = self._pressed.pop((name, move.channel), None)
            if began is not None:
                return began
        active = self._active.get(name, [])
        if move.what == PRESSED:
            self._pressed[name, move.channel] = active
        return active

    def _layer(self, move: Move) -> bool:
        """Take the press of a layer's button; return whether that changed the layer."""
        name = move.control.name
        downs = self._downs.setdefault(name, set())
        if move.what == PRESSED:
            downs.add(move.channel)
        elif move.what == RELEASED:
            downs.discard(move.channel)
        if bool(downs) == (name in self._held):
            return False
        if downs:
            self._held.append(name)
        else:
            self._held.remove(name)
        self._choose()
        return True

    def _choose(self) -> None:
        """Find out which assignments act: those of the latest held layer that has some."""
        for name, group in self._by_control.items():
            layer = ""
            for held in reversed(self._held):
                if any(tied.assignment.layer == held for tied in group):
                    layer = held
                    break
            active = [tied for tied in group if tied.assignment.layer == layer]
            if active != self._active.get(name):
                self._active[name] = active
                for tied in active:
                    tied.apart()

    def _changed(
        self, key: str, channel: int | None, note: int | None, by: Tied | None = None
    ) -> None:
        for tied in self._by_key[key]:
            if tied is not by and (note is None or tied.assignment.note == note):
                tied.changed(channel)

    def _shows(self, tied: Tied) -> bool:
        """Return whether an assignment acts now and is the first of its control."""
        active = self._active.get(tied.control.name, [])
        return bool(active) and active[0] is tied

    def _shown_on(self, tied: Tied, channel: int | None) -> int | None:
        """Return the control's own channel for a value on ``channel``; ``None``: not shown."""
        fixed = tied.assignment.channels
        if channel is None or fixed:
            if fixed and channel != fixed[0]:
                return None
            return self._own_channel(tied.control)
        has_own = tied.control.line is not None and channel in tied.control.channels
        return channel if has_own else None

    def _own_channel(self, control: Control) -> int:
        """Return the channel on which a control is spoken to: where it moved last, or its first."""
        if control.line is None:
            return 0
        return self._channels.get(control.name) or control.channels[0]

    def _first_channel(self, tied: Tied) -> int | None:
        if "channel" not in tied.parameter.per:
            return None
        if tied.assignment.channels:
            return tied.assignment.channels[0]
        return self._own_channel(tied.control) or None
