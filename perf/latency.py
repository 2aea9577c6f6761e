"""How long the engine takes from bytes in to bytes out, while its trace is read and the other
processor is busy: 1 000 events a second for 100 seconds, half of them notes, half knob movements
that become exclusive messages with a checksum.

(a) from an input's callback to the bytes handed to the port, inside the engine's process;
(b) from another process, which notes the time before it writes to the pipe, to the same place.

Both lines are pseudo-terminals, so that real reading and writing of a serial port is in it. The
line is not paced and the module asks for no rests: what is measured is what we add. Promises:
median at most 100 us, 99 % at most 320 us (a byte on a DIN cable), 99.9 % at most 1 ms.

``PERF_SECONDS=5 python -m perf latency`` is for trying; ``PERF_PICTURE=FILE.svg`` writes a picture;
``PERF_URGENT=0`` does without a raised priority, as for a user who has no right to one.
"""

from __future__ import annotations

import multiprocessing
import os
import re
import shutil
import sys
import tempfile
import threading
import time
import tty
from collections.abc import Callable
from pathlib import Path

from knobwright.core.wire import Message, Splitter
from knobwright.engine.messages import Bytes, Order, Report, Set, Start, TraceBatch, Watch
from knobwright.wiring.engine import main as engine
from knobwright.wiring.supervisor import Supervisor
from perf._histogram import bars, picture, spread

URGENT = os.environ.get("PERF_URGENT", "1") != "0"
SECONDS = float(os.environ.get("PERF_SECONDS", "100"))
EVENTS_A_SECOND = 1000
LIMITS_US = {"median": 100.0, "p99": 320.0, "p999": 1000.0}
EXAMPLE = Path(__file__).parent.parent / "examples" / "larkfield-bench"
#: Channel, key range and controller of the events; the sheet's answer to the knob is exclusive.
KEYS = range(48, 96)
KNOB = 0x11

BENCH = """
format = 1
sheet = "larkfield-t4.sheet.toml"

[[link]]
out = "serial:{out}"
baud = 0

[[input]]
name = "desk"
port = "serial:{into}"
surface = "desk.surface.toml"

[[assignment]]
input = "desk"
control = "knob-2"
parameter = "hall.time"
"""


class Line:
    """A pseudo-terminal whose far end is read by a thread; it takes any speed and keeps none."""

    def __init__(self) -> None:
        self.far, self._near = os.openpty()
        tty.setraw(self._near)
        self.name = os.ttyname(self._near)
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        try:
            while os.read(self.far, 65536):
                pass
        except OSError:
            return

    def close(self) -> None:
        """Close the near end, and with it the far one."""
        os.close(self._near)
        os.close(self.far)


class Trace:
    """Whole messages of the trace, as (when, way, message)."""

    def __init__(self) -> None:
        self.messages: list[tuple[int, str, bytes]] = []
        self.n_not_shown = 0
        self.others: list[Report] = []
        self._splitters: dict[str, Splitter] = {}

    def __call__(self, report: Report) -> None:
        """Take a report of the engine."""
        if not isinstance(report, TraceBatch):
            self.others.append(report)
            return
        self.n_not_shown += report.n_not_shown
        for at_ns, way, port, data in report.entries:
            splitter = self._splitters.setdefault(f"{way} {port}", Splitter())
            for record in splitter.feed(data, at_ns):
                assert isinstance(record, Message), record
                self.messages.append((at_ns, way, record.data))


def busy() -> None:
    """Keep a processor busy."""
    while True:
        pass


def event(n: int) -> bytes:
    """Return event number ``n``: notes on and off in turn, and a knob that never stands still."""
    if n & 1:
        return bytes((0xB0, KNOB, (n >> 1) & 0x7F))
    key = KEYS[(n >> 2) % len(KEYS)]
    return bytes((0x90, key, 100)) if n & 2 == 0 else bytes((0x80, key, 64))


def order(n: int) -> Order:
    """Return the same as an order of another process."""
    data = event(n)
    return Set("hall.time", data[2]) if n & 1 else Bytes(data)


