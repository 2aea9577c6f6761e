"""What the kinds of records cost at start-up: the figures of docs/decisions/0001."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time

ROUNDS = 15
N_CLASSES = 60

BODY = "\n    a: int\n    b: str\n    c: float\n    d: bytes\n    e: bool = False\n"
MAKE = f"\nfor _ in range({N_CLASSES}):\n    exec(body)"
KINDS = {
    "dataclass": (
        "from dataclasses import dataclass",
        "@dataclass(frozen=True, slots=True)\nclass R:",
    ),
    "msgspec struct": ("import msgspec", "class R(msgspec.Struct, frozen=True):"),
    "named tuple": ("from typing import NamedTuple", "class R(NamedTuple):"),
}


def programs() -> dict[str, str]:
    """Return the programs to start, by what they do."""
    found = {"empty interpreter": "pass", "click alone": "import click"}
    for kind, (load, head) in KINDS.items():
        body = f"body = {head + BODY!r}"
        found[f"{kind}: import"] = load
        found[f"click, {kind}: import"] = f"import click\n{load}"
        found[f"click, {kind}: {N_CLASSES} records"] = f"import click\n{load}\n{body}{MAKE}"
    return found


def main() -> None:
    """Print the time of a whole process for each program, taken in turn within one run."""
    todo = programs()
    times: dict[str, list[float]] = {name: [] for name in todo}
    for _ in range(ROUNDS):
        for name, program in todo.items():
            start = time.perf_counter()
            subprocess.run([sys.executable, "-c", program], check=True)
            times[name].append((time.perf_counter() - start) * 1e3)
    base = statistics.median(times["empty interpreter"])
    print(f"{'whole process':40} {'median ms':>10} {'times empty':>12}")
    for name, values in times.items():
        median = statistics.median(values)
        print(f"{name:40} {median:10.1f} {median / base:12.1f}")


if __name__ == "__main__":
    main()
