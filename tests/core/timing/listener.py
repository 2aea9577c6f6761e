"""A listening module, written from the MIDI 1.0 specification and without the code under test.

It does not model sound, voices or time. What it models: everything that decides how a note sounds,
and every value; and it is touchy on purpose: a program change and an unexplained exclusive set
values too, some exclusives reset what is selected, as real modules do.

Rules: MIDI 1.0 Detailed Specification 4.2.1, pages 10 (velocity 0), 12 (a high half clears the low
half), 13 (bank select), 17 (selections), 20 to 25 (channel mode); RP-015 (reset all controllers).
That a step moves the 14-bit value by one is a choice of this model.
"""

from __future__ import annotations

from collections import defaultdict
from typing import Any

SEQUENCED = b"\xf0\x7d\x11"  # F0 7D 11 aa hh F7, then F0 7D 12 aa ll F7
SEQUENCED_LOW = b"\xf0\x7d\x12"
KNOB = b"\xf0\x7d\x10"  # F0 7D 10 aa vv F7
CHOICE = b"\xf0\x7d\x13"  # F0 7D 13 aa vv F7: also sets the knob of the same address
OPAQUE = b"\xf0\x7d\x20"


class Selector:
    """What one sender has selected on each channel."""

    def __init__(self) -> None:
        self.numbers: dict[tuple[int, int], int] = {}
        self.kind: dict[int, str] = {}
        self.bank: dict[int, dict[int, int]] = defaultdict(dict)

    def forget(self, channel: int) -> None:
        for number in (98, 99, 100, 101):
            self.numbers.pop((channel, number), None)
        self.kind.pop(channel, None)

    def target(self, channel: int) -> tuple[str, int, int] | None:
        kind = self.kind.get(channel)
        if kind is None:
            return None
        low = 98 if kind == "nrpn" else 100
        pair = self.numbers.get((channel, low + 1)), self.numbers.get((channel, low))
        if None in pair or pair == (127, 127):
            return None
        return kind, pair[0], pair[1]  # type: ignore[return-value]


class Listener:
    """Takes messages; ``notes[channel]`` is what was played and how, ``values`` what is set."""

    def __init__(self, own_selections: bool) -> None:
        #: With ``own_selections`` every sender is understood by what it has selected itself: the
        #: meaning of what went in. Without, there is one of each, as in a module.
        self.own_selections = own_selections
        self.selectors: dict[str, Selector] = defaultdict(Selector)
        self.notes: dict[int, list[Any]] = defaultdict(list)
        self.power_up()

    def power_up(self) -> None:
        self.values: dict[Any, int] = {}
        self.how: dict[int, dict[Any, Any]] = {channel: {} for channel in range(16)}
        self.bank: dict[int, dict[int, int]] = defaultdict(dict)
        self.half: int | None = None

    def hear(self, message: bytes, source: str = "wire") -> None:
        selector = self.selectors[source if self.own_selections else ""]
        status, channel = message[0], message[0] & 15
        kind = status >> 4
        if kind in (8, 9):
            velocity = message[2] if kind == 9 else -message[2]
            if kind == 9 and velocity == 0:
                velocity = -64
            self.notes[channel].append((message[1], velocity, dict(self.how[channel])))
        elif kind == 0xA:
            self.values["pressure", channel, message[1]] = message[2]
        elif kind == 0xB:
            self.control(selector, channel, message[1], message[2])
        elif kind == 0xC:
            self.program(selector, channel, message[1])
        elif kind == 0xD:
            self.values["pressure", channel] = message[1]
        elif kind == 0xE:
            self.how[channel]["bend"] = (message[1], message[2])
        elif status == 0xF0:
            self.exclusive(message)
        elif status == 0xF6:
            self.everywhere("tuned", 1)
        elif status == 0xFF:
            self.selectors.pop(source if self.own_selections else "", None)
            self.power_up()

    def everywhere(self, what: str, more: int) -> None:
        for how in self.how.values():
            how[what] = how.get(what, 0) + more

    def program(self, selector: Selector, channel: int, number: int) -> None:
        if self.own_selections:
            self.bank[channel].update(selector.bank[channel])
        bank = self.bank[channel]
        self.how[channel]["program"] = (bank.get(0, 0), bank.get(32, 0), number)
        self.values["cc", channel, 74] = number << 7
        self.values["nrpn", channel, 5, 18] = number << 7

    def control(self, selector: Selector, channel: int, number: int, value: int) -> None:
        if number in (98, 99, 100, 101):
            selector.numbers[channel, number] = value
            selector.kind[channel] = "nrpn" if number < 100 else "rpn"
        elif number in (6, 38, 96, 97):
            target = selector.target(channel)
            if target is not None:
                self.data(channel, target, number, value)
        elif number in (0, 32):
            self.bank[channel][number] = value
            selector.bank[channel][number] = value
        elif 64 <= number <= 69 or number in (84, 88):
            self.how[channel][number] = value
        elif number == 126:
            last = 16 if value == 0 else min(16, channel + value)
            for other in range(channel, last):
                self.mode(other, number, value)
        elif number >= 120:
            self.mode(channel, number, value)
            if number == 121:
                selector.forget(channel)
                self.reset_controllers(channel)
        else:
            self.halves(("cc", channel, number & 31 if number < 64 else number), number, value)

    def mode(self, channel: int, number: int, value: int) -> None:
        how = self.how[channel]
        how["modes"] = (*how.get("modes", ()), (number, value))

    def reset_controllers(self, channel: int) -> None:
        self.values["cc", channel, 1] = 0
        self.values["cc", channel, 11] = 127 << 7
        self.values["pressure", channel] = 0
        self.how[channel]["bend"] = (0, 64)
        for number in range(64, 68):
            self.how[channel][number] = 0

    def halves(self, place: Any, number: int, value: int, low: bool | None = None) -> None:
        if low is None:
            low = 32 <= number < 64
        before = self.values.get(place, 0)
        self.values[place] = before & ~127 | value if low else value << 7

    def data(self, channel: int, target: tuple[str, int, int], number: int, value: int) -> None:
        kind, high, low = target
        place = (kind, channel, high, low)
        if number in (6, 38):
            self.halves(place, number, value, low=number == 38)
        else:
            moved = self.values.get(place, 0) + (1 if number == 96 else -1)
            self.values[place] = min(16383, max(0, moved))
        if kind == "rpn" and high == 0 and low <= 2:
            self.how[channel][kind, high, low] = self.values[place]

    def exclusive(self, message: bytes) -> None:
        head, address = message[:3], message[3]
        if head == SEQUENCED:
            self.half = message[4]
        elif head == SEQUENCED_LOW:
            assert self.half is not None, "the second half of a sequence came without the first"
            self.values["sequenced", address] = self.half << 7 | message[4]
            self.half = None
        elif head == KNOB:
            self.values["knob", address] = message[4]
        elif head == CHOICE:
            self.values["choice", address] = message[4]
            self.values["knob", address] = 64
            self.everywhere("choices", 1)
        elif head == OPAQUE:
            number = address << 7 | message[4]
            for channel, how in self.how.items():
                how["opaque"] = (*how.get("opaque", ()), number)
                self.values["cc", channel, 74] = number
                self.values["nrpn", channel, 5, 18] = number
                if number % 2 == 0 and not self.own_selections:
                    self.selectors[""].forget(channel)
