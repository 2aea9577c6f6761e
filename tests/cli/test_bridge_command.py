"""``knobwright bridge`` in a process of its own: from keys pressed to silence after Ctrl-C."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from knobwright.exports.trace import HEADER, read_entry
from tests.instruments.benches import Cables, left_sounding
from tests.instruments.command import Running, running

BRIDGED = "Larkfield is bridged"


@pytest.fixture
def cables(tmp_path: Path) -> Iterator[Cables]:
    made = Cables(tmp_path)
    yield made
    made.close()


@pytest.fixture
def bridge(cables: Cables) -> Iterator[Running]:
    with running("bridge", cables.folder, "--values") as command:
        command.wait_for(BRIDGED)
        yield command


def press(cables: Cables, *messages: str) -> None:
    """Press keys, and wait until each has reached the module."""
    for message in messages:
        cables.keys.send(message)
        cables.module.wait_for(message)


def test_ctrl_c_lets_go_of_what_is_held_and_ends_in_order(cables: Cables, bridge: Running) -> None:
    press(cables, "90 3c 40", "b0 40 7f", "95 41 40")
    bridge.interrupt()
    assert bridge.end(cables.module.read) == 0
    assert left_sounding(cables.module.messages) == []
    assert "b0 40 00" in cables.module.messages
    assert cables.module.messages[-1] in ("b0 7b 00", "b5 7b 00")
    assert "Silence; nothing sounds on." in bridge.err
    assert "2 held notes let go." in bridge.err
    assert any(line.startswith("link 1: 3 messages sent (9 bytes); ") for line in bridge.err)
    assert not any("Traceback" in line or "fault in Knobwright" in line for line in bridge.all)
    assert not (cables.folder / ".running").exists()


def test_being_told_to_end_by_the_system_is_like_ctrl_c(cables: Cables, bridge: Running) -> None:
    press(cables, "90 3c 40")
    os.kill(bridge.process.pid, signal.SIGTERM)
    assert bridge.end(cables.module.read) == 0
    assert left_sounding(cables.module.messages) == []
    assert not (cables.folder / ".running").exists()


def test_a_second_ctrl_c_does_not_cut_the_silence_short(cables: Cables, bridge: Running) -> None:
    for key in range(30, 90):
        cables.keys.send(f"90 {key:02x} 40")
    cables.module.wait_for("90 59 40")
    bridge.interrupt()
    cables.module.wait_for("80 1e 40")  # letting go has begun: 60 notes take a while
    bridge.interrupt()
    assert bridge.end(cables.module.read) == 0
    assert left_sounding(cables.module.messages) == []


def test_typed_lines_are_carried_out_and_answered(cables: Cables, bridge: Running) -> None:
    # By hand from the leaflet: NRPN 05 12 is the brightness, whose +10 is raw 74, 4A.
    bridge.type("brightness=+10 3")
    cables.module.wait_for("b2 06 4a")
    assert cables.module.messages == ["b2 63 05", "b2 62 12", "b2 06 4a"]
    bridge.wait_for("tone.brightness, channel 3: +10 (sent)")
    bridge.type("counts")
    bridge.wait_for("link 1: 3 messages sent (9 bytes)")
    bridge.type("off")
    bridge.wait_for("tone.brightness, channel 3: unknown (unknown)")
    bridge.type("resend")
    cables.module.wait_for("b2 06 4a", after=3)
    press(cables, "90 3c 40")
    bridge.type("quiet")
    cables.module.wait_for("80 3c 40")
    bridge.type("nonsense")
    bridge.wait_for("'nonsense' is none of: quiet, off")
    bridge.type("brightness=200")
    bridge.wait_for("tone.brightness: 200 is outside the range 0 to 127")
    bridge.type("brightness=1 17")
    bridge.wait_for("a channel is 1 to 16, not 17")
    bridge.type("stop")
    assert bridge.end(cables.module.read) == 0


def test_a_control_is_heard_while_the_bridge_runs(cables: Cables, bridge: Running) -> None:
    bridge.type("hear desk")
    bridge.wait_for("desk: nothing to go by yet")
    for value in [*range(0, 128, 4), 127, *range(124, -1, -4)]:
        cables.desk.send(f"b3 15 {value:02x}")
    bridge.wait_for('sends = "B3 15 vv"')
    bridge.type("hear nobody")
    bridge.wait_for("there is no input 'nobody'")


def test_what_comes_and_goes_is_recorded(cables: Cables, tmp_path: Path) -> None:
    take = tmp_path / "take.jsonl"
    with running("bridge", cables.folder, "--record", take, "--trace") as bridge:
        bridge.wait_for(BRIDGED)
        press(cables, "90 3c 40")
        bridge.wait_for("note on")
        bridge.interrupt()
        assert bridge.end(cables.module.read) == 0
    header, *lines = take.read_text(encoding="utf-8").splitlines()
    entries = [read_entry(line) for line in lines]
    assert header == HEADER
    assert [(e.way, e.data.hex(" ")) for e in entries[:2]] == [
        ("in", "90 3c 40"),
        ("out", "90 3c 40"),
    ]
    assert "80 3c 40" in [entry.data.hex(" ") for entry in entries]  # silence is recorded, too


def test_a_killed_command_leaves_an_engine_that_lets_go(cables: Cables, bridge: Running) -> None:
    press(cables, "90 3c 40", "b0 40 7f")
    bridge.kill()
    cables.module.wait_for("80 3c 40")
    assert "b0 40 00" in cables.module.messages
    assert left_sounding(cables.module.messages) == []
    # What it left behind keeps nobody from going on.
    assert (cables.folder / ".running").exists()
    with running("bridge", cables.folder, "--for", "100ms") as again:
        again.wait_for(BRIDGED)
        assert again.end(cables.module.read) == 0


def test_a_bench_can_be_bridged_only_once(cables: Cables, bridge: Running) -> None:
    with running("bridge", cables.folder / "bench.toml") as second:
        assert second.end() == 3
        assert "a bridge is running with this bench already" in second.err[0]
    press(cables, "90 3c 40")
    assert bridge.process.poll() is None


def test_a_bench_with_faults_is_not_bridged(cables: Cables) -> None:
    (cables.folder / "desk.surface.toml").write_text("format = 2", encoding="utf-8")
    with running("bridge", cables.folder) as command:
        assert command.end() == 2
        assert "bench.toml: line " in command.err[0]
        assert "desk.surface.toml" in command.err[0]


def test_a_port_that_is_not_there_is_said_and_waited_for(cables: Cables) -> None:
    cables.desk.pull()
    with running("bridge", cables.folder) as command:
        command.wait_for(BRIDGED)
        said = command.wait_for("desk is not there: ")
        assert command.err.index(said) < command.err.index(command.wait_for(BRIDGED))
        cables.desk.put_in()
        command.wait_for("desk is there")
        cables.desk.send("b0 10 4a")
        cables.module.wait_for("b0 06 4a")
