"""Processes that are killed or stand still: what sounds is let go, and it is told."""

from __future__ import annotations

import os
import signal
import time

from tests.faults.conftest import press
from tests.instruments.benches import Cables, left_sounding
from tests.instruments.command import Running, engine_of

#: What the first note-off may take after the engine was killed.
FIRST_OFF_S = 1.0
#: Two busy processors: a test must not fail for the machine's sake.
GENEROUS = 8


def test_an_engine_killed_with_notes_held(cables: Cables, bridge: Running) -> None:
    press(cables, *(f"9{channel:x} 3c 40" for channel in range(8)), "b0 40 7f")
    bridge.type("brightness=+10 1")
    cables.module.wait_for("b0 06 4a")
    n_before = len(cables.module.messages)
    os.kill(engine_of(bridge), signal.SIGKILL)
    killed_s = time.monotonic()
    first_off_s = cables.module.wait_for("80 3c 40") - killed_s
    cables.module.wait_for("87 3c 40")
    assert left_sounding(cables.module.messages) == []
    assert cables.module.messages[n_before] == "b0 40 00"  # the pedal would hold them
    print(f"first note-off {first_off_s:.3f} s after the kill")
    assert first_off_s < FIRST_OFF_S * GENEROUS
    assert bridge.wait_for("the engine stopped") == (
        "the engine stopped (it was ended by signal 9) and was started again: 8 held notes let go"
    )
    press(cables, "90 3e 40")
    cables.desk.send("b0 10 20")
    cables.module.wait_for("b0 06 20")


def test_the_process_of_the_user_killed(cables: Cables, bridge: Running) -> None:
    """A page or a command is gone: its engine lets go of what sounds, and ends."""
    engine = engine_of(bridge)
    press(cables, "90 3c 40", "95 40 40", "b5 40 7f")
    bridge.kill()
    cables.module.wait_for("80 3c 40")
    cables.module.wait_for("85 40 40")
    assert left_sounding(cables.module.messages) == []
    assert "b5 40 00" in cables.module.messages
    deadline = time.monotonic() + 20
    while _is_running(engine):
        assert time.monotonic() < deadline, "the engine outlives who started it"
        time.sleep(0.02)


def test_an_engine_that_stood_still_plays_no_old_notes(cables: Cables, bridge: Running) -> None:
    """As a machine does that slept: what waited then is old, and only its ends are sent."""
    engine = engine_of(bridge)
    # 300 notes and their ends: 1 800 bytes of 320 us are 0.58 s of a DIN line.
    keys = [(channel, key) for key in range(40, 60) for channel in range(15)]
    data = "".join(f"9{c:x} {k:02x} 40 8{c:x} {k:02x} 40 " for c, k in keys)
    cables.keys.send(data)
    cables.module.wait_for("9e 28 40")  # the 15th: all has been read by then, and most waits
    os.kill(engine, signal.SIGSTOP)
    time.sleep(1.6)  # longer than what counts as standing still: 1 s
    cables.module.read()
    n_before = len(cables.module.messages)
    os.kill(engine, signal.SIGCONT)
    said = bridge.wait_for("stood still")
    assert "late notes were left out" in said
    bridge.type("volume=33 16")
    cables.module.wait_for("bf 07 21")
    assert left_sounding(cables.module.messages) == []
    n_late = sum(message[0] == "9" for message in cables.module.messages[n_before:])
    assert n_late < len(keys) // 2, "old notes came in a burst"
    bridge.type("stop")
    assert bridge.end(cables.module.read) == 0
    assert any("1 time the machine stood still" in line for line in bridge.err)


def _is_running(pid: int) -> bool:
    try:
        with open(f"/proc/{pid}/stat", encoding="utf-8") as file:
            return file.read().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False
