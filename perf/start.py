"""Whole-process start of commands against an empty interpreter, as ratios in one run.

Promise: ``knobwright explain "B0 07 64"`` starts, explains and ends in at most 8 times an empty
interpreter. Byte code is made beforehand, as an installed package has it.
"""

from __future__ import annotations

import compileall
import statistics
import subprocess
import sys
import time
from pathlib import Path

ROUNDS = 21
PROMISED = 8.0
EXPLAIN = "knobwright explain B0 07 64"

RUN = [sys.executable, "-m", "knobwright"]
COMMANDS = {
    "empty interpreter": [sys.executable, "-c", "pass"],
    "import click": [sys.executable, "-c", "import click"],
    EXPLAIN: [*RUN, "explain", "B0 07 64"],
    "knobwright --help": [*RUN, "--help"],
    "knobwright check general-midi-1": [*RUN, "check", "general-midi-1"],
    "knobwright bytes, a standard sheet": [*RUN, "bytes", "--sheet", "midi-1", "volume=100"],
}


def main() -> int:
    """Print the table; 1 where the promise is missed."""
    import knobwright

    compileall.compile_dir(Path(knobwright.__file__).parent, quiet=1)
    times: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for _ in range(ROUNDS):
        for name, words in COMMANDS.items():
            start = time.perf_counter()
            subprocess.run(words, stdout=subprocess.DEVNULL, check=True)
            times[name].append((time.perf_counter() - start) * 1e3)
    base = statistics.median(times["empty interpreter"])
    print(f"{'whole process':40} {'median ms':>10} {'times empty':>12} {'promised':>10}")
    for name, values in times.items():
        promised = f"{PROMISED:g}" if name == EXPLAIN else "-"
        median = statistics.median(values)
        print(f"{name:40} {median:10.1f} {median / base:12.1f} {promised:>10}")
    return int(statistics.median(times[EXPLAIN]) / base > PROMISED)


if __name__ == "__main__":
    sys.exit(main())
