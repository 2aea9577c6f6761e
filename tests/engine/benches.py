"""A bridge on a bench of the invented module of ``examples/``, with lists in the place of links.

The fake links do not model time, order or pacing: what is pushed stands there as it was pushed.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TypeVar

from knobwright.adapters.files import sheets
from knobwright.core.bench.check import check_bench
from knobwright.core.codec.check import Checked
from knobwright.core.surface.check import CheckedSurface, check_surface
from knobwright.core.timing.items import Item
from knobwright.engine.bridge import Bridge
from knobwright.engine.told import Told

_T = TypeVar("_T")
EXAMPLE = Path(__file__).parents[2] / "examples" / "larkfield-bench"
SHEET = EXAMPLE / "larkfield-t4.sheet.toml"

#: A desk that sends on channel 1.
DESK = """
format = 1
[surface]
name = "Marram 8"
[[control]]
name = "knob-1"
kind = "knob"
sends = "B0 10 vv"
echo = "B0 10 vv"
[[control]]
name = "knob-2"
kind = "knob"
sends = "B0 11 vv"
echo = "B0 11 vv"
[[control]]
name = "fader-1"
kind = "fader"
sends = ["B0 01 vh", "B0 21 vl"]
[[control]]
name = "button-1"
kind = "button"
sends = "90 24 vv"
[[control]]
name = "button-2"
kind = "button"
sends = "90 25 vv"
echo = "90 25 vv"
[[control]]
name = "ring-1"
kind = "encoder"
sends = "B0 14 vv"
relative = "twos"
echo = "B0 14 vv"
[[control]]
name = "path-1"
kind = "fader"
path = "/1/fader1"
"""

HEAD = """
format = 1
sheet = "larkfield-t4.sheet.toml"
[[input]]
name = "desk"
port = "memory:desk"
out = "memory:lights"
surface = "desk.surface.toml"
[[input]]
name = "keys"
port = "memory:keys"
[[input]]
name = "other"
port = "memory:other"
"""
ONE_LINK = '[[link]]\nout = "memory:module"\nin = "memory:back"\n'
TWO_LINKS = ONE_LINK + '[[link]]\nout = "memory:module-2"\n'


def assignment(control: str, parameter: str, more: str = "") -> str:
    """Return the table of an assignment of the desk; ``more`` holds further lines."""
    head = f'[[assignment]]\ninput = "desk"\ncontrol = "{control}"\nparameter = "{parameter}"\n'
    return f"{head}{more}\n"


class Rig:
    """A bridge with its links, echoes and what it told; time stands until it is moved."""

    def __init__(self, tables: str = "", links: str = ONE_LINK, sheet: str = "") -> None:
        def load_sheet(name: str) -> Checked:
            return sheets.check_text(sheet, name) if sheet else sheets.load(str(SHEET))

        def load_surface(name: str) -> CheckedSurface:
            return check_surface(DESK, name=name)

        checked = check_bench(HEAD + links + tables, sheet=load_sheet, surface=load_surface)
        self.bench, self.codec = checked.require()
        self.now_ns = 10**9
        self.links: list[list[Item]] = [[] for _ in self.bench.links]
        self.echoes: list[Item] = []
        self.told: list[Told] = []
        self.n_taken = [0 for _ in self.links]
        self.bridge = Bridge(
            self.bench,
            self.codec,
            checked.surfaces,
            [items.extend for items in self.links],
            tell=self.told.append,
            clock=lambda: self.now_ns,
            echoes={"desk": self.echoes.extend},
        )

    def play(self, source: str, text: str) -> str:
        """Feed an input with hex bytes and return, in hex, what was pushed to link 1 by it."""
        before = len(self.links[0])
        self.now_ns += 1_000_000
        self.bridge.receive(source, bytes.fromhex(text), self.now_ns)
        return hexed(self.links[0][before:])

    def hand_over(self) -> None:
        """Let the links hand over everything that was pushed, and let the bridge follow."""
        for link, items in enumerate(self.links):
            self.bridge.sent(link, items[self.n_taken[link] :], self.now_ns)
            self.n_taken[link] = len(items)
        self.tick()

    def tick(self, ms: int = 50) -> None:
        """Let time pass."""
        self.now_ns += ms * 1_000_000
        self.bridge.tick(self.now_ns)

    def told_of(self, kind: type[_T]) -> list[_T]:
        """Return what was told of one sort."""
        return [record for record in self.told if isinstance(record, kind)]


def hexed(items: Sequence[Item]) -> str:
    """Return the messages of items in hex: messages parted by commas, items by ``|``."""
    rows = (", ".join(m.hex(" ").upper() for m in item.messages) for item in items)
    return " | ".join(rows)


def stream(items: Sequence[Item]) -> bytes:
    """Return the bytes of items as one stream."""
    return b"".join(message for item in items for message in item.messages)
