"""Find out which control moved: messages of a surface in, moves out.

A value over two control changes is complete at the last of its bytes in the order of the
control's line. A high half by itself sets the low half to 0 (MIDI 1.0 Detailed Specification 4.2.1,
page 12), so a high half whose low half has not come within :data:`WAIT_NS` is a move too: whoever
owns the clock asks :meth:`Recogniser.waiting` for it.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from knobwright.core.surface import kinds as k
from knobwright.core.surface.forms import (
    DATA_HIGH,
    DATA_LOW,
    DOWN,
    SELECTIONS,
    UP,
    Form,
    fixed_bytes,
    form_of,
)
from knobwright.core.surface.moves import PART, Move, Place
from knobwright.core.surface.records import Control, Surface

#: How long a half of a value waits for its other half, in nanoseconds. On a DIN cable the other
#: half takes less than one millisecond.
WAIT_NS = 10_000_000
_RESET_CONTROLLERS = 121

_Take = Callable[[bytes, int], Move | None]


class Recogniser:
    """Recognises the controls of one surface in the messages of one input.

    Parameters
    ----------
    surface : Surface
        A checked surface.
    """

    def __init__(self, surface: Surface) -> None:
        self.surface = surface
        #: When to call :meth:`waiting`, nanoseconds; ``None`` while nothing waits.
        self.next_ns: int | None = None
        self._places: dict[tuple[str, int], Place] = {}
        self._pairs: dict[int, _Take] = {}  # status * 128 + first data byte
        self._statuses: dict[int, _Take] = {}
        self._exact: dict[bytes, tuple[Place, bool]] = {}
        self._shapes: list[_Shape] = []
        self._paths: dict[str, Place] = {}
        self._numbers = [_Numbers(self._halves_came) for _ in range(16)]
        self._halves: dict[int, _Halves] = {}  # those that wait, by identity, in order
        for control in surface.controls:
            self._add(control)
        self._exact_heads = {message[0] for message in self._exact}

    def feed(self, message: bytes, at_ns: int = 0) -> Move | None:
        """Return the move that a message makes, or ``None`` where no control sends it.

        Parameters
        ----------
        message : bytes
            One whole message with its status byte.
        at_ns : int, nanoseconds
            When it came.

        Returns
        -------
        Move or None
            ``None``: the message is none of a control's and passes on; so do selections of
            numbers (98 to 101), which set nothing by themselves. A move ``part`` belongs to a
            control and sets nothing yet.
        """
        status = message[0]
        if status in self._exact_heads and (found := self._exact.get(message)) is not None:
            place, down = found
            return place.press(127 if down else 0, down, at_ns)
        if status < 0xC0:
            take = self._pairs.get(status << 7 | message[1])
        elif status < 0xF0:
            take = self._statuses.get(status)
        else:
            return self._system(message, at_ns)
        return None if take is None else take(message, at_ns)

    def number(self, path: str, number: float, at_ns: int = 0) -> Move | None:
        """Return the move that a number for an Open Sound Control path makes, or ``None``."""
        place = self._paths.get(path)
        if place is None:
            return None
        low, high = place.control.numbers
        way = (number - low) / (high - low)
        if not math.isfinite(way):
            return Move(place.control, PART, 0, 0, 0.0, place.position, 0, at_ns)
        return place.take(round(min(max(way, 0.0), 1.0) * place.high), at_ns)

    def waiting(self, now_ns: int) -> list[Move]:
        """Return the moves of halves that have waited for :data:`WAIT_NS` or longer."""
        found = []
        for key, halves in list(self._halves.items()):
            if halves.due_ns <= now_ns:
                del self._halves[key]
                found += halves.alone(now_ns)
        self._set_next()
        return found

    def placed(self, control: str, channel: int, position: float) -> None:
        """Note that a control was moved by being shown a value (a motor fader); 0 to 1."""
        place = self._places.get((control, channel))
        if place is not None:
            place.position = position

    def forget(self) -> None:
        """Forget where the controls are: the surface was away."""
        for place in self._places.values():
            place.forget()
        for numbers in self._numbers:
            numbers.forget()
        for halves in self._halves.values():
            halves.forget()
        self._halves.clear()
        self.next_ns = None

    # -- setting up ------------------------------------------------------------------------------

    def _add(self, control: Control) -> None:
        if control.line is None:
            self._paths[control.path] = self._place(control, 0)
            return
        form = form_of(control.line)
        if form.form == k.EXCLUSIVE:
            self._shapes.append(_Shape(self._place(control, 0), form))
        elif form.status >= 0xF0:
            self._fix(control, 0)
        else:
            for channel in control.channels:
                self._add_channel(control, form, channel)

    def _add_channel(self, control: Control, form: Form, channel: int) -> None:
        if form.form == k.FIXED:
            self._fix(control, channel)
            return
        place = self._place(control, channel)
        status = form.status | (channel - 1)
        if form.form in SELECTIONS:
            numbers = self._numbers[channel - 1]
            numbers.add(form, place)
            for number in (DATA_HIGH, DATA_LOW, UP, DOWN, _RESET_CONTROLLERS, 98, 99, 100, 101):
                self._pairs[status << 7 | number] = numbers.take
        elif form.form == k.CONTROL_14:
            halves = _Halves(place, form.parts, self._halves_came)
            for number, _ in form.parts:
                self._pairs[status << 7 | number] = halves.take
        elif form.form in (k.BEND, k.PROGRAM, k.PRESSURE):
            self._statuses[status] = _whole(place, form)
        else:
            self._pairs[status << 7 | form.number] = _whole(place, form)
            if form.form == k.NOTE:
                self._pairs[(status & 0x8F) << 7 | form.number] = _note_off(place)

    def _fix(self, control: Control, channel: int) -> None:
        place = self._place(control, channel)
        for line, down in ((control.line, True), (control.release, False)):
            if line is not None:
                self._exact[fixed_bytes(line, max(channel - 1, 0))] = (place, down)

    def _place(self, control: Control, channel: int) -> Place:
        return self._places.setdefault((control.name, channel), Place(control, channel))

    # -- the rest --------------------------------------------------------------------------------

    def _system(self, message: bytes, at_ns: int) -> Move | None:
        if message[0] == 0xF0:
            for shape in self._shapes:
                if shape.fits(message):
                    return shape.take(message, at_ns)
        elif message[0] == 0xFF:
            for numbers in self._numbers:
                numbers.forget()
        return None

    def _halves_came(self, halves: _Halves) -> None:
        if halves.waits:
            self._halves[id(halves)] = halves
            if self.next_ns is None:
                self.next_ns = halves.due_ns
        elif self._halves.pop(id(halves), None) is not None:
            self._set_next()

    def _set_next(self) -> None:
        self.next_ns = min((h.due_ns for h in self._halves.values()), default=None)


def _whole(place: Place, form: Form) -> _Take:
    """Return what takes a message that carries the whole value."""
    if form.n_bits == 14:
        return lambda message, at_ns: place.take(message[1] | message[2] << 7, at_ns)
    at = form.parts[0][0]
    return lambda message, at_ns: place.take(message[at], at_ns)


def _note_off(place: Place) -> _Take:
    return lambda _message, at_ns: place.take(0, at_ns)


class _Shape:
    """An exclusive message with a value in it."""

    def __init__(self, place: Place, form: Form) -> None:
        assert place.control.line is not None
        self.place = place
        self.parts = form.parts
        self.cells = place.control.line.messages[0]

    def fits(self, message: bytes) -> bool:
        """Return whether the message has this shape."""
        return len(message) == len(self.cells) and all(
            byte & cell.mask == cell.fixed for byte, cell in zip(message, self.cells, strict=True)
        )

    def take(self, message: bytes, at_ns: int) -> Move:
        """Return the move."""
        raw = 0
        for at, low in self.parts:
            raw |= (message[at] & ~self.cells[at].mask) << low
        return self.place.take(raw, at_ns)


class _Halves:
    """A value over two control changes, in the order of the line.

    ``came`` is called when a half begins to wait and when it no longer does.
    """

    def __init__(
        self, place: Place, parts: tuple[tuple[int, int], ...], came: Callable[[_Halves], None]
    ) -> None:
        self.place = place
        self.first, self.last = parts[0][0], parts[1][0]
        self.high_first = parts[0][1] == 7
        self.due_ns = 0
        self.waits = False
        self._came = came
        self._high: int | None = None
        self._low = 0

    def take(self, message: bytes, at_ns: int) -> Move:
        """Take one half."""
        return self.half(message[1], message[2], at_ns)

    def half(self, number: int, byte: int, at_ns: int) -> Move:
        """Take the data byte of one of the two controllers."""
        is_first = number == self.first
        if is_first == self.high_first:
            self._high = byte
            if self.high_first:  # a high half sets the low one to 0 (page 12)
                self._low = 0
        else:
            self._low = byte
        if is_first or self._high is None:
            self.due_ns = at_ns + WAIT_NS
            self._wait(is_first)
            place = self.place
            return Move(place.control, PART, place.channel, 0, 0.0, place.position, 0, at_ns)
        return self._complete(at_ns)

    def alone(self, at_ns: int) -> list[Move]:
        """Return the move of a half that has waited long enough."""
        return [] if self._high is None else [self._complete(at_ns)]

    def forget(self) -> None:
        """Forget both halves."""
        self._high, self._low, self.waits = None, 0, False

    def _complete(self, at_ns: int) -> Move:
        self._wait(False)
        raw = (self._high or 0) << 7 | self._low
        if not self.high_first:
            self._low = 0  # the next high half brings its own
        return self.place.take(raw, at_ns)

    def _wait(self, waits: bool) -> None:
        if self.waits or waits:
            self.waits = waits
            self._came(self)


class _Numbers:
    """Registered and non-registered numbers of one channel: what is selected, and its controls."""

    def __init__(self, came: Callable[[_Halves], None]) -> None:
        self._came = came
        self._controls: dict[tuple[str, int], tuple[Place, Form, _Halves | None]] = {}
        self._kind = ""
        self._halves: dict[int, int] = {}  # selecting controller -> its byte

    def add(self, form: Form, place: Place) -> None:
        """Add a control."""
        halves = _Halves(place, form.parts, self._came) if len(form.parts) == 2 else None
        self._controls[form.form, form.number] = (place, form, halves)

    def forget(self) -> None:
        """Forget what is selected."""
        self._kind = ""
        self._halves.clear()
        for _, _, halves in self._controls.values():
            if halves is not None:
                halves.forget()

    def take(self, message: bytes, at_ns: int) -> Move | None:
        """Take a selection (which passes on) or data."""
        number, byte = message[1], message[2]
        if number >= 98:
            if number == _RESET_CONTROLLERS:  # nothing is selected any more (RP-015)
                self.forget()
            else:
                self._kind = k.NRPN if number <= 99 else k.RPN
                self._halves[number] = byte
            return None
        found = self._selected()
        if found is None:
            return None
        place, form, halves = found
        if number in (UP, DOWN):
            return place.step(1 if number == UP else -1, at_ns)
        if halves is not None:
            return halves.half(number, byte, at_ns)
        return place.take(byte, at_ns) if number == form.parts[0][0] else None

    def _selected(self) -> tuple[Place, Form, _Halves | None] | None:
        if not self._kind:
            return None
        high, low = SELECTIONS[self._kind]
        if high not in self._halves or low not in self._halves:
            return None
        return self._controls.get((self._kind, self._halves[high] << 7 | self._halves[low]))
