"""Other commands reach a running bridge, and only those of the same user."""

from __future__ import annotations

import stat
import threading
from collections.abc import Iterator
from multiprocessing.connection import Client
from pathlib import Path

import pytest

from knobwright.core.errors import InputError, KnobwrightError, PortError
from knobwright.engine.messages import Ask, Bytes, Off, Order, Quiet, Resend, Set, Stats, Stop
from knobwright.wiring.control import RUNNING, Controlled, is_running, reach


class Engine:
    """Takes orders down; it carries none out."""

    def __init__(self) -> None:
        self.orders: list[Order] = []
        self.is_there = True

    def send(self, order: Order) -> bool:
        self.orders.append(order)
        return self.is_there

    def ask(self, timeout_s: float = 2.0) -> Stats:
        return Stats(0, {"sent": 17})


@pytest.fixture
def engine() -> Engine:
    return Engine()


@pytest.fixture
def control(tmp_path: Path, engine: Engine) -> Iterator[Controlled]:
    control = Controlled(tmp_path, engine)
    yield control
    control.close()


@pytest.mark.usefixtures("control")
def test_orders_of_another_command_reach_the_engine(tmp_path: Path, engine: Engine) -> None:
    orders: list[Order] = [Quiet(True), Off(), Resend(), Set("level", 5, 3), Stop()]
    for order in orders:
        assert reach(tmp_path, order) == {}
    assert engine.orders == orders
    assert reach(tmp_path, Ask(4)) == {"sent": 17}


@pytest.mark.usefixtures("control")
def test_an_order_that_another_command_may_not_give_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="does not take this order"):
        reach(tmp_path, Bytes(b"\x90\x3c\x40"))


def test_an_engine_that_is_not_there_is_said(tmp_path: Path, engine: Engine) -> None:
    control = Controlled(tmp_path, engine)
    engine.is_there = False
    with pytest.raises(KnobwrightError, match="started anew"):
        reach(tmp_path, Quiet())
    control.close()


@pytest.mark.usefixtures("control")
def test_the_file_with_the_key_is_for_its_owner_only(tmp_path: Path) -> None:
    assert stat.S_IMODE((tmp_path / RUNNING).stat().st_mode) == 0o600


@pytest.mark.usefixtures("control")
def test_a_second_bridge_with_the_same_bench_is_refused(tmp_path: Path, engine: Engine) -> None:
    with pytest.raises(PortError, match="running with this bench already"):
        Controlled(tmp_path, engine)
    assert is_running(tmp_path)


@pytest.mark.parametrize(
    "content",
    [
        pytest.param(None, id="no file"),
        pytest.param(b"", id="empty"),
        pytest.param(b"{\xff", id="garbage"),
        pytest.param(b'{"pid": 1, "address": "/nowhere/bridge", "key": "00"}', id="nobody there"),
        pytest.param(b'{"pid": 1, "address": "", "key": "zz"}', id="no address"),
    ],
)
def test_a_file_that_was_left_behind_means_that_none_runs(
    tmp_path: Path, engine: Engine, content: bytes | None
) -> None:
    if content is not None:
        (tmp_path / RUNNING).write_bytes(content)
    assert not is_running(tmp_path)
    with pytest.raises(PortError, match="no bridge is running"):
        reach(tmp_path, Quiet())
    control = Controlled(tmp_path, engine)
    reach(tmp_path, Quiet())
    control.close()
    assert engine.orders == [Quiet()]
    assert not (tmp_path / RUNNING).exists()


@pytest.mark.usefixtures("control")
def test_who_does_not_know_the_key_gives_no_orders(tmp_path: Path, engine: Engine) -> None:
    file = tmp_path / RUNNING
    right = file.read_text(encoding="utf-8")
    key = right.rpartition('"key":"')[2][:64]
    file.write_text(right.replace(key, "00" * 32), encoding="utf-8")
    with pytest.raises(PortError, match="no bridge is running"):
        reach(tmp_path, Quiet())
    file.write_text(right, encoding="utf-8")
    reach(tmp_path, Off())
    assert engine.orders == [Off()]


def test_who_connects_and_says_nothing_keeps_nobody_else_out(
    tmp_path: Path, engine: Engine, control: Controlled, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("knobwright.wiring.control._PATIENCE_S", 0.2)
    silent = Client(control._listener.address)
    garbage = Client(control._listener.address)
    garbage.send_bytes(b"\xff" * 5000)
    reach(tmp_path, Off())
    assert engine.orders == [Off()]
    control.close()
    silent.close()
    garbage.close()
    left = [t for t in threading.enumerate() if t.name.startswith("control")]
    for thread in left:  # closing waits for them no longer than it would wait for an answer
        thread.join(10.0)
    assert not [thread for thread in left if thread.is_alive()]
