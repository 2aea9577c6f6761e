"""What the engine tells is bounded and never waits; what it is told can't end it by accident."""

from __future__ import annotations

import threading
import time

import pytest

from knobwright.core.errors import EncodeError, PortError, SheetError
from knobwright.engine import outbox as module
from knobwright.engine.messages import (
    Answer,
    Ask,
    Bytes,
    Hear,
    LinkPlan,
    Off,
    Order,
    PortPlan,
    Quiet,
    Ready,
    Report,
    Resend,
    Reset,
    Set,
    Start,
    Stats,
    Stop,
    Stopped,
    TraceBatch,
    Trouble,
    Watch,
    read_order,
    read_report,
    write,
)
from knobwright.engine.outbox import Outbox
from knobwright.engine.serve import serve

PATIENCE_S = 20.0


class Pipe:
    """A pipe in one process: orders are there from the start, reports are kept; nothing is cut."""

    def __init__(self, *orders: Order | bytes) -> None:
        self._orders = [order if isinstance(order, bytes) else write(order) for order in orders]
        self.reports: list[Report] = []
        self.is_shut = False
        self.may_send = threading.Event()
        self.may_send.set()

    def recv_bytes(self, maxlength: int | None = None) -> bytes:
        if not self._orders:
            raise EOFError
        return self._orders.pop(0)

    def send_bytes(self, data: bytes) -> None:
        assert self.may_send.wait(PATIENCE_S)
        if self.is_shut:
            raise BrokenPipeError
        self.reports.append(read_report(data))


class Doing:
    """Takes down what it is asked to do."""

    links = (LinkPlan(PortPlan("memory:a")),)
    n_let_go = 3

    def __init__(self) -> None:
        self.done: list[object] = []

    def receive(self, order: Bytes, at_ns: int) -> None:
        if order.source == "nobody":
            raise PortError("there is no link to send to")
        self.done.append((order.source, order.data))

    def set(self, order: Set) -> None:
        if order.key == "wrong":
            raise EncodeError("level is 0 to 127, and this is 200", where="level")
        self.done.append(order)

    def quiet(self, all_channels: bool) -> None:
        self.done.append(("quiet", all_channels))

    def off(self) -> None:
        self.done.append("off")

    def resend(self, setup: bool) -> None:
        self.done.append(("resend", setup))

    def hear(self, source: str, on: bool) -> None:
        self.done.append(("hear", source, on))

    def answer(self, source: str, name: str, value: str) -> None:
        self.done.append(("answer", source, name, value))

    def reset(self) -> None:
        self.done.append("reset")

    def counts(self) -> dict[str, int]:
        return {"sent": 5}

    def beat(self, now_ns: int) -> None:
        pass

    def stop(self, finish: bool = False) -> int:
        self.done.append(("stop", finish))
        return 2


def run(*orders: Order | bytes) -> tuple[Doing, Pipe, bool]:
    """Serve these orders until the pipe ends."""
    pipe, doing = Pipe(*orders), Doing()
    told = serve(pipe, lambda start, outbox: doing, time.monotonic_ns)
    return doing, pipe, told


ORDERS: list[tuple[Order, object]] = [
    (Bytes(b"\x90\x3c", "keys"), ("keys", b"\x90\x3c")),
    (Set("level", 5, 2, 60), Set("level", 5, 2, 60)),
    (Set("name", "abc"), Set("name", "abc")),
    (Quiet(True), ("quiet", True)),
    (Off(), "off"),
    (Resend(True), ("resend", True)),
    (Reset(), "reset"),
    (Answer("pads", "turned", "yes"), ("answer", "pads", "turned", "yes")),
    (Hear("pads", False), ("hear", "pads", False)),
]


@pytest.mark.parametrize(("order", "done"), ORDERS)
def test_each_order_is_carried_out(order: Order, done: object) -> None:
    doing, pipe, told = run(Start(), order, Stop(True))
    assert told
    assert doing.done == [done, ("stop", True)]
    assert pipe.reports == [Ready(Doing.links, 3), Stopped(2)]


@pytest.mark.parametrize("order", [order for order, _ in ORDERS] + [Ask(3), Watch(True), Stop()])
def test_each_order_comes_through_the_pipe_as_it_was(order: Order) -> None:
    assert read_order(write(order)) == order


def test_the_end_of_the_pipe_lets_go_as_well() -> None:
    doing, _, told = run(Start())
    assert not told
    assert doing.done == [("stop", False)]


