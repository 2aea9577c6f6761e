"""Hard cases around the engine's process: a stuck engine, the end of a bench, programs at once.

The inside of the engine is run in this process where no other process is needed.
"""

from __future__ import annotations

import shutil
import socket
import threading
import time
from collections.abc import Callable, Iterator
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from knobwright.adapters.clock import monotonic_ns
from knobwright.core.interfaces import InPort
from knobwright.engine.messages import Bytes, PortPlan, Ready, Set, Start, write
from knobwright.engine.outbox import Outbox
from knobwright.wiring.engine import Run
from knobwright.wiring.links import OpenLink
from knobwright.wiring.ports import open_in, open_out
from knobwright.wiring.supervisor import Supervisor
from tests.policy.tree import ROOT
from tests.wiring.far_end import PATIENCE_S
from tests.wiring.test_engine import Reports


def stuck(connection: Connection) -> None:
    """Say that the engine runs, and never read an order; it plays nothing."""
    connection.send_bytes(write(Ready(())))
    time.sleep(600)


def test_an_engine_that_reads_no_orders_is_stopped_all_the_same() -> None:
    supervisor = Supervisor(Start(), Reports(), stuck)
    assert supervisor.start(PATIENCE_S)
    full = threading.Thread(
        target=lambda: [supervisor.play(bytes(100_000)) for _ in range(40)], daemon=True
    )
    full.start()
    full.join(timeout=1.0)
    assert full.is_alive()  # the pipe is full
    ended = threading.Thread(target=lambda: supervisor.stop(timeout_s=0.5), daemon=True)
    ended.start()
    ended.join(timeout=PATIENCE_S)
    hangs = ended.is_alive()
    if hangs and supervisor._process is not None:
        supervisor._process.kill()
    full.join(timeout=PATIENCE_S)
    assert not hangs
    assert supervisor.is_over


class Nobody:
    """The end of a pipe that nobody reads; what is told is thrown away."""

    def send_bytes(self, data: bytes) -> None:
        """Throw it away."""


BENCH = """
format = 1
sheet = "larkfield-t4.sheet.toml"
[[link]]
out = "memory:review-module"
baud = 0
[[input]]
name = "keyboard"
port = "memory:review-keys"
[[input]]
name = "tablet"
port = "osc:127.0.0.1:{own}"
out = "osc:127.0.0.1:{far}"
surface = "tablet.surface.toml"
[[assignment]]
input = "tablet"
control = "path-1"
parameter = "tone.brightness"
channels = [1]
"""
TABLET = """
format = 1
[surface]
name = "Sedge"
[[control]]
name = "path-1"
kind = "fader"
path = "/1/fader1"
echo = true
"""


class Inside:
    """A bench at work in this process, with the module's end of its wire and a tablet's socket."""

    def __init__(self, folder: Path) -> None:
        self.tablet = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.tablet.bind(("127.0.0.1", 0))
        self.tablet.settimeout(PATIENCE_S)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            own = free.getsockname()[1]
        shutil.copy(ROOT / "examples/larkfield-bench/larkfield-t4.sheet.toml", folder)
        text = BENCH.format(own=own, far=self.tablet.getsockname()[1])
        (folder / "bench.toml").write_text(text, encoding="utf-8")
        (folder / "tablet.surface.toml").write_text(TABLET, encoding="utf-8")
        self.got: list[str] = []
        self.is_over = False
        self.module: InPort = open_in(
            PortPlan("memory:review-module"), lambda data, _: self.got.append(data.hex(" "))
        )
        self.run = Run(Outbox(Nobody(), monotonic_ns))
        self.run.open(Start(bench=str(folder), is_urgent=False))
        self.keys = open_out(PortPlan("memory:review-keys"))

    def wait_for(self, fits: Callable[[], bool]) -> None:
        deadline = time.monotonic() + PATIENCE_S
        while not fits():
            assert time.monotonic() < deadline, self.got
            time.sleep(0.005)

    def stop(self) -> None:
        if not self.is_over:
            self.is_over = True
            self.run.stop()

    def close(self) -> None:
        self.stop()
        self.keys.close()
        self.module.close()
        self.tablet.close()


@pytest.fixture
def inside(tmp_path: Path) -> Iterator[Inside]:
    made = Inside(tmp_path)
    yield made
    made.close()


def test_nothing_is_played_behind_the_last_note_off(
    inside: Inside, monkeypatch: pytest.MonkeyPatch
) -> None:
    stop = OpenLink.stop

    def stop_and_play(link: OpenLink, *more: bool) -> int:
        n_owed = stop(link, *more)
        inside.keys.send(b"\x90\x3e\x40")  # a key that is struck in the last moment
        time.sleep(0.05)
        return n_owed

    inside.keys.send(b"\x90\x3c\x40")
    inside.wait_for(lambda: "90 3c 40" in inside.got)
    monkeypatch.setattr(OpenLink, "stop", stop_and_play)
    inside.is_over = True
    assert inside.run.stop(finish=True) == 0
    assert "80 3c 40" in inside.got
    assert "90 3e 40" not in inside.got


def test_the_bytes_of_two_programs_are_kept_apart(inside: Inside) -> None:
    for source, text in (
        ("song", "90 3C 40 3E"),
        ("page", "B0 07 50"),
        ("song", "40"),
    ):
        inside.run.receive(Bytes(bytes.fromhex(text), source), monotonic_ns())
    inside.stop()
    assert inside.got[:3] == ["90 3c 40", "b0 07 50", "90 3e 40"]


def test_a_control_with_a_path_is_shown_its_value(inside: Inside) -> None:
    inside.run.set(Set("tone.brightness", 127, 1))
    inside.run.beat(monotonic_ns())
    datagram = inside.tablet.recv(512)
    inside.stop()
    assert datagram.startswith(b"/1/fader1\0")
    # Open Sound Control 1.0: the tag of a 32-bit integer or float, and 1 at the high end.
    assert datagram[12:] in (b",i\0\0\0\0\0\x01", b",f\0\0\x3f\x80\0\0")
