"""Cables that are pulled, and ports that others have: no note hangs once the way is there again."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Iterator

import pytest

from tests.faults.conftest import press
from tests.instruments.benches import Cables, left_sounding
from tests.instruments.command import Running, running
from tests.instruments.jackd import JackServer, jack_server, relay

BRIDGED = "Larkfield is bridged"


def values(messages: list[str]) -> list[int]:
    """Return the brightness values of channel 1 that messages set (NRPN 05 12, the leaflet)."""
    return [int(message[6:], 16) for message in messages if message.startswith("b0 06 ")]


def test_a_cable_pulled_in_a_sweep_and_put_back(cables: Cables, bridge: Running) -> None:
    press(cables, "90 3c 40", "90 40 40", "b0 40 7f")
    for value in range(40):
        cables.desk.send(f"b0 10 {value:02x}")
    cables.module.read(0.01)
    cables.module.pull()
    bridge.wait_for(f"{cables.module.address} is not there")
    # The hands go on: the sweep, one key let go, another pressed and let go, a third held.
    for value in range(40, 100):
        cables.desk.send(f"b0 10 {value:02x}")
    cables.keys.send("80 3c 40 90 43 40 80 43 40 90 47 40 b0 40 00")
    bridge.type("counts")
    said = bridge.wait_for("the port is not there")
    assert "2 notes are held" in said
    n_before = len(cables.module.messages)
    cables.module.put_in()
    cables.module.wait_for("b0 06 63", after=n_before)
    after = cables.module.messages[n_before:]
    # What sounded is let go before anything else; the newest value arrives, and no old note.
    assert sorted(after[:3]) == ["80 3c 40", "80 40 40", "b0 40 00"]
    assert values(after)[-1] == 99
    assert not any(message.startswith("90") for message in after)
    assert left_sounding(cables.module.messages) == []
    assert bridge.err.count(f"{cables.module.address} is there") == 2
    bridge.type("stop")
    assert bridge.end(cables.module.read) == 0
    summary = next(line for line in bridge.err if line.startswith("link 1: "))
    assert "2 notes left out: too many waited, or the port was gone" in summary
    assert "values replaced by newer ones" in summary


def test_a_keyboard_pulled_with_keys_down(cables: Cables, bridge: Running) -> None:
    press(cables, "90 3c 40", "b0 40 7f")
    cables.keys.pull()
    bridge.wait_for("keyboard is not there")
    cables.module.wait_for("80 3c 40")
    cables.module.wait_for("b0 40 00")
    assert left_sounding(cables.module.messages) == []
    cables.keys.put_in()
    deadline = time.monotonic() + 20
    while sum(line.startswith("keyboard is there") for line in bridge.err) < 2:
        assert time.monotonic() < deadline, bridge.err
        time.sleep(0.02)
    press(cables, "90 3e 40")


def test_a_port_that_another_program_has(cables: Cables) -> None:
    hold = (
        "import serial, sys\n"
        "line = serial.Serial(sys.argv[1], exclusive=True)\n"
        "print('mine', flush=True)\n"
        "sys.stdin.read()\n"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", hold, str(cables.module.path)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == "mine\n"
        with running("bridge", cables.folder) as bridge:
            said = bridge.wait_for(f"{cables.module.address} is not there")
            assert "another program" in said
            bridge.wait_for(BRIDGED)
            cables.keys.send("90 3c 40")
            cables.desk.send("b0 10 4a")
            time.sleep(0.6)  # two tries more: said once all the same
            assert sum("is not there" in line for line in bridge.err) == 1
            other.communicate("")
            bridge.wait_for(f"{cables.module.address} is there")
            cables.module.wait_for("b0 06 4a")
            assert "90 3c 40" not in cables.module.messages  # it would come far too late
            press(cables, "90 3e 40")
    finally:
        other.kill()
        other.communicate()


@pytest.fixture(scope="module")
def server() -> Iterator[JackServer]:
    with jack_server() as made:
        yield made


def test_a_program_on_jack_that_ends_and_comes_again(server: JackServer, cables: Cables) -> None:
    """The far end gives back what it gets: what the bridge sent is heard by a second command."""
    cables.write(module="rtmidi:far:in")
    with relay(server) as far, running("bridge", cables.folder) as bridge:
        bridge.wait_for("rtmidi:far:in is there")
        bridge.wait_for(BRIDGED)
        with running("listen", "rtmidi:far:out", "--json") as ear:
            ear.wait_for("knobwright-trace")
            cables.keys.send("90 3c 40")
            ear.wait_for("90 3C 40")
            far.stop()
            bridge.wait_for("rtmidi:far:in is not there")
            ear.wait_for("is lost")
            far.start()
            ear.wait_for("is there")
            _wait_until_there_again(bridge)
            # What was sent before the ear was there again is not heard; from here on everything is.
            cables.desk.send("b0 10 4a")
            ear.wait_for("B0 06 4A")
            cables.keys.send("80 3c 40 90 3e 40")
            ear.wait_for("90 3E 40")
            bridge.interrupt()
            assert bridge.end() == 0
            ear.wait_for("80 3E 40")


def test_a_program_on_jack_that_is_gone_for_a_moment_only(
    server: JackServer, cables: Cables
) -> None:
    """Its port has the same name when it is looked at again, and nobody is joined to it."""
    cables.write(module="rtmidi:far:in")
    with relay(server) as far, running("bridge", cables.folder) as bridge:
        bridge.wait_for(BRIDGED)
        cables.keys.send("90 3c 40")
        far.stop()
        far.start()
        bridge.wait_for("rtmidi:far:in is not there")
        _wait_until_there_again(bridge)
        with running("listen", "rtmidi:far:out", "--json") as ear:
            ear.wait_for("knobwright-trace")
            cables.keys.send("80 3c 40 90 3e 40")
            ear.wait_for("90 3E 40")


def _wait_until_there_again(bridge: Running) -> None:
    deadline = time.monotonic() + 20
    while sum(line == "rtmidi:far:in is there" for line in bridge.err) < 2:
        assert time.monotonic() < deadline, bridge.err
        time.sleep(0.02)
