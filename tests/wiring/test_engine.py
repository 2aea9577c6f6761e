"""The engine's process: whatever ends it, nothing is left sounding and nobody is left running."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from knobwright.core.errors import PortError
from knobwright.engine.messages import (
    Bytes,
    GaveUp,
    InputPlan,
    LinkPlan,
    PortPlan,
    PortState,
    Quiet,
    Report,
    Restarted,
    Set,
    Start,
    Stopped,
    TraceBatch,
    Trouble,
    Watch,
)
from knobwright.wiring.engine import main
from knobwright.wiring.supervisor import Supervisor
from tests.wiring.far_end import PATIENCE_S, FarEnd


class Reports:
    """Everything that the engine told, and a way to wait for more."""

    def __init__(self) -> None:
        self.all: list[Report] = []
        self._came = threading.Condition()

    def __call__(self, report: Report) -> None:
        with self._came:
            self.all.append(report)
            self._came.notify_all()

    def wait_for(self, fits: Callable[[Report], bool]) -> Report:
        with self._came:
            assert self._came.wait_for(lambda: any(map(fits, self.all)), PATIENCE_S), self.all
            return next(report for report in self.all if fits(report))

    def states(self, n: int) -> list[bool]:
        """Wait for so many reports of a port, and return what they say."""

        def found() -> list[bool]:
            return [report.is_there for report in self.all if isinstance(report, PortState)]

        with self._came:
            self._came.wait_for(lambda: len(found()) >= n, PATIENCE_S)
            return found()

    def troubles(self) -> list[str]:
        return [report.words for report in self.all if isinstance(report, Trouble)]


Begin = Callable[..., tuple[Supervisor, Reports]]


@pytest.fixture
def far(tmp_path: Path) -> Iterator[FarEnd]:
    end = FarEnd(tmp_path / "line")
    yield end
    end.close()


@pytest.fixture
def begin(tmp_path: Path) -> Iterator[Begin]:
    """Start an engine with one link; it is stopped, and no process is left, at the end."""
    started: list[Supervisor] = []

    def start(address: str, *inputs: InputPlan, baud: int = 0) -> tuple[Supervisor, Reports]:
        reports = Reports()
        link = LinkPlan(PortPlan(address, baud), ledger=str(tmp_path / "held"))
        supervisor = Supervisor(Start(links=(link,), inputs=inputs), reports, main)
        started.append(supervisor)
        assert supervisor.start(PATIENCE_S), reports.all
        return supervisor, reports

    yield start
    for supervisor in started:
        supervisor.stop()
        assert supervisor.is_over
    assert not multiprocessing.active_children()


def test_bytes_of_another_process_reach_the_line_and_stop_leaves_silence(
    begin: Begin, far: FarEnd, tmp_path: Path
) -> None:
    supervisor, reports = begin(far.address)
    supervisor.play(bytes.fromhex("90 3c 40"))
    supervisor.play(bytes.fromhex("91 40"), "half")
    supervisor.play(bytes.fromhex("40"), "half")
    far.wait_for("91 40 40")
    assert supervisor.stop() == 0
    far.wait_for("b1 7b 00")
    assert far.messages[2:4] == ["80 3c 40", "81 40 40"]
    assert isinstance(reports.all[-1], Stopped)
    assert not (tmp_path / "held").exists()
    assert supervisor.stop() == 0
    assert not supervisor.play(b"\xf8")


def test_a_killed_engine_is_started_anew_and_lets_go_of_what_was_held(
    begin: Begin, far: FarEnd
) -> None:
    supervisor, reports = begin(far.address)
    supervisor.play(bytes.fromhex("90 3c 40 b0 40 7f 95 41 40"))
    for message in ("90 3c 40", "b0 40 7f", "95 41 40"):
        far.wait_for(message)
    assert supervisor.pid is not None
    os.kill(supervisor.pid, signal.SIGKILL)
    far.wait_for("85 41 40")
    assert far.messages[3:] == ["b0 40 00", "80 3c 40", "85 41 40"]
    told = reports.wait_for(lambda report: isinstance(report, Restarted))
    assert told == Restarted(2, 1, "it was ended by signal 9")
    supervisor.play(bytes.fromhex("90 45 40"))
    far.wait_for("90 45 40")


def test_what_was_let_go_after_a_crash_keeps_the_speed_of_the_line(
    begin: Begin, far: FarEnd
) -> None:
    supervisor, _ = begin(far.address, baud=31_250)
    keys = range(30, 90)
    supervisor.play(b"".join(bytes((0x90, key, 1)) for key in keys))
    far.wait_for("90 59 01")
    assert supervisor.pid is not None
    os.kill(supervisor.pid, signal.SIGKILL)
    last = far.wait_for("80 59 40")
    first = far.wait_for("80 1e 40")
    # 60 messages of 3 bytes of 320 microseconds; the reading here may begin late, never early.
    assert last - first > 0.8 * 59 * 3 * 320e-6
    assert len(far.messages) == 2 * len(keys)


def test_an_engine_that_is_told_to_end_by_a_signal_lets_go_and_is_started_anew(
    begin: Begin, far: FarEnd
) -> None:
    supervisor, reports = begin(far.address)
    supervisor.play(bytes.fromhex("93 3c 40"))
    far.wait_for("93 3c 40")
    assert supervisor.pid is not None
    os.kill(supervisor.pid, signal.SIGTERM)
    far.wait_for("83 3c 40")
    told = reports.wait_for(lambda report: isinstance(report, Restarted))
    assert isinstance(told, Restarted)
    assert told.n_let_go == 0
    assert not any(isinstance(report, Stopped) for report in reports.all)


def test_ctrl_c_at_the_terminal_does_not_end_the_engine(begin: Begin, far: FarEnd) -> None:
    supervisor, _ = begin(far.address)
    assert supervisor.pid is not None
    os.kill(supervisor.pid, signal.SIGINT)
    supervisor.play(bytes.fromhex("c0 05"))
    far.wait_for("c0 05")


_PARENT = """
import sys, time
from knobwright.engine.messages import LinkPlan, PortPlan, Start
from knobwright.wiring.engine import main
from knobwright.wiring.supervisor import Supervisor

