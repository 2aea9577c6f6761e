"""Ten minutes of the engine at work: how much its memory grows, and whether anything is lost.

A controller on a pseudo-terminal sends 300 events a second, notes and a knob that becomes exclusive
messages, over a bench to another pseudo-terminal that is read to the end; the line is reckoned at
31 250 baud and saturated now and then, and the trace is read all the while. Memory is what the
system counts as resident for the engine's process, after the first minute and at the end. Promises:
it grows by less than 1 MiB, and every note sent is a note received, on and off.

``PERF_SECONDS=60 python -m perf soak`` is for trying.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path

from knobwright.core.wire import Message, Splitter
from knobwright.engine.messages import Report, Start, TraceBatch, Watch
from knobwright.wiring.engine import main as engine
from knobwright.wiring.supervisor import Supervisor
from perf.latency import BENCH, EXAMPLE, Line, event

SECONDS = float(os.environ.get("PERF_SECONDS", "600"))
EVENTS_A_SECOND = 300
#: Part of the time after which memory is looked at for the first time.
WARM = 0.1
MAX_GROWTH_KIB = 1024
_DRAIN_S = 3.0


class Heard(Line):
    """A far end that counts the notes that reach it."""

    def __init__(self) -> None:
        self.notes: Counter[bytes] = Counter()
        self.n_bytes = self.n_dropped = 0
        self._splitter = Splitter()
        super().__init__()

    def _read(self) -> None:
        try:
            while data := os.read(self.far, 65536):
                self.n_bytes += len(data)
                for record in self._splitter.feed(data):
                    if not isinstance(record, Message):
                        self.n_dropped += 1
                    elif record.data[0] < 0xA0:
                        self.notes[record.data] += 1
        except OSError:
            return


def resident_kib(pid: int) -> int:
    """Return the memory of a process that is really there, in KiB (Linux)."""
    pages = int(Path(f"/proc/{pid}/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGESIZE") // 1024


def main() -> int:
    """Print the figures; 1 where a promise is missed."""
    desk, module = Heard(), Heard()
    n_traced = n_not_shown = 0
    others: list[Report] = []
    lock = threading.Lock()

    def take(report: Report) -> None:
        nonlocal n_traced, n_not_shown
        with lock:
            if isinstance(report, TraceBatch):
                n_traced += len(report.entries)
                n_not_shown += report.n_not_shown
            elif len(others) < 1000:
                others.append(report)

    sent: Counter[bytes] = Counter()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "bench"
        shutil.copytree(EXAMPLE, folder)
        text = BENCH.format(out=module.name, into=desk.name).replace("baud = 0", "baud = 31250")
        (folder / "bench.toml").write_text(text, encoding="utf-8")
        supervisor = Supervisor(Start(bench=str(folder)), take, engine)
        assert supervisor.start(), others
        supervisor.send(Watch(on=True))
        pid = supervisor.pid
        assert pid is not None
        first_kib = 0
        start = time.monotonic()
        for n in range(int(SECONDS * EVENTS_A_SECOND)):
            due = start + n / EVENTS_A_SECOND
            left = due - time.monotonic()
            if left > 0:
                time.sleep(left)
            data = event(n)
            if data[0] < 0xA0:
                sent[data] += 1
            os.write(desk.far, data)
            if not first_kib and time.monotonic() - start > SECONDS * WARM:
                first_kib = resident_kib(pid)
        time.sleep(_DRAIN_S)
        last_kib = resident_kib(pid)
        counts = supervisor.ask().counts
        supervisor.stop()
    n_lost = sum((sent - module.notes).values())
    n_more = sum((module.notes - sent).values())
    growth = last_kib - first_kib
    print(f"{SECONDS:.0f} s, {EVENTS_A_SECOND} events a second, {module.n_bytes} bytes sent on")
    print(f"notes sent {sum(sent.values())}, lost {n_lost}, too many {n_more}")
    print(f"memory {first_kib} KiB after {SECONDS * WARM:.0f} s, {last_kib} KiB at the end: "
          f"{growth:+d} KiB (promised: less than {MAX_GROWTH_KIB})")  # fmt: skip
    print(f"knob values replaced by newer ones {counts['link 1 n_replaced']}, worst wait of a note "
          f"{counts['link 1 worst_note_ns'] / 1e6:.1f} ms, trace entries {n_traced}, "
          f"not shown {n_not_shown}")  # fmt: skip
    for line in (desk, module):
        line.close()
    return int(n_lost > 0 or n_more > 0 or growth >= MAX_GROWTH_KIB or module.n_dropped > 0)


if __name__ == "__main__":
    sys.exit(main())