def drive(seconds: float, give: Callable[[int], None]) -> list[int]:
    """Call ``give`` with 0, 1, 2 ... at absolute times; return when each began, in nanoseconds.

    Where this process gets no processor in time, the times after that move along: what comes is
    1 000 events a second, never a burst that this process itself has made.
    """
    step_ns = 1_000_000_000 // EVENTS_A_SECOND
    begun = []
    due_ns = time.monotonic_ns()
    for n in range(int(seconds * EVENTS_A_SECOND)):
        while (left_ns := due_ns - time.monotonic_ns()) > 0:
            time.sleep(left_ns / 1e9)
        begun.append(time.monotonic_ns())
        give(n)
        due_ns = max(due_ns, begun[-1] - step_ns // 10) + step_ns
    return begun


def inside(trace: Trace) -> list[int]:
    """Return, for each message that came in, how long its answer took to go out."""
    latencies = []
    came: list[int] = []
    for at_ns, way, _ in sorted(trace.messages, key=lambda entry: entry[0]):
        if way == "in":
            came.append(at_ns)
        else:
            latencies.append(at_ns - came.pop(0))
    assert not came, f"{len(came)} events had no answer"
    return latencies


def outside(trace: Trace, begun: list[int]) -> list[int]:
    """Return, for each order of this process, how long its bytes took to go out."""
    out = [at_ns for at_ns, way, _ in trace.messages if way == "out"]
    assert len(out) == len(begun), f"{len(begun)} orders, {len(out)} messages"
    return [at_ns - begun_ns for at_ns, begun_ns in zip(out, begun, strict=True)]


def measure(folder: Path, way: str) -> list[int]:
    """Run an engine and return its latencies in nanoseconds; ``way`` is ``"a"`` or ``"b"``."""
    into, out = Line(), Line()
    shutil.copytree(EXAMPLE, folder)
    text = BENCH.format(into=into.name, out=out.name)
    (folder / "bench.toml").write_text(text, encoding="utf-8")
    sheet = folder / "larkfield-t4.sheet.toml"
    restless = re.sub(r"(?m)^gap_ms = .*$", "gap_ms = 0", sheet.read_text(encoding="utf-8"))
    sheet.write_text(restless, encoding="utf-8")
    trace = Trace()
    supervisor = Supervisor(Start(bench=str(folder), is_urgent=URGENT), trace, engine)
    load = multiprocessing.get_context("spawn").Process(target=busy, daemon=True)
    load.start()
    try:
        assert supervisor.start(), trace.others
        time.sleep(0.5)
        supervisor.send(Watch(True))
        supervisor.ask()
        if way == "a":
            drive(SECONDS, lambda n: (os.write(into.far, event(n)), None)[1])
        else:
            begun = drive(SECONDS, lambda n: (supervisor.send(order(n)), None)[1])
        time.sleep(0.3)
        supervisor.send(Watch(False))
        supervisor.ask()
        time.sleep(0.3)
        assert trace.n_not_shown == 0, "the trace was not read fast enough"
        shown = len(trace.messages)
        latencies = inside(trace) if way == "a" else outside(trace, begun)
        assert len(latencies) == int(SECONDS * EVENTS_A_SECOND), (len(latencies), shown)
    finally:
        supervisor.stop()
        load.kill()
        load.join()
        into.close()
        out.close()
    return latencies


NAMES = {"a": "(a) input callback to port", "b": "(b) another process to port"}


def main() -> int:
    """Print the tables; 1 where a promise is missed."""
    series = {}
    with tempfile.TemporaryDirectory() as folder:
        for way, name in NAMES.items():
            series[name] = measure(Path(folder) / way, way)
    print(f"{'microseconds':30} {'events':>8} {'median':>9} {'99 %':>9} {'99.9 %':>9} {'worst':>9}")
    missed = []
    for name, latencies in series.items():
        found = spread(latencies)
        print(
            f"{name:30} {found.n:8d} {found.median:9.1f} {found.p99:9.1f} {found.p999:9.1f} "
            f"{found.worst:9.1f}"
        )
        missed += [
            f"{name}: {limit}" for limit, us in LIMITS_US.items() if getattr(found, limit) > us
        ]
    print(f"{'promised':30} {'':8} " + " ".join(f"{us:9.0f}" for us in LIMITS_US.values()))
    for name, latencies in series.items():
        print(f"\n{name}: counts, bars are their logarithms")
        print("\n".join(bars(latencies)))
    path = os.environ.get("PERF_PICTURE")
    if path:
        limits = {"median": 100.0, "99 %": 320.0, "99.9 %": 1000.0}
        Path(path).write_text(picture(dict(series), limits), encoding="utf-8")
    for words in missed:
        print(f"promise missed: {words}", file=sys.stderr)
    return int(bool(missed))


if __name__ == "__main__":
    sys.exit(main())
