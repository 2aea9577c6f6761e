"""The ledger of held notes: what it promises to a new engine."""

from __future__ import annotations

import os
import signal
import stat
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.adapters.ledger import MappedLedger, ledger_path
from knobwright.core.errors import StoreError
from knobwright.core.interfaces import Ledger

NOTES = st.tuples(st.integers(0, 15), st.integers(0, 127))


def closed(path: Path, *entries: tuple[str, int, int]) -> None:
    """Enter these and close the file again."""
    ledger = MappedLedger(path)
    for what, channel, key in entries:
        (ledger.note_on if what == "on" else ledger.note_off)(channel, key)
    ledger.close()


def test_it_keeps_the_promises_of_the_interface(tmp_path: Path) -> None:
    ledger: Ledger = MappedLedger(tmp_path / "held")
    ledger.note_on(3, 60)
    ledger.pedal(3, 64, 127)
    ledger.pedal(0, 69, 63)
    assert list(ledger.owed()) == [(3, 60, 1)]
    assert list(ledger.pedals()) == [(3, 64)]
    ledger.clear()
    assert list(ledger.owed()) == []
    assert list(ledger.pedals()) == []


@given(st.lists(st.tuples(st.booleans(), NOTES), max_size=60))
def test_it_owes_what_a_plain_count_owes(
    tmp_path_factory: pytest.TempPathFactory, moves: list[tuple[bool, tuple[int, int]]]
) -> None:
    ledger = MappedLedger(tmp_path_factory.mktemp("held") / "held")
    plain: Counter[tuple[int, int]] = Counter()
    for is_on, (channel, key) in moves:
        if is_on:
            ledger.note_on(channel, key)
            plain[channel, key] += 1
        else:
            ledger.note_off(channel, key)
            plain[channel, key] = max(0, plain[channel, key] - 1)
    owed = {(channel, key): n for channel, key, n in ledger.owed()}
    ledger.close()
    assert owed == +plain


def test_a_count_that_is_full_never_falls_to_too_little(tmp_path: Path) -> None:
    ledger = MappedLedger(tmp_path / "held")
    for _ in range(300):
        ledger.note_on(0, 0)
    for _ in range(299):
        ledger.note_off(0, 0)
    owed = [key for _, key, _ in ledger.owed()]
    ledger.close()
    assert owed == [0]


def test_it_is_there_after_the_process_was_killed(tmp_path: Path) -> None:
    code = (
        "import os, signal, sys\n"
        "from knobwright.adapters.ledger import MappedLedger\n"
        "ledger = MappedLedger(sys.argv[1])\n"
        "ledger.note_on(9, 36)\n"
        "ledger.pedal(1, 66, 127)\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    path = tmp_path / "held"
    done = subprocess.run([sys.executable, "-c", code, str(path)], check=False, timeout=60)
    assert done.returncode == -signal.SIGKILL
    ledger = MappedLedger(path)
    assert list(ledger.owed()) == [(9, 36, 1)]
    assert list(ledger.pedals()) == [(1, 66)]
    assert not ledger.was_unreadable
    ledger.close()


@pytest.mark.parametrize(
    "damage",
    [
        pytest.param(lambda data: data[:-1], id="a byte short"),
        pytest.param(lambda data: data + b"\0", id="a byte long"),
        pytest.param(lambda data: b"X" + data[1:], id="another header"),
        pytest.param(lambda data: bytes(16) + data[16:], id="header never written"),
        pytest.param(lambda data: data[:-1] + b"\x80", id="a pedal value no pedal sends"),
        pytest.param(lambda data: b"hello", id="another file"),
    ],
)
def test_a_file_that_is_no_ledger_means_that_everything_may_sound(
    tmp_path: Path, damage: object
) -> None:
    path = tmp_path / "held"
    closed(path, ("on", 2, 64))
    assert callable(damage)
    path.write_bytes(damage(path.read_bytes()))
    ledger = MappedLedger(path)
    assert ledger.was_unreadable
    assert len(list(ledger.owed())) == 16 * 128
    assert len(list(ledger.pedals())) == 16 * 3
    ledger.clear()
    ledger.close()
    again = MappedLedger(path)
    assert not again.was_unreadable
    assert list(again.owed()) == []
    again.close()


def test_a_new_file_is_readable_by_its_owner_only(tmp_path: Path) -> None:
    path = tmp_path / "held"
    closed(path)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_second_engine_is_told_that_the_link_is_taken(tmp_path: Path) -> None:
    first = MappedLedger(tmp_path / "held")
    with pytest.raises(StoreError, match="another bridge is at work on this link"):
        MappedLedger(tmp_path / "held")
    first.close()
    MappedLedger(tmp_path / "held").close()


def test_a_folder_that_is_not_there_is_said_with_its_name(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="can't be kept here") as caught:
        MappedLedger(tmp_path / "missing" / "held")
    assert "missing" in str(caught.value)


def test_a_link_to_a_file_elsewhere_is_not_followed(tmp_path: Path) -> None:
    """Somebody else's file must not be written to through a name in a shared folder."""
    target = tmp_path / "precious"
    target.write_bytes(b"precious")
    os.symlink(target, tmp_path / "held")
    with pytest.raises(StoreError):
        MappedLedger(tmp_path / "held")
    assert target.read_bytes() == b"precious"


def test_each_link_has_a_ledger_of_its_own(tmp_path: Path) -> None:
    names = {
        ledger_path(tmp_path, link).name for link in ("serial:/dev/a", "serial:-dev-a", "ä", "")
    }
    assert len(names) == 4


def test_without_a_bench_the_ledger_is_in_a_folder_of_the_user(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    path = ledger_path(None, "serial:/dev/a")
    assert stat.S_IMODE(path.parent.stat().st_mode) == 0o700
    assert path == ledger_path(None, "serial:/dev/a")
