"""A receiver that only holds values; it does not model what a maker lets one value do to another.

Written apart from the thinning, from the MIDI 1.0 Detailed Specification 4.2.1: pages 12 (a high
half clears the low one), 17 (selections and data), 19 (bend); bend range is RPN 0.
"""

from __future__ import annotations

from fractions import Fraction

Place = tuple[object, ...]


class Receiver:
    """Holds what was set; ``values`` in steps, and bends in cents."""

    def __init__(self) -> None:
        self.values: dict[Place, Fraction] = {}
        self.halves: dict[Place, tuple[int, int]] = {}
        self.selected: dict[int, dict[int, int]] = {}
        self.kind: dict[int, str] = {}
        self.range: dict[int, Fraction] = {}
        self.bend: dict[int, int] = {}

    def take(self, message: bytes) -> None:
        """Take a whole message."""
        kind, channel = message[0] >> 4, message[0] & 15
        if kind == 0xB:
            self.control(channel, message[1], message[2])
        elif kind == 0xD:
            self.values["pressure", channel] = Fraction(message[1])
        elif kind == 0xA:
            self.values["pressure", channel, message[1]] = Fraction(message[2])
        elif kind == 0xE:
            self.bend[channel] = message[1] + 128 * message[2]
            self.bends(channel)

    def bends(self, channel: int) -> None:
        """Work out how far the pitch is bent."""
        semitones = self.range.get(channel, Fraction(2))
        steps = self.bend.get(channel, 8192) - 8192
        self.values["bend", channel] = Fraction(steps, 8192) * semitones * 100

    def control(self, channel: int, number: int, value: int) -> None:
        """Take a control change."""
        selected = self.selected.setdefault(channel, {})
        if number in (98, 99, 100, 101):
            self.kind[channel] = "nrpn" if number < 100 else "rpn"
            selected[number] = value
        elif number in (6, 38):
            numbers = (99, 98) if self.kind.get(channel) == "nrpn" else (101, 100)
            pair = tuple(selected.get(n, 127) for n in numbers)
            if channel in self.kind and pair != (127, 127):
                self.half((self.kind[channel], channel, *pair), number == 6, value)
        elif number < 64:
            self.half(("controller", channel, number % 32), number < 32, value)
        elif number < 120:
            self.values["controller", channel, number] = Fraction(value)

    def half(self, place: Place, is_high: bool, value: int) -> None:
        """Take a half of a value of 14 bits."""
        high, low = self.halves.get(place, (0, 0))
        high, low = (value, 0) if is_high else (high, value)
        self.halves[place] = (high, low)
        self.values[place] = high + Fraction(low, 128)
        if place[0] == "rpn" and place[2:] == (0, 0):
            channel = place[1]
            assert isinstance(channel, int)
            self.range[channel] = high + Fraction(low, 100)
            self.bends(channel)
