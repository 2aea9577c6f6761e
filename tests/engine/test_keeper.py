"""The keeper: lost and back are noticed and said once each."""

from __future__ import annotations

import threading
import time

from knobwright.core.errors import PortError
from knobwright.engine.keeper import AGAIN_NS, LOOK_NS, Keeper


class FakePort:
    """A port without bytes."""

    name = "far end"

    def __init__(self) -> None:
        self.is_alive = True
        self.n_closed = 0

    def is_there(self) -> bool:
        return self.is_alive

    def close(self) -> None:
        self.n_closed += 1


class Scene:
    """A keeper with one port, whose far end comes and goes; its clock moves by hand."""

    def __init__(self) -> None:
        self.now_ns = 0
        self.is_plugged = True
        self.ports: list[FakePort] = []
        self.events: list[str] = []
        self.told: list[tuple[str, bool, str]] = []
        self.n_tries = 0
        self.keeper = Keeper(lambda: self.now_ns, lambda *told: self.told.append(told))

    def open(self) -> FakePort:
        self.n_tries += 1
        if not self.is_plugged:
            raise PortError("no such port", where="far end", hint="plug it in")
        self.ports.append(FakePort())
        return self.ports[-1]

    def back(self, port: FakePort) -> None:
        self.events.append("back")

    def lost(self, words: str) -> None:
        self.events.append(f"lost: {words}")

    def pass_s(self, seconds: float) -> None:
        end_ns = self.now_ns + int(seconds * 1e9)
        while True:
            next_ns = self.keeper.step()
            if next_ns > end_ns:
                break
            self.now_ns = max(next_ns, self.now_ns + 1)
        self.now_ns = end_ns


def test_a_port_that_goes_and_comes_is_lost_and_back_once() -> None:
    scene = Scene()
    assert scene.keeper.keep("far end", scene.open, scene)
    scene.pass_s(2)
    scene.is_plugged = scene.ports[0].is_alive = False
    scene.pass_s(3)
    assert scene.ports[0].n_closed == 1
    scene.is_plugged = True
    scene.pass_s(2)
    assert scene.events == ["back", "lost: the far end is gone", "back"]
    assert [is_there for _, is_there, _ in scene.told] == [True, False, True]


def test_a_lost_port_is_tried_four_times_a_second() -> None:
    scene = Scene()
    scene.is_plugged = False
    assert not scene.keeper.keep("far end", scene.open, scene)
    assert scene.told == [("far end", False, "far end: no such port (plug it in)")]
    scene.pass_s(2)
    assert scene.n_tries - 1 == 2 * 1_000_000_000 // AGAIN_NS
    assert len(scene.told) == 1


def test_a_loss_is_noticed_within_half_a_second() -> None:
    scene = Scene()
    scene.keeper.keep("far end", scene.open, scene)
    scene.pass_s(1.1)
    scene.ports[0].is_alive = scene.is_plugged = False
    scene.pass_s(LOOK_NS / 1e9)
    assert scene.events[-1].startswith("lost")


def test_a_port_that_failed_to_send_is_opened_anew() -> None:
    scene = Scene()
    scene.keeper.keep("far end", scene.open, scene)
    scene.keeper.mend("far end")
    scene.pass_s(1)
    assert scene.events == ["back", "lost: sending to it failed", "back"]
    assert [port.n_closed for port in scene.ports] == [1, 0]


def test_the_thread_mends_without_waiting_and_closes_everything() -> None:
    scene = Scene()
    came = threading.Event()
    keeper = Keeper(time.monotonic_ns, lambda *told: came.set() if len(scene.ports) > 1 else None)
    keeper.keep("far end", scene.open, scene)
    keeper.start()
    keeper.mend("far end")
    assert came.wait(20)
    keeper.close()
    keeper.close()
    assert [port.n_closed for port in scene.ports] == [1, 1]
