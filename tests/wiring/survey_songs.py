"""A folder of small made songs for surveys: good ones, broken ones, and no songs at all."""

from __future__ import annotations

import gzip
from pathlib import Path

from tests.core.song import made

SHEET = """\
format = 1

[module]
name = "Quince 9"
maker_id = "7D"
device_ids = ["10"]
voices = 4
drum_channels = [10]

[receiver]
gap_ms = 20

[programs]
line = "Cn pp"
first = 1

[[program]]
number = 1
name = "Reed"
voices = 2

[[parameter]]
key = "volume"
label = "Volume"
per = ["channel"]
line = "Bn 07 vv"
"""


def chord(n: int, *, program: int = 0, ticks: str = "60") -> str:
    """Return the events of a chord of ``n`` notes on channel 1, in hex."""
    ons = " ".join(f"00 90 {48 + i:02X} 50" for i in range(n))
    offs = " ".join(f"00 80 {48 + i:02X} 40" for i in range(1, n))
    return f"00 C0 {program:02X} {ons} {ticks} 80 30 40 {offs} {made.END}"


def write_songs(folder: Path, n: int) -> list[str]:
    """Write ``n`` songs below a folder; return their paths in order, as a survey tells them."""
    names = []
    for number in range(n):
        name = f"{number % 3}/song {number:03}.mid"
        data = made.song(chord(1 + number % 12, program=number % 2))
        if number % 7 == 3:
            data = data[:-6]  # cut off
        if number % 11 == 5:
            name, data = f"{name}.gz", gzip.compress(data, mtime=0)
        if number % 13 == 6:
            data = b"\xff\xd8\xff\xe0 a picture"
        file = folder / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
        names.append(name)
    return sorted(names)
