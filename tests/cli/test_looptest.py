"""``knobwright looptest`` from options to exit status, over ways in virtual time."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from knobwright.adapters.ports.throughs import Fault, Through, fault
from knobwright.cli.commands.looptest import command
from knobwright.core.errors import InputError, PortError, StoreError
from knobwright.core.interfaces import InPort, OutPort, Receive
from knobwright.engine.messages import PortPlan
from knobwright.wiring import looptest
from tests.engine.virtual_way import STREAM, VirtualWay

#: Runs the command over a way with faults; options follow; gives the exit status.
Run = Callable[..., int]
Capture = pytest.CaptureFixture[str]


class Ports:
    """Opens one virtual way as both ports, and notes what was closed.

    It does not model a port that can't be opened.
    """

    def __init__(self, way: VirtualWay) -> None:
        self.way = way
        self.limits = STREAM
        self.name = "end"
        self.n_closed = 0

    def open_out(self, plan: PortPlan) -> OutPort:
        return self.way

    def open_in(self, plan: PortPlan, receive: Receive) -> InPort:
        # The way brings everything to its own arrivals: pass it on to the test's.
        self.way.receive = receive
        return self

    def is_there(self) -> bool:
        return True

    def close(self) -> None:
        self.n_closed += 1


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch) -> Run:
    """Return a function that runs the command over a way with faults and gives its status."""

    def run_over(faults: list[Fault], *options: str) -> int:
        ports = Ports(VirtualWay(Through(faults, 1)))
        monkeypatch.setattr(looptest, "open_out", ports.open_out)
        monkeypatch.setattr(looptest, "open_in", ports.open_in)
        monkeypatch.setattr(looptest, "RealTiming", lambda clock: ports.way)
        words = ["--out", "memory:a", "--in", "memory:b", *options]
        status = command.main(words, standalone_mode=False)
        assert ports.n_closed == 1
        assert isinstance(status, int)
        return status

    return run_over


def test_a_sound_way_is_said_with_its_figures(run: Run, capsys: Capture) -> None:
    assert run([], "--quick") == 0
    said = capsys.readouterr()
    assert said.out.startswith("The way is sound: ")
    assert "longest exclusive" in said.out
    assert "half within 1.28 ms" in said.out
    assert said.err.startswith("Testing from virtual to end: about 9 s,")


def test_a_fault_is_said_with_its_evidence_and_next_step(run: Run, capsys: Capture) -> None:
    assert run([fault("exclusive-cut", n_bytes=32)], "--quick") == 1
    out = capsys.readouterr().out
    assert out.startswith("1 fault found; ")
    assert "Exclusive messages are cut.  [exclusive-cut]" in out
    assert "  came: F0 7D" in out
    assert "  next: make the firmware's buffer larger" in out
    assert "33 bytes" in out


def test_the_json_says_the_same(run: Run, capsys: Capture) -> None:
    assert run([fault("real-time-dropped")], "--quick", "--json") == 1
    found = json.loads(capsys.readouterr().out)
    assert [finding["name"] for finding in found["findings"]] == ["real-time-dropped"]
    assert found["findings"][0]["next"]
    assert found["real_time"] == "does not work"
    assert found["latency"]["median_us"] == 1_280


def test_a_note_alone_is_no_fault(
    run: Run, capsys: Capture, monkeypatch: pytest.MonkeyPatch
) -> None:
    from tests.engine import broken_ways

    monkeypatch.setattr(
        "tests.cli.test_looptest.Through", lambda faults, seed: broken_ways.rewriting_note_offs()
    )
    assert run([], "--quick") == 0
    assert "worth knowing: Note-offs come back in their other form" in capsys.readouterr().out


def test_the_picture_is_written(run: Run, tmp_path: Path) -> None:
    path = tmp_path / "times.svg"
    assert run([], "--quick", "--picture", str(path)) == 0
    assert path.read_text(encoding="utf-8").startswith("<svg ")
    with pytest.raises(StoreError, match="picture can't be written"):
        run([], "--quick", "--picture", str(tmp_path / "no" / "x.svg"))


def test_the_result_is_kept_in_the_bench(
    run: Run, monkeypatch: pytest.MonkeyPatch, capsys: Capture
) -> None:
    kept: list[tuple[str, int, dict[str, object]]] = []
    monkeypatch.setattr(
        "knobwright.adapters.files.bench.save_proven",
        lambda path, link, proven: kept.append((path, link, dict(proven))),
    )
    way = [fault("deaf-after-exclusive", rest_us=18_000)]
    assert run(way, "--quick", "--bench", "here", "--link", "2") == 1
    path, link, proven = kept[0]
    assert (path, link) == ("here", 1)
    assert proven["rest_ms"] == 20
    assert proven["running_status"] is True
    assert str(proven["at"]).endswith("UTC")
    assert "rest_ms = 20" in capsys.readouterr().err


def test_nothing_that_came_back_is_kept_in_no_bench(run: Run) -> None:
    with pytest.raises(PortError, match="nothing is written into the bench"):
        run([fault("nothing")], "--quick", "--bench", "here")


def test_a_bench_that_is_not_there_is_said(run: Run, tmp_path: Path) -> None:
    with pytest.raises(InputError):
        run([], "--quick", "--bench", str(tmp_path / "none"))
