"""A disk that is full and a clock that jumps: the music goes on."""

from __future__ import annotations

import ast
import re
import shutil
import time
from pathlib import Path

import pytest

from knobwright.exports.trace import HEADER, read_entry
from tests.faults.conftest import press
from tests.instruments.benches import Cables, left_sounding
from tests.instruments.command import running
from tests.policy.tree import PACKAGE, shown

#: Largest file that the command may write, in bytes: its disk is full behind that.
ROOM = 8_192


def limited() -> tuple[str, ...]:
    """Return words that start a program for which no file grows beyond ``ROOM``."""
    prlimit = shutil.which("prlimit")
    if prlimit is None:
        pytest.skip("prlimit is not installed (Debian: apt install util-linux)")
    return (prlimit, f"--fsize={ROOM}")


def test_a_disk_that_is_full_ends_the_recording_and_not_the_music(
    cables: Cables, tmp_path: Path
) -> None:
    take = tmp_path / "take.jsonl"
    with running("bridge", cables.folder, "--record", take, before=limited()) as bridge:
        bridge.wait_for("Larkfield is bridged")
        press(cables, "90 3c 40")
        for value in range(2_000):
            cables.desk.send(f"b1 07 {value % 128:02x}")
            cables.module.read(0.005)
            if any("recording has ended" in line for line in bridge.err):
                break
        said = bridge.wait_for("recording has ended")
        assert "the bridge goes on" in said
        press(cables, "90 3e 40", "80 3c 40")
        bridge.interrupt()
        assert bridge.end(cables.module.read) == 3  # what was asked for could not all be done
    assert left_sounding(cables.module.messages) == []
    header, *lines = take.read_text(encoding="utf-8").splitlines()
    assert header == HEADER
    assert [read_entry(line).data for line in lines[:2]] == [b"\x90\x3c\x40"] * 2
    assert take.stat().st_size <= ROOM


def test_a_full_disk_is_said_by_record_and_what_was_kept_can_be_played(
    cables: Cables, tmp_path: Path
) -> None:
    take = tmp_path / "take.jsonl"
    with running("record", cables.keys.address, "-o", take, before=limited()) as record:
        record.wait_for("Recording ")
        for n in range(2_000):
            cables.keys.send(f"b1 07 {n % 128:02x}")
            time.sleep(0.005)
            if record.process.poll() is not None:
                break
        assert record.end() == 3
        assert "recording has ended" in record.err[-2]
    with running("listen", f"file:{take}", "--for", "100ms") as listen:
        assert listen.end() == 0
        assert "(channel volume), value 5" in " ".join(listen.out)


def test_a_full_disk_from_the_start_is_said(cables: Cables) -> None:
    """/dev/full is a disk with no room at all."""
    with running("bridge", cables.folder, "--record", "/dev/full") as bridge:
        assert bridge.end() == 3
        assert "No space left on device" in " ".join(bridge.err)


#: Reading the time of day: it jumps when a clock is set, so nothing that has a deadline may ask it.
_TIME_OF_DAY = {"time.time", "time.time_ns", "time.localtime", "time.gmtime", "time.strftime",
                "datetime.now", "datetime.utcnow", "datetime.today", "date.today"}  # fmt: skip
#: Where it is asked all the same, and why.
_MAY_ASK = {
    "src/knobwright/wiring/looptest.py": "the date of a link test is written into the bench",
    "src/knobwright/adapters/ports/osc.py": "a bundle's own time is the time of day (OSC 1.0); "
    "one that is too far ahead is taken at once",
}


def _asks(path: Path) -> list[str]:
    """Return the calls of a file that read the time of day, as ``line: name``."""
    found: list[str] = []
    source = path.read_text(encoding="utf-8")
    if not re.search(r"\b(time|datetime|date)\b", source):
        return found
    tree = ast.parse(source)
    froms = {
        name.asname or name.name: f"{node.module}.{name.name}"
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.module in ("time", "datetime")
        for name in node.names
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute | ast.Name):
            name = ast.unparse(node)
            head, _, rest = name.partition(".")
            full = froms.get(head, head) + ("." + rest if rest else "")
            if any(full == asked or full.endswith("." + asked) for asked in _TIME_OF_DAY):
                found.append(f"{node.lineno}: {full}")
    return found


def test_the_search_finds_every_way_to_ask(tmp_path: Path) -> None:
    path = tmp_path / "asks.py"
    for source in (
        "import time\ntime.time()",
        "from time import time_ns as now\nnow()",
        "import datetime\ndatetime.datetime.now()",
        "from datetime import datetime\nf = datetime.utcnow",
    ):
        path.write_text(source, encoding="utf-8")
        assert _asks(path), source
    path.write_text("import time\ntime.monotonic_ns()\ntime.sleep(1)", encoding="utf-8")
    assert _asks(path) == []


def test_a_system_clock_that_jumps_can_t_matter() -> None:
    """Nothing between a key and the port reads the time of day; only the monotonic clock is."""
    asking = {}
    for layer in ("core", "exports", "engine", "adapters", "wiring", "cli"):
        for path in sorted((PACKAGE / layer).rglob("*.py")):
            if asked := _asks(path):
                asking[shown(path)] = asked
    assert {path: asked for path, asked in asking.items() if path not in _MAY_ASK} == {}
    assert asking.keys() == _MAY_ASK.keys(), "take out what does not ask any more"
