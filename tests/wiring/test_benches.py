"""A bench in the engine's process: from the far end of one cable to the far end of another."""

from __future__ import annotations

import json
import os
import shutil
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from knobwright.core.state.values import Known
from knobwright.engine.messages import (
    Bytes,
    Off,
    PortState,
    Resend,
    Restarted,
    Set,
    Start,
    Trouble,
    Watch,
)
from knobwright.engine.told import Changed
from knobwright.wiring.control import Controlled, reach
from knobwright.wiring.engine import main
from knobwright.wiring.supervisor import Supervisor
from tests.policy.tree import ROOT
from tests.wiring.far_end import PATIENCE_S, FarEnd
from tests.wiring.test_engine import Reports

BENCH = """
format = 1
sheet = "larkfield-t4.sheet.toml"

[[link]]
out = "{module}"
baud = 31250

[[input]]
name = "keyboard"
port = "{keys}"

[[keys]]
input = "keyboard"
channels = [2]
transpose = 12
"""


class Table:
    """A bench folder, the module's cable, the keyboard's cable, and the engine between them."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "bench"
        self.folder.mkdir()
        self.module = FarEnd(folder / "module")
        self.keys = FarEnd(folder / "keys")
        shutil.copy(ROOT / "examples/larkfield-bench/larkfield-t4.sheet.toml", self.folder)
        text = BENCH.format(module=self.module.address, keys=self.keys.address)
        (self.folder / "bench.toml").write_text(text, encoding="utf-8")
        self.reports = Reports()
        self.supervisor = Supervisor(Start(bench=str(self.folder)), self.reports, main)
        assert self.supervisor.start(PATIENCE_S), self.reports.all

    def close(self) -> None:
        self.supervisor.stop()
        self.module.close()
        self.keys.close()


@pytest.fixture
def table(tmp_path: Path) -> Iterator[Table]:
    table = Table(tmp_path)
    yield table
    table.close()


def test_a_key_that_is_pressed_sounds_and_a_value_that_is_set_arrives(table: Table) -> None:
    """Bytes by hand from the leaflet: NRPN 05 12 is the brightness, 63 and 62 select, 06 sets."""
    table.keys.send("90 30 50")
    table.module.wait_for("91 3c 50")
    table.supervisor.send(Set("tone.brightness", 10, 1))
    table.module.wait_for("b0 06 0a")
    assert table.module.messages == ["91 3c 50", "b0 63 05", "b0 62 12", "b0 06 0a"]

    def tells(report: object) -> bool:
        return isinstance(report, Changed) and any(
            isinstance(value, Known) and (value.key, value.raw) == ("tone.brightness", 10)
            for value in report.values
        )

    table.reports.wait_for(tells)


def test_bytes_of_another_process_are_played_or_taken_as_an_input(table: Table) -> None:
    table.supervisor.send(Bytes(bytes.fromhex("90 30 50"), "keyboard"))
    table.supervisor.send(Bytes(bytes.fromhex("95 30 50"), "song"))
    table.module.wait_for("95 30 50")
    table.module.wait_for("91 3c 50")


def test_an_engine_that_is_killed_with_a_bench_lets_go_and_bridges_again(table: Table) -> None:
    table.keys.send("90 30 50")
    table.module.wait_for("91 3c 50")
    assert table.supervisor.pid is not None
    os.kill(table.supervisor.pid, signal.SIGKILL)
    table.module.wait_for("81 3c 40")
    table.reports.wait_for(lambda report: isinstance(report, Restarted))
    table.keys.send("90 32 50")
    table.module.wait_for("91 3e 50")


def test_a_keyboard_whose_cable_is_pulled_is_let_go(table: Table) -> None:
    table.supervisor.send(Watch(True))
    table.keys.send("90 30 50 b0 40 7f")
    table.module.wait_for("b1 40 7f")
    table.keys.pull()
    table.module.wait_for("b1 40 00")
    table.module.wait_for("81 3c 40")
    table.keys.put_in()
    n_states = 4  # both there, one gone, and back
    assert table.reports.states(n_states)[-2:] == [False, True]
    gone = [r for r in table.reports.all if isinstance(r, PortState) and not r.is_there]
    assert [(report.name, report.direction) for report in gone] == [("keyboard", "in")]
    table.keys.send("90 32 50")
    table.module.wait_for("91 3e 50")


def test_another_command_says_that_the_module_was_off_and_sends_everything_again(
    table: Table,
) -> None:
    table.supervisor.send(Set("tone.brightness", 10, 1))
    table.module.wait_for("b0 06 0a")
    n_before = len(table.module.messages)
    with Controlled(table.folder, table.supervisor):
        reach(table.folder, Off())
        reach(table.folder, Resend())
        table.module.wait_for("b0 06 0a", after=n_before)


def test_what_the_module_should_have_is_there_at_the_next_start(table: Table) -> None:
    table.supervisor.send(Set("tone.brightness", 10, 1))
    table.module.wait_for("b0 06 0a")
    table.supervisor.stop()
    kept = json.loads((table.folder / "known.json").read_text(encoding="utf-8"))
    assert "tone.brightness" in json.dumps(kept)
    n_before = len(table.module.messages)
    again = Supervisor(Start(bench=str(table.folder)), table.reports, main)
    try:
        assert again.start(PATIENCE_S)
        again.send(Resend())
        table.module.wait_for("b0 06 0a", after=n_before)
    finally:
        again.stop()


def test_orders_that_are_wrong_are_told_and_nothing_is_sent(table: Table) -> None:
    table.supervisor.send(Set("no.such.key", 1))
    table.supervisor.send(Set("tone.brightness", 200, 1))
    told = table.reports.wait_for(lambda r: isinstance(r, Trouble) and "200" in r.words)
    assert isinstance(told, Trouble)
    assert any("no.such.key" in words for words in table.reports.troubles())
    table.module.read(0.05)
    assert table.module.messages == []
