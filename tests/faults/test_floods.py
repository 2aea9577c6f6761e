"""Floods and broken streams: notes go first, nothing is lost in silence, and it is counted."""

from __future__ import annotations

import time

from tests.faults.conftest import press
from tests.instruments.benches import Cables, left_sounding
from tests.instruments.command import Running

RATE = 5_000
SECONDS = 2.0
#: A note waits for the message in flight: 3 bytes of 320 us, here with 15 ms for a busy machine
#: and its scheduler in the middle of the run, and far more for the worst one.
WORST_MS = 250.0


def test_a_controller_that_floods(cables: Cables, bridge: Running) -> None:
    """5 000 messages a second are five times what a DIN line carries."""
    n_sent = 0
    began_s = time.monotonic()
    keys = [f"90 {key:02x} 40" for key in range(48, 68)]
    ends = [f"80 {key:02x} 40" for key in range(48, 68)]
    steps = [*(pair for both in zip(keys, ends, strict=True) for pair in both)]
    while (now_s := time.monotonic() - began_s) < SECONDS:
        n_due = int(now_s * RATE) - n_sent
        batch = range(n_sent, n_sent + min(n_due, 200))
        data = " ".join(f"b{n % 3 + 1:x} {70 + n % 5:02x} {n // 15 % 128:02x}" for n in batch)
        if data:
            cables.desk.send(data)
            n_sent += len(batch)
        if steps and now_s * len(keys) * 2 / SECONDS > len(keys) * 2 - len(steps):
            cables.keys.send(steps.pop(0))
        cables.module.read()
        time.sleep(0.002)
    for message in steps:
        cables.keys.send(message)
    cables.desk.send("b4 07 11")
    cables.module.wait_for("b4 07 11")
    cables.module.wait_for(ends[-1])
    assert n_sent > RATE * SECONDS * 0.6, "this machine can't make a flood"
    notes = [message for message in cables.module.messages if message[0] in "89"]
    assert notes == [pair for both in zip(keys, ends, strict=True) for pair in both]
    assert left_sounding(cables.module.messages) == []
    # The newest value of every controller arrives, whatever was replaced before it.
    for channel in range(3):
        for number in range(70, 75):
            last = max(n for n in range(n_sent) if (n % 3, 70 + n % 5) == (channel, number))
            head = f"b{channel + 1:x} {number:02x} "
            came = [message for message in cables.module.messages if message.startswith(head)]
            assert came[-1] == f"{head}{last // 15 % 128:02x}"
    bridge.type("stop")
    assert bridge.end(cables.module.read) == 0
    summary = next(line for line in bridge.err if line.startswith("link 1: "))
    assert "values replaced by newer ones" in summary
    worst_ms = float(summary.partition("a note waited ")[2].partition(" ms")[0])
    assert worst_ms < WORST_MS, summary


def test_a_status_byte_every_second_byte(cables: Cables, bridge: Running) -> None:
    """A line with a fault: no half of a message is ever completed by another's bytes."""
    press(cables, "92 3c 40")
    broken = "".join(f"9{n % 16:x} {n % 128:02x} " for n in range(500))
    cables.keys.send(broken + "82 3c 40")
    cables.module.wait_for("82 3c 40")
    assert cables.module.messages == ["92 3c 40", "82 3c 40"]
    said = bridge.wait_for("from keyboard: ")
    assert "left out" in said
    # Every status byte is dropped with the one data byte behind it: counted to the byte.
    deadline = time.monotonic() + 20
    while _n_told(bridge) < 1_000 and time.monotonic() < deadline:
        time.sleep(0.05)
    assert _n_told(bridge) == 1_000, bridge.err
    bridge.type("stop")
    assert bridge.end(cables.module.read) == 0
    assert any(line.startswith("inputs: 1000 ") for line in bridge.err), bridge.err


def _n_told(bridge: Running) -> int:
    return sum(int(line.split()[2]) for line in bridge.err if line.startswith("from keyboard: "))