if __name__ == "__main__":
    link = LinkPlan(PortPlan(sys.argv[1]), ledger=sys.argv[2])
    supervisor = Supervisor(Start(links=(link,)), lambda report: None, main)
    assert supervisor.start()
    supervisor.play(bytes.fromhex("90 3c 40 b0 40 7f"))
    print(supervisor.pid, flush=True)
    time.sleep(600)
"""


def test_an_engine_whose_parent_is_killed_lets_go_and_ends(far: FarEnd, tmp_path: Path) -> None:
    program = tmp_path / "parent.py"
    program.write_text(_PARENT, encoding="utf-8")
    parent = subprocess.Popen(
        [sys.executable, str(program), far.address, str(tmp_path / "held")],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert parent.stdout is not None
        pid = int(parent.stdout.readline())
        far.wait_for("b0 40 7f")
    finally:
        parent.kill()
        parent.communicate()
    far.wait_for("80 3c 40")
    assert "b0 40 00" in far.messages
    deadline = time.monotonic() + PATIENCE_S
    while Path(f"/proc/{pid}/cmdline").exists() and Path(f"/proc/{pid}/cmdline").read_bytes():
        assert time.monotonic() < deadline, "the engine outlives its parent"
        far.read(0.02)


def test_a_cable_pulled_in_a_sweep_and_put_back_leaves_no_note(begin: Begin, far: FarEnd) -> None:
    supervisor, reports = begin(far.address)
    supervisor.play(bytes.fromhex("90 3c 40"))
    far.wait_for("90 3c 40")
    for value in range(40):
        supervisor.play(bytes((0xB0, 7, value)))
    far.pull()
    reports.wait_for(lambda report: isinstance(report, PortState) and not report.is_there)
    for value in range(40, 80):
        supervisor.play(bytes((0xB0, 7, value)))
    supervisor.play(bytes.fromhex("c0 09 90 3e 40 80 3e 40"))
    assert supervisor.ask(PATIENCE_S).counts["link 1 is_there"] == 0
    n_before = len(far.messages)
    far.put_in()
    far.wait_for("c0 09", after=n_before)
    far.wait_for("b0 07 4f", after=n_before)
    assert far.messages[n_before] == "80 3c 40"
    assert "90 3e 40" not in far.messages
    assert reports.states(3) == [True, False, True]


def test_a_cable_pulled_inside_an_exclusive_brings_it_whole_when_it_is_back(
    begin: Begin, far: FarEnd
) -> None:
    supervisor, reports = begin(far.address, baud=31_250)
    exclusive = "f0 7d " + "01 " * 2000 + "f7"
    supervisor.play(bytes.fromhex(exclusive))
    time.sleep(0.05)
    far.pull()
    reports.wait_for(lambda report: isinstance(report, PortState) and not report.is_there)
    far.put_in()
    far.wait_for(exclusive)


def test_a_port_that_another_program_has_is_said_once_and_taken_when_it_is_free(
    far: FarEnd, tmp_path: Path
) -> None:
    code = (
        "import serial, sys\n"
        "line = serial.Serial(sys.argv[1], exclusive=True)\n"
        "print('mine', flush=True)\n"
        "sys.stdin.read()\n"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", code, str(far.path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    reports = Reports()
    link = LinkPlan(PortPlan(far.address), ledger=str(tmp_path / "held"))
    supervisor = Supervisor(Start(links=(link,)), reports, main)
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "mine\n"
        assert supervisor.start(PATIENCE_S)
        told = reports.wait_for(lambda report: isinstance(report, PortState))
        assert isinstance(told, PortState)
        assert not told.is_there
        assert "another program" in told.words
        time.sleep(0.6)
        other.communicate("")
        reports.wait_for(lambda report: isinstance(report, PortState) and report.is_there)
        supervisor.play(bytes.fromhex("c0 05"))
        far.wait_for("c0 05")
        assert reports.states(2) == [False, True]
    finally:
        supervisor.stop()
        other.kill()
        other.communicate()


def test_a_flood_is_carried_and_counted_to_the_last_byte(begin: Begin, tmp_path: Path) -> None:
    supervisor, reports = begin(f"file:{tmp_path / 'take.jsonl'}")
    supervisor.send(Watch(True))
    n_messages = 5_000
    for n in range(n_messages):
        supervisor.play(bytes((0xC0 | n & 1, n >> 1 & 0x7F)))
        supervisor.play(b"\x90")  # a status byte after every message, and nothing behind it
    counts = supervisor.ask(PATIENCE_S).counts
    supervisor.stop(finish=True)
    assert counts["messages_in"] == n_messages
    assert counts["bytes_dropped"] >= n_messages - 1
    assert counts["link 1 n_sent"] == n_messages
    shown = sum(
        len(report.entries) + report.n_not_shown
        for report in reports.all
        if isinstance(report, TraceBatch)
    )
    assert shown == n_messages + 1 or shown == n_messages


def test_what_is_no_order_is_told_and_changes_nothing(begin: Begin, far: FarEnd) -> None:
    supervisor, reports = begin(far.address)
    pipe = supervisor._pipe
    assert pipe is not None
    for garbage in (b"", b"\x00", b"\xc1" * 100, b"\x81\xa4type\xa4None"):
        pipe.send_bytes(garbage)
    supervisor.send(Start())
    supervisor.send(Set("level", 3))
    supervisor.play(bytes.fromhex("c0 05"))
    far.wait_for("c0 05")
    reports.wait_for(lambda report: isinstance(report, Trouble) and "sheet" in report.words)
    troubles = reports.troubles()
    assert any("a record of the pipe was expected" in words for words in troubles)
    assert any("start twice" in words for words in troubles)


def test_quiet_by_order_silences_and_playing_goes_on(begin: Begin, far: FarEnd) -> None:
    supervisor, _ = begin(far.address)
    supervisor.send(Bytes(bytes.fromhex("90 3c 40")))
    supervisor.send(Quiet())
    supervisor.send(Bytes(bytes.fromhex("90 3e 40")))
    far.wait_for("90 3e 40")
    assert far.messages == ["90 3c 40", "80 3c 40", "b0 78 00", "b0 7b 00", "90 3e 40"]


def test_an_input_without_a_bench_is_shown_and_goes_nowhere(
    begin: Begin, far: FarEnd, tmp_path: Path
) -> None:
    keys = FarEnd(tmp_path / "keys")
    try:
        supervisor, reports = begin(far.address, InputPlan("keys", PortPlan(keys.address)))
        supervisor.send(Watch(True, 10))
        supervisor.ask(PATIENCE_S)
        keys.send("90 3c 40")
        reports.wait_for(lambda r: isinstance(r, TraceBatch) and r.entries[0][1] == "in")
        supervisor.play(bytes.fromhex("c0 05"))
        far.wait_for("c0 05")
        assert far.messages == ["c0 05"]
    finally:
        keys.close()


def test_a_bench_that_is_not_there_is_said_and_not_tried_again(tmp_path: Path) -> None:
    reports = Reports()
    supervisor = Supervisor(Start(bench=str(tmp_path / "none")), reports, main)
    assert not supervisor.start(PATIENCE_S)
    supervisor.stop()
    assert len(reports.troubles()) == 1
    assert not any(isinstance(report, Restarted) for report in reports.all)


def test_two_engines_on_one_link_are_not_let_in(begin: Begin, far: FarEnd, tmp_path: Path) -> None:
    begin(far.address)
    reports = Reports()
    link = LinkPlan(PortPlan(far.address), ledger=str(tmp_path / "held"))
    second = Supervisor(Start(links=(link,)), reports, main)
    assert not second.start(PATIENCE_S)
    second.stop()
    assert reports.troubles() == ["another bridge is at work on this link"]


def fall(connection: object) -> None:
    """Stand for an engine that ends at once."""
    os._exit(3)


def test_an_engine_that_dies_again_and_again_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("knobwright.wiring.supervisor.MAX_RESTARTS", 1)
    reports = Reports()
    supervisor = Supervisor(Start(), reports, fall)
    assert not supervisor.start(PATIENCE_S)
    told = reports.wait_for(lambda report: isinstance(report, GaveUp))
    assert isinstance(told, GaveUp)
    assert told.n_times == 2
    assert "status 3" in told.words
    assert supervisor.wait(PATIENCE_S)
    with pytest.raises(PortError, match="does not answer"):
        supervisor.ask(0.01)
    supervisor.stop()
