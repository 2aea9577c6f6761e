"""Measure the codec: encode against ``mido`` on one control change, check, and decode.

    python perf/codec.py

An encoded parameter set is an NRPN (three control changes) or an exclusive message with its
checksum; mido makes one control change as a message object and its bytes. Value and channel change
from call to call, so that nothing is there from the call before. Each figure is the best of several
rounds; rounds of the two take turns, so that a slow moment of the machine hits both. Exit status 1
when a promise is missed.
"""

from __future__ import annotations

import platform
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

sys.path[:0] = [str(Path(__file__).resolve().parent.parent / "src")]

import mido  # noqa: E402

from knobwright.core.codec.check import check_sheet  # noqa: E402
from knobwright.core.codec.plan import Codec  # noqa: E402

N_ROUNDS = 7
N_CALLS = 20_000
#: How many times as fast as mido's one control change a parameter set promises to be.
PROMISES = {"NRPN": 3.0, "exclusive with checksum": 3.0}
#: Parameters of the sheet that is checked.
N_PARAMETERS = 300

HEAD = """format = 1
[module]
name = "Fennick S1"
device_ids = ["10"]
[checksum.body]
rule = "negated-sum-7"
"""
LINES = {
    "NRPN": 'per = ["channel"]\nline = "Bn 63 05 62 {low:02X} 06 vv"',
    "NRPN of 14 bits": 'per = ["channel"]\nline = "Bn 63 06 62 {low:02X} 06 vh 26 vl"',
    "exclusive with checksum": 'line = "F0 7D id 42 [ 30 {low:02X} vv ] cs F7"',
    "exclusive, 14 bits, channel": (
        'per = ["channel"]\nline = "F0 7D id 42 [ 4n {low:02X} vh vl ] cs F7"'
    ),
}


class Row(NamedTuple):
    """One line of the table; times in nanoseconds a parameter set."""

    what: str
    ours_ns: float
    mido_ns: float

    @property
    def ratio(self) -> float:
        """How many times as fast as mido."""
        return self.mido_ns / self.ours_ns

    @property
    def kept(self) -> bool:
        """Whether the promise for this kind, if there is one, is kept."""
        return self.ratio >= PROMISES.get(self.what, 0.0)


def sheet_text(n_parameters: int) -> str:
    """Return a sheet with parameters of all kinds in turn."""
    kinds = list(LINES.values())
    text = HEAD
    for i in range(n_parameters):
        line = kinds[i % len(kinds)].format(low=i // len(kinds))
        text += f'[[parameter]]\nkey = "p{i}"\nlabel = "Parameter {i}"\n{line}\n'
        if i % 3 == 0:
            text += 'shown = { formula = "(v - 64) / 2", unit = "dB" }\n'
    return text


def run_ours(codec: Codec, key: str) -> Callable[[], int]:
    """Return a round that encodes one parameter on changing channels and values."""
    encode = codec.encode

    def run() -> int:
        n_bytes = 0
        for i in range(N_CALLS):
            n_bytes += len(encode(key, i & 0x7F, (i & 0x0F) + 1))
        return n_bytes

    return run


def run_mido() -> int:
    """Encode one control change on changing channels and values."""
    n_bytes = 0
    for i in range(N_CALLS):
        message = mido.Message("control_change", channel=i & 0x0F, control=6, value=i & 0x7F)
        n_bytes += len(message.bytes())
    return n_bytes


def nanoseconds(run: Callable[[], int]) -> float:
    """Return the time of one call in a round; fails where the round did nothing."""
    start = time.perf_counter_ns()
    done = run()
    taken = time.perf_counter_ns() - start
    if not done:
        raise AssertionError("the round gave no bytes")
    return taken / N_CALLS


def measure_encode(codec: Codec) -> list[Row]:
    """Return the encode lines of the table."""
    rows = []
    for i, what in enumerate(LINES):
        ours, theirs = [], []
        run = run_ours(codec, f"p{i}")
        for _ in range(N_ROUNDS):
            ours.append(nanoseconds(run))
            theirs.append(nanoseconds(run_mido))
        rows.append(Row(what, min(ours), min(theirs)))
    return rows


def measure_check(text: str) -> tuple[float, float]:
    """Return the best time in milliseconds to check a sheet, and to compile its way in."""
    checks, compiles = [], []
    for _ in range(N_ROUNDS):
        start = time.perf_counter()
        sheet = check_sheet(text).require()
        checks.append(time.perf_counter() - start)
        codec = Codec(sheet)
        start = time.perf_counter()
        codec.decoder()
        compiles.append(time.perf_counter() - start)
    return min(checks) * 1e3, min(compiles) * 1e3


def measure_decode(codec: Codec) -> dict[str, float]:
    """Return the best time in microseconds to decode one message, by kind."""
    found = {}
    for i, what in enumerate(LINES):
        messages = [m for v in range(128) for m in codec.encode(f"p{i}", v, v % 16 + 1)]
        best = []
        for _ in range(N_ROUNDS):
            decoder = codec.decoder()
            start = time.perf_counter()
            n_events = sum(len(decoder.feed(message)) for message in messages)
            best.append(time.perf_counter() - start)
            if n_events < len(messages):
                raise AssertionError("a message gave no event")
        found[what] = min(best) / len(messages) * 1e6
    return found


def main() -> int:
    """Print the tables; return the exit status."""
    text = sheet_text(N_PARAMETERS)
    codec = Codec(check_sheet(text).require())
    rows = measure_encode(codec)
    print(f"Python {platform.python_version()}, mido {mido.version_info}\n")
    print(
        "| a parameter set | encode, ns | mido, one control change, ns | times as fast | promised |"
    )
    print("|---|--:|--:|--:|--:|")
    for row in rows:
        promised = f"{PROMISES[row.what]:.0f}" if row.what in PROMISES else "–"
        missed = "" if row.kept else " **missed**"
        figures = f"{row.ours_ns:.0f} | {row.mido_ns:.0f} | {row.ratio:.1f}"
        print(f"| {row.what} | {figures} | {promised}{missed} |")
    check_ms, compile_ms = measure_check(text)
    print("\n| what | time |\n|---|--:|")
    print(f"| check of {N_PARAMETERS} parameters | {check_ms:.0f} ms |")
    print(f"| compile the way in | {compile_ms:.1f} ms |")
    for what, decode_us in measure_decode(codec).items():
        print(f"| decode a message: {what} | {decode_us:.1f} us |")
    return 0 if all(row.kept for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