def test_garbage_and_errors_are_told_and_the_next_order_is_carried_out() -> None:
    doing, pipe, _ = run(
        Start(),
        b"",
        b"\xc1",
        write(Ready(())),
        Set("wrong", 200),
        Bytes(b"", "nobody"),
        Off(),
        Stop(),
    )
    assert doing.done == ["off", ("stop", False)]
    words = [report.words for report in pipe.reports if isinstance(report, Trouble)]
    assert len([text for text in words if text.startswith("a record of the pipe")]) >= 2
    assert "level is 0 to 127, and this is 200" in words
    assert "there is no link to send to" in words


def test_orders_before_the_start_are_not_carried_out() -> None:
    doing, _, _ = run(Off(), Bytes(b"\xf8"), Start(), Stop())
    assert doing.done == [("stop", False)]


def test_an_engine_that_can_not_start_says_why_and_ends() -> None:
    pipe = Pipe(Start(), Stop())

    def build(start: Start, outbox: Outbox) -> Doing:
        raise SheetError("line 3: no such key", where="bench.toml", hint="mend it")

    assert not serve(pipe, build, time.monotonic_ns)
    assert pipe.reports == [Trouble("line 3: no such key", "bench.toml", "mend it"), Stopped()]


def test_asking_answers_with_the_same_number_and_what_was_left_out() -> None:
    _, pipe, _ = run(Start(), Ask(8), Stop())
    answer = next(report for report in pipe.reports if isinstance(report, Stats))
    assert answer == Stats(8, {"sent": 5, "trace_not_shown": 0, "reports_not_told": 0})


def test_a_reader_that_is_slow_costs_entries_and_the_rest_is_counted(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "MAX_TRACE", 100)
    pipe = Pipe()
    pipe.may_send.clear()
    outbox = Outbox(pipe, time.monotonic_ns)
    outbox.watch(True, 10)
    for n in range(1000):
        outbox.trace(n, "out", "a", b"\xf8")
    assert outbox.n_not_shown == 900
    outbox.start()
    pipe.may_send.set()
    outbox.close()
    batches = [report for report in pipe.reports if isinstance(report, TraceBatch)]
    assert sum(len(batch.entries) for batch in batches) == 100
    assert sum(batch.n_not_shown for batch in batches) == 900


def test_nothing_is_kept_of_a_trace_that_nobody_watches() -> None:
    pipe = Pipe()
    outbox = Outbox(pipe, time.monotonic_ns)
    outbox.trace(1, "out", "a", b"\xf8")
    outbox.start()
    outbox.close()
    assert pipe.reports == []


def test_the_same_trouble_is_told_once_a_second_with_its_count() -> None:
    pipe = Pipe()
    now_ns = 5_000_000_000
    outbox = Outbox(pipe, lambda: now_ns)
    for _ in range(10):
        outbox.trouble("lost", "a")
    outbox.trouble("lost", "b")
    now_ns += 2_000_000_000
    outbox.trouble("lost", "a", "plug it in")
    outbox._send_reports()
    assert pipe.reports == [
        Trouble("lost", "a"),
        Trouble("lost", "b"),
        Trouble("lost", "a", "plug it in", 9),
    ]


def test_troubles_that_stop_coming_are_still_counted_to_the_last() -> None:
    pipe = Pipe()
    now_ns = 5_000_000_000
    outbox = Outbox(pipe, lambda: now_ns)
    for _ in range(4):
        outbox.trouble("lost")
    now_ns += 2_000_000_000
    outbox._send_reports()
    assert pipe.reports == [Trouble("lost"), Trouble("lost", "", "", 3)]


def test_reports_beyond_the_limit_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(module, "MAX_REPORTS", 3)
    outbox = Outbox(Pipe(), time.monotonic_ns)
    for _ in range(5):
        outbox.tell(Stopped())
    assert outbox.n_not_told == 2


def test_a_reader_that_is_gone_ends_the_sending_and_nothing_else() -> None:
    pipe = Pipe()
    pipe.is_shut = True
    outbox = Outbox(pipe, time.monotonic_ns)
    outbox.watch(True)
    outbox.start()
    outbox.tell(Stopped())
    deadline = time.monotonic() + PATIENCE_S
    while outbox.is_watched and time.monotonic() < deadline:
        time.sleep(0.005)
    assert not outbox.is_watched
    outbox.close()
    outbox.close()


def test_the_beat_comes_without_anything_to_send() -> None:
    came = threading.Event()
    outbox = Outbox(Pipe(), time.monotonic_ns, beat=lambda now_ns: came.set())
    outbox.start()
    assert came.wait(PATIENCE_S)
    outbox.close()
