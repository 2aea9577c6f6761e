"""A command run inside this process, and a small sheet to run it on."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

from knobwright.cli.main import run

SHEET = """\
# the sheet of a small invented module
format = 1
include = ["general-midi-1"]

[module]
name = "Quince 9"
maker_id = "7D"
device_ids = ["10", "11"]

[receiver]
gap_ms = 20

[checksum.body]
rule = "negated-sum-7"

[[parameter]]
key = "tone.brightness"
label = "Brightness"
section = "Tone"
per = ["channel"]
line = "Bn 63 05 62 12 06 vv"
range = [0, 127]
default = 64
shown = { formula = "v - 64" }

[[parameter]]
key = "hall.time"
label = "Hall time"
line = "F0 7D id 42 [ 30 05 vv ] cs F7"
range = [0, 100]
shown = { formula = "exp((v - 40) * 0.025)", unit = "s" }

[[parameter]]
key = "hall.kind"
label = "Hall kind"
line = "F0 7D id 42 [ 30 06 vv ] cs F7"
choices = { 0 = "room", 1 = "stage", 2 = "plate" }

[[parameter]]
key = "hall.colour"
label = "Hall colour"
line = "F0 7D id 42 [ 30 07 vv ] cs F7"

[[parameter]]
key = "drum.level"
label = "Drum level"
per = ["channel", "key"]
line = "Bn 63 1A 62 kk 06 vv"

[[parameter]]
key = "store"
label = "Store all"
line = "F0 7D id 7F 00 F7"
danger = "it overwrites what is stored"

[[question]]
about = "hall.colour"
place = "page 4, row 15"
understood = "F0 7D id 42 [ 30 07 vv ] cs F7"
choices = { yes = "xx is the checksum", no = "xx is a second value" }
[question.gives.no]
line = "F0 7D id 42 30 07 vh vl F7"
range = [0, 16383]
"""


class Ran(NamedTuple):
    """What a command did: exit status, standard output (raw bytes too) and standard error."""

    status: int
    out: str
    err: str
    raw: bytes


#: Runs the command line with words, and ``typed`` on standard input.
Command = Callable[..., Ran]


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    """Return the path of a small sheet with one open question."""
    path = tmp_path / "quince.sheet.toml"
    path.write_text(SHEET, encoding="utf-8")
    return path


@pytest.fixture
def knobwright(monkeypatch: pytest.MonkeyPatch) -> Command:
    """Return a function that runs the command line with words and typed input."""

    def call(*words: object, typed: str | bytes = "") -> Ran:
        data = typed.encode() if isinstance(typed, str) else typed
        out, err = io.BytesIO(), io.BytesIO()
        with monkeypatch.context() as patch:
            patch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data), encoding="utf-8"))
            patch.setattr(sys, "stdout", io.TextIOWrapper(out, encoding="utf-8", newline=""))
            patch.setattr(sys, "stderr", io.TextIOWrapper(err, encoding="utf-8"))
            status = run([str(word) for word in words])
            sys.stdout.flush()
            sys.stderr.flush()
            raw = out.getvalue()
            return Ran(status, raw.decode("utf-8", "replace"), err.getvalue().decode(), raw)

    return call
