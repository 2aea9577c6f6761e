"""A bench on three cables: a module, a keyboard and a desk, whose far ends are in our hand."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.policy.tree import ROOT
from tests.wiring.far_end import FarEnd

SHEET = "larkfield-t4.sheet.toml"
BENCH = """\
format = 1
name = "Larkfield"
sheet = "{sheet}"

[[link]]
out = "{module}"
baud = 31250

[[input]]
name = "keyboard"
port = "{keys}"

[[input]]
name = "desk"
port = "{desk}"
surface = "desk.surface.toml"

[[assignment]]
input = "desk"
control = "knob-1"
parameter = "tone.brightness"
channels = [1]

[[assignment]]
input = "desk"
control = "knob-2"
parameter = "hall.time"
"""
_SURFACE = """\
format = 1

[surface]
name = "Marram 2"

[[control]]
name = "knob-1"
kind = "knob"
sends = "B0 10 vv"

[[control]]
name = "knob-2"
kind = "knob"
sends = "B0 11 vv"
"""


class Cables:
    """The bench folder and the cables.

    It models no speed at the far ends: a pseudo-terminal takes bytes as fast as they come.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "bench"
        self.folder.mkdir()
        self.module = FarEnd(folder / "module")
        self.keys = FarEnd(folder / "keys")
        self.desk = FarEnd(folder / "desk")
        shutil.copy(ROOT / "examples/larkfield-bench" / SHEET, self.folder)
        (self.folder / "desk.surface.toml").write_text(_SURFACE, encoding="utf-8")
        self.write()

    def write(self, **ports: str) -> None:
        """Write the bench; ``module``, ``keys`` and ``desk`` can be other ports."""
        named = {name: getattr(self, name).address for name in ("module", "keys", "desk")}
        text = BENCH.format(sheet=SHEET, **(named | ports))
        (self.folder / "bench.toml").write_text(text, encoding="utf-8")

    def close(self) -> None:
        """Let go of all ends."""
        for end in (self.module, self.keys, self.desk):
            end.close()


def left_sounding(messages: list[str]) -> list[tuple[int, int]]:
    """Return channel (0 to 15) and key of the notes that messages, in hex, leave on.

    A note-on with velocity 0 ends a note (MIDI 1.0 Detailed Specification, page A-2).
    """
    on: list[tuple[int, int]] = []
    for message in messages:
        data = bytes.fromhex(message)
        kind, place = data[0] >> 4, (data[0] & 15, data[1] if len(data) > 1 else 0)
        if kind == 9 and data[2]:
            on.append(place)
        elif kind in (8, 9) and place in on:
            on.remove(place)
    return on
