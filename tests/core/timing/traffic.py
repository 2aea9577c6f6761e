"""Made-up traffic of several players, keyboards and knobs on one link; seeded."""

from __future__ import annotations

import random
from typing import NamedTuple

from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.timing.items import Item
from knobwright.core.timing.merge import Merge, from_setting, shared_bases
from knobwright.core.timing.places import Places

#: An invented sheet: one parameter of every sort.
SHEET = """
format = 1
[module]
name = "Invented"
channels = "1-3"
[[parameter]]
key = "tone"
per = ["channel"]
line = "Bn 63 05 62 12 06 vv"
[[parameter]]
key = "wide"
per = ["channel"]
line = "Bn 63 05 62 13 06 vh 26 vl"
[[parameter]]
key = "bright"
per = ["channel"]
line = "Bn 4A vv"
[[parameter]]
key = "pedal"
per = ["channel"]
line = "Bn 40 vv"
[[parameter]]
key = "knob"
line = "F0 7D 10 01 vv F7"
[[parameter]]
key = "sequenced"
line = ["F0 7D 11 02 vh F7", "F0 7D 12 02 vl F7"]
[[parameter]]
key = "choice"
line = "F0 7D 13 01 vv F7"
choices = { 0 = "room", 1 = "stage", 2 = "plate" }
"""


def codec() -> Codec:
    """Return the codec of the invented sheet."""
    checked = check_sheet(SHEET)
    assert checked.sheet is not None, checked.faults
    return Codec(checked.sheet)


class Heard(NamedTuple):
    """Messages that came in together: what they mean is what they mean from this source."""

    at_ns: int
    source: str
    messages: tuple[bytes, ...]
    items: tuple[Item, ...]


#: Kinds of events and how often they come.
KINDS: dict[str, float] = {
    "note": 30,
    "repeat": 4,
    "cc": 12,
    "half": 5,
    "switch": 6,
    "prefix": 2,
    "bank": 3,
    "program": 4,
    "bend": 8,
    "pressure": 5,
    "select": 4,
    "data": 14,
    "null": 1,
    "mode": 2,
    "opaque": 4,
    "knob": 16,
    "clock": 6,
    "common": 2,
    "reset": 0.3,
    "stepped_note": 5,
}


#: The same with many knobs and little that stands in their way.
STORM = {
    **KINDS,
    "cc": 40,
    "knob": 90,
    "data": 40,
    "opaque": 1,
    "program": 1,
    "mode": 0.5,
    "reset": 0,
}


