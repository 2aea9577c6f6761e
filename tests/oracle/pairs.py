"""One sheet, its codec, and a plain model of what the module should hold.

The model is a dictionary from a parameter's place to its value. What the sheet allows is asked of
the oracle's own description, not of the program.
"""

from __future__ import annotations

import functools
import random

from hypothesis import strategies as st

from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from tests.oracle import sheets
from tests.oracle.description import Parameter, Value
from tests.oracle.receiver import Place, Receiver

Model = dict[Place, Value]


class Pair:
    """A sheet's codec beside what the oracle reads in the same text."""

    def __init__(self, text: str, name: str) -> None:
        self.text = text
        self.library = sheets.library()
        checked = check_sheet(text, name=name, library=self.library.__getitem__)
        self.codec = Codec(checked.require())
        self.plain = self.receiver()  # only asked, never sent to
        self.tables = sheets.tables(name) if name in sheets.every() else {}

    def receiver(self) -> Receiver:
        """Return a new receiver of the sheet."""
        return Receiver(self.text, self.library)

    def sendable(self) -> list[str]:
        """Return the keys of all parameters that may be sent."""
        return [key for key in self.plain.sheet.parameters if not self.codec.blocked(key)]

    def parameter(self, key: str) -> Parameter:
        """Return what the oracle knows of a parameter."""
        return self.plain.sheet.parameters[key]

    def channels(self) -> list[int]:
        """Return the lowest, a middle and the highest channel."""
        every = sorted(self.plain.sheet.channels)
        return sorted({every[0], every[len(every) // 2], every[-1]})

    # ---- sending

    def current(self, model: Model, key: str, channel: int | None, note: int | None) -> Value:
        """Return a value as it is now: the model's, else the default, else the lowest allowed."""
        place = self.plain.place(key, channel, note)
        if place in model:
            return model[place]
        table = self.tables[key]
        default: Value = table.get("default", lowest(self.parameter(key)))
        by_name = {name: int(raw) for raw, name in table.get("choices", {}).items()}
        return by_name.get(default, default)

    def send(
        self, model: Model, key: str, value: Value, channel: int, note: int
    ) -> tuple[bytes, ...]:
        """Return the messages that set a parameter, and change the model as they should.

        What the parameter depends on is set before it.
        """
        messages: tuple[bytes, ...] = ()
        for other, values in self.parameter(key).when.items():
            messages += self.send(model, other, values[0], channel, note)
        with_key = note if "key" in self.parameter(key).per else None

        def look(key: str, channel: int | None, note: int | None) -> Value:
            return self.current(model, key, channel, note)

        messages += tuple(self.codec.encode(key, value, channel, with_key, look, danger=True))
        for other in self.others(key):
            model[self.plain.place(other, channel, note)] = look(other, channel, note)
        model[self.plain.place(key, channel, note)] = value
        return messages

    def others(self, key: str) -> set[str]:
        """Return the other parameters whose values stand in the line that is sent."""
        routes = self.tables.get(key, {}).get("route", [])
        preferred = [i + 1 for i, route in enumerate(routes) if route.get("prefer")]
        number = preferred[0] if preferred else 0
        return {
            word.who
            for line in self.plain.sheet.lines
            if (line.key, line.number) == (key, number)
            for message in line.messages
            for word in message
            if word.kind == "field" and word.who != key
        }

    def run_size(self, key: str) -> int:
        """Return how many bytes a parameter's run has."""
        words = [
            w
            for line in self.plain.sheet.lines
            if line.key == key
            for m in line.messages
            for w in m
        ]
        return next(word.size for word in words if word.kind == "run")


@functools.cache
def pair(name: str) -> Pair:
    """Return the pair of one of the sheets there are."""
    return Pair(sheets.every()[name], name)


# ---- values that a parameter allows


def spans(parameter: Parameter) -> tuple[tuple[int, int], ...]:
    """Return the allowed raw numbers as spans."""
    if parameter.ranges is not None:
        return parameter.ranges
    n_values = 1 << parameter.n_bits
    if parameter.coding == "twos":
        return ((-n_values // 2, n_values // 2 - 1),)
    if parameter.coding == "sign-magnitude":
        return ((1 - n_values // 2, n_values // 2 - 1),)
    if parameter.coding == "offset":
        zero = n_values // 2 if parameter.zero is None else parameter.zero
        return ((-zero, n_values - 1 - zero),)
    return ((0, n_values - 1),)


def lowest(parameter: Parameter) -> int:
    """Return the lowest number that a parameter allows."""
    return min(low for low, _ in spans(parameter))


def values(pair: Pair, key: str) -> st.SearchStrategy[Value]:
    """Return a strategy for a parameter's values."""
    parameter = pair.parameter(key)
    if parameter.run == "text":
        letters = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E))
        size = pair.run_size(key)
        return letters.map(lambda text: text[:size].rstrip(" "))
    numbers = st.one_of([st.integers(low, high) for low, high in spans(parameter)])
    if parameter.run == "list":
        size = pair.run_size(key)
        return st.lists(numbers, min_size=size, max_size=size).map(tuple)
    if parameter.run == "mask":
        on = st.sets(st.integers(1, 7 * pair.run_size(key)))
        return on.map(lambda numbers: tuple(sorted(numbers)))
    return numbers


def samples(pair: Pair, key: str, seed: int) -> list[Value]:
    """Return the lowest, the highest and some other values, and both sides of a hole."""
    parameter = pair.parameter(key)
    chance = random.Random(f"{key} {seed}")
    if parameter.run == "text":
        size = pair.run_size(key)
        return ["", "A", "~" * size, "".join(chance.choices("abc XYZ!", k=size)).rstrip()]
    if parameter.run == "mask":
        size = 7 * pair.run_size(key)
        return [(), tuple(range(1, size + 1)), (1,), (size,), tuple(range(1, size + 1, 3))]
    edges = sorted({edge for span in spans(parameter) for edge in span})
    inner = [chance.randint(*chance.choice(spans(parameter))) for _ in range(3)]
    numbers = [*edges[:2], *edges[-2:], *inner]
    if parameter.run == "list":
        size = pair.run_size(key)
        return [(edges[0],) * size, (edges[-1],) * size, tuple(chance.choices(numbers, k=size))]
    return list(dict.fromkeys(numbers))


# ---- the same messages on the wire in other ways


def squeezed(messages: tuple[bytes, ...]) -> bytes:
    """Return the messages with running status (MIDI 1.0 Detailed Specification 4.2.1, p. A-1)."""
    stream = bytearray()
    running = 0
    for message in messages:
        stream += message[1:] if message[0] == running else message
        running = message[0] if message[0] < 0xF0 else 0
    return bytes(stream)


def strewn(stream: bytes, seed: int) -> bytes:
    """Return the stream with real-time bytes anywhere in it (p. 29 and 30)."""
    chance = random.Random(seed)
    out = bytearray()
    for byte in stream:
        out += bytes(
            chance.choices([0xF8, 0xFA, 0xFB, 0xFC, 0xFE, 0xF9, 0xFD], k=chance.randint(0, 2))
        )
        out.append(byte)
    return bytes(out)


def swapped(messages: tuple[bytes, ...]) -> tuple[bytes, ...]:
    """Return the messages with the two bytes of every selection the other way round (p. 17, 50)."""
    out = list(messages)
    i = 0
    while i + 1 < len(out):
        pair_of = [m[1] for m in out[i : i + 2] if m[0] >> 4 == 0xB]
        if sorted(pair_of) in ([98, 99], [100, 101]):
            out[i], out[i + 1] = out[i + 1], out[i]
            i += 1
        i += 1
    return tuple(out)