class Players:
    """Makes messages of three sources and items of knobs; ``pick`` chooses."""

    def __init__(self, pick: random.Random) -> None:
        self.pick = pick
        self.codec = codec()
        parameters = self.codec.sheet.parameters
        self.shared = shared_bases(parameters)
        places = Places(parameters)
        self.merges = {name: Merge(name, places) for name in ("keys", "song", "page")}
        self.held: list[tuple[int, int]] = []
        self.n_opaque = 0

    def event(self, at_ns: int, kind: str) -> Heard:
        """Return one event of a kind."""
        if kind == "knob":
            return self._knob(at_ns)
        source = self.pick.choice(list(self.merges))
        channel = self.pick.randrange(3)
        messages = tuple(getattr(self, f"_{kind}")(channel))
        items = tuple(item for m in messages for item in self.merges[source].feed(m))
        return Heard(at_ns, source, messages, items)

    def _byte(self) -> int:
        return self.pick.randrange(128)

    def _note(self, channel: int) -> list[bytes]:
        if self.held and self.pick.random() < 0.5:
            channel, key = self.held.pop(self.pick.randrange(len(self.held)))
            if self.pick.random() < 0.5:
                return [bytes((0x90 | channel, key, 0))]
            return [bytes((0x80 | channel, key, self._byte()))]
        key = 60 + self.pick.randrange(4)
        self.held.append((channel, key))
        return [bytes((0x90 | channel, key, 1 + self.pick.randrange(127)))]

    def _repeat(self, channel: int) -> list[bytes]:
        return [bytes((0x90 | channel, 72, 100)), bytes((0x80 | channel, 72, 0))]

    def _cc(self, channel: int) -> list[bytes]:
        number = self.pick.choice((1, 7, 10, 11, 74, 74, 91))
        return [bytes((0xB0 | channel, number, self._byte()))]

    def _half(self, channel: int) -> list[bytes]:
        number = self.pick.choice((7, 39))
        return [bytes((0xB0 | channel, number, self._byte()))]

    def _switch(self, channel: int) -> list[bytes]:
        return [bytes((0xB0 | channel, self.pick.choice((64, 65, 66)), self._byte()))]

    def _prefix(self, channel: int) -> list[bytes]:
        return [bytes((0xB0 | channel, self.pick.choice((84, 88)), self._byte()))]

    def _bank(self, channel: int) -> list[bytes]:
        numbers = self.pick.choice(((0,), (32,), (0, 32), (32, 0)))
        return [bytes((0xB0 | channel, number, self.pick.randrange(3))) for number in numbers]

    def _program(self, channel: int) -> list[bytes]:
        return [bytes((0xC0 | channel, self._byte()))]

    def _bend(self, channel: int) -> list[bytes]:
        return [bytes((0xE0 | channel, self._byte(), self._byte()))]

    def _pressure(self, channel: int) -> list[bytes]:
        if self.pick.random() < 0.5:
            return [bytes((0xD0 | channel, self._byte()))]
        return [bytes((0xA0 | channel, 60 + self.pick.randrange(3), self._byte()))]

    def _stepped_note(self, channel: int) -> list[bytes]:
        """Return a step of a parameter and a note right behind it, on channel 1."""
        select = (b"\xb0\x63\x07", b"\xb0\x62\x03", b"\xb0\x60\x00")
        return [*select, bytes((0x90, 72, 100)), bytes((0x80, 72, 0))]

    def _select(self, channel: int) -> list[bytes]:
        pairs = ((99, 5, 98, 18), (98, 19, 99, 5), (101, 0, 100, 0), (100, 1, 101, 0), (99, 7))
        pair = self.pick.choice((*pairs, (98, 3)))
        return [bytes((0xB0 | channel, *pair[i : i + 2])) for i in range(0, len(pair), 2)]

    def _data(self, channel: int) -> list[bytes]:
        number = self.pick.choice((6, 6, 6, 38, 38, 96, 97))
        messages = [bytes((0xB0 | channel, number, self._byte()))]
        if number == 6 and self.pick.random() < 0.4:
            messages.append(bytes((0xB0 | channel, 38, self._byte())))
        return messages

    def _null(self, channel: int) -> list[bytes]:
        numbers = self.pick.choice(((101, 100), (99, 98)))
        return [bytes((0xB0 | channel, number, 127)) for number in numbers]

    def _mode(self, channel: int) -> list[bytes]:
        number = self.pick.choice((121, 121, 123, 124, 126, 127))
        return [bytes((0xB0 | channel, number, self.pick.randrange(3) if number == 126 else 0))]

    def _opaque(self, channel: int) -> list[bytes]:
        self.n_opaque += 1
        body = bytes(self._byte() for _ in range(self.pick.choice((0, 3, 40))))
        number = bytes((self.n_opaque >> 7, self.n_opaque & 127))
        return [b"\xf0\x7d\x20" + number + body + b"\xf7"]

    def _clock(self, channel: int) -> list[bytes]:
        return [self.pick.choice((b"\xf8", b"\xf8", b"\xf8", b"\xfa", b"\xfc", b"\xfe"))]

    def _common(self, channel: int) -> list[bytes]:
        return [self.pick.choice((b"\xf1\x23", b"\xf2\x10\x00", b"\xf3\x05", b"\xf6"))]

    def _reset(self, channel: int) -> list[bytes]:
        return [b"\xff"]

    def _knob(self, at_ns: int) -> Heard:
        usual = ("tone", "wide", "bright", "knob", "sequenced") * 4
        key = self.pick.choice((*usual, "pedal", "choice"))
        parameter = self.codec.parameters[key]
        low, high = parameter.ranges[0][0], parameter.ranges[-1][1]
        channel = 1 + self.pick.randrange(3)
        messages = self.codec.encode(key, self.pick.randint(low, high), channel)
        item = from_setting(parameter, messages, channel, shared=self.shared, source="knob")
        return Heard(at_ns, "knob", tuple(messages), (item,))


def traffic(
    pick: random.Random, n_events: int, per_second: float, kinds: dict[str, float] = KINDS
) -> list[Heard]:
    """Return events at random times, in bursts and with pauses."""
    players = Players(pick)
    at_ns = 1_000_000
    out: list[Heard] = []
    for _ in range(n_events):
        kind = pick.choices(list(kinds), list(kinds.values()))[0]
        out.append(players.event(at_ns, kind))
        chance = pick.random()
        if chance < 0.6:
            at_ns += int(pick.expovariate(per_second * 0.6) * 1e9)
        elif chance < 0.7 and kind == "knob":
            # Into the middle of a group of messages, on a line of any speed.
            at_ns += int(pick.expovariate(per_second * 2) * 1e9)
            out.append(players.event(at_ns, "stepped_note"))
    return out
