"""The engine's main loop: orders come in from the pipe and are carried out at once.

The thread that reads the pipe does the work itself: bytes that another process sends reach the port
without passing through another thread. Nothing that comes through the pipe can end the engine but a
``Stop`` or the end of the pipe: the process at the other end is gone then, and what sounds is let
go before the engine ends too.
"""

from __future__ import annotations

from typing import Protocol

from knobwright.core.errors import InputError, KnobwrightError
from knobwright.core.interfaces import Clock
from knobwright.engine.messages import (
    MAX_RECORD_BYTES,
    Answer,
    Ask,
    Bytes,
    Hear,
    LinkPlan,
    Off,
    Order,
    Quiet,
    Ready,
    Resend,
    Reset,
    Set,
    Start,
    Stats,
    Stop,
    Stopped,
    Watch,
    read_order,
)
from knobwright.engine.outbox import Outbox


class Pipe(Protocol):
    """One end of the pipe."""

    def recv_bytes(self, maxlength: int | None = None) -> bytes:
        """Return the next record; raises ``EOFError`` or ``OSError`` when nobody is there."""
        ...

    def send_bytes(self, data: bytes) -> None:
        """Send one record; raises ``OSError`` when nobody is there."""
        ...


class Running(Protocol):
    """What runs in the engine: the bridge with its pacers and ports."""

    @property
    def links(self) -> tuple[LinkPlan, ...]:
        """Return the links, with the paths of their ledgers."""
        ...

    @property
    def n_let_go(self) -> int:
        """Return how many notes of an earlier engine were let go at the start."""
        ...

    def receive(self, order: Bytes, at_ns: int) -> None:
        """Take MIDI bytes, cut anywhere; raises ``KnobwrightError``."""
        ...

    def set(self, order: Set) -> None:
        """Set a parameter; raises ``KnobwrightError``."""
        ...

    def quiet(self, all_channels: bool) -> None:
        """Stop all sound."""
        ...

    def off(self) -> None:
        """Take the module as switched off."""
        ...

    def resend(self, setup: bool) -> None:
        """Send again what the module should have."""
        ...

    def hear(self, source: str, on: bool) -> None:
        """Tell what a control sends."""
        ...

    def answer(self, source: str, name: str, value: str) -> None:
        """Take an answer about the control that is being heard."""
        ...

    def reset(self) -> None:
        """Send the sheet's reset."""
        ...

    def counts(self) -> dict[str, int]:
        """Return what was counted, by name."""
        ...

    def beat(self, now_ns: int) -> None:
        """Do what may take its time; called every 50 ms from the outbox's thread."""
        ...

    def stop(self, finish: bool = False) -> int:
        """Let go of everything, close the ports, and return how many notes could not be let go.

        With ``finish`` what waits is sent before that, as long as it moves.
        """
        ...


class Builder(Protocol):
    """Makes what runs, from the first order."""

    def __call__(self, start: Start, outbox: Outbox) -> Running:
        """Open everything; raises ``KnobwrightError`` where that can't be."""
        ...


def serve(pipe: Pipe, build: Builder, clock: Clock) -> bool:
    """Read orders and carry them out, until ``Stop`` or the end of the pipe.

    Parameters
    ----------
    pipe : Pipe
        To the process that started this one.
    build : Builder
        Makes what runs.
    clock : Clock
        The monotonic clock.

    Returns
    -------
    bool
        Whether the engine was told to stop (and not left alone, or unable to start).
    """
    outbox = Outbox(pipe, clock)
    outbox.start()
    try:
        start = _first(pipe, outbox)
        if start is None:
            return False
        try:
            running = build(start, outbox)
        except KnobwrightError as error:
            outbox.error(error)
            outbox.tell(Stopped())
            return False
        stop: Stop | None = None
        try:
            outbox.beat = running.beat
            outbox.tell(Ready(running.links, running.n_let_go))
            stop = _carry_out(pipe, running, outbox, clock)
        finally:
            # Also when this process is told to end by a signal.
            outbox.beat = None
            outbox.tell(Stopped(running.stop(stop is not None and stop.finish)))
        return stop is not None
    finally:
        outbox.close()


def _first(pipe: Pipe, outbox: Outbox) -> Start | None:
    """Return the first order, which must be ``Start``; ``None`` where the pipe ends before."""
    while True:
        order = _next(pipe, outbox)
        if isinstance(order, Start):
            return order
        if order is None or isinstance(order, Stop):
            return None


def _next(pipe: Pipe, outbox: Outbox) -> Order | None:
    """Return the next order; ``None`` at the end of the pipe. What is no order is told."""
    while True:
        try:
            data = pipe.recv_bytes(MAX_RECORD_BYTES)
        except (EOFError, OSError):
            return None
        try:
            return read_order(data)
        except InputError as error:
            outbox.error(error)


def _carry_out(pipe: Pipe, running: Running, outbox: Outbox, clock: Clock) -> Stop | None:
    """Carry out orders; return the Stop, or ``None`` where the pipe ended without one."""
    while True:
        order = _next(pipe, outbox)
        if order is None or isinstance(order, Stop):
            return order
        try:
            if isinstance(order, Bytes):
                running.receive(order, clock())
            else:
                _one(order, running, outbox)
        except KnobwrightError as error:
            outbox.error(error)


def _one(order: Order, running: Running, outbox: Outbox) -> None:
    """Carry out one order that is neither bytes nor the end."""
    match order:
        case Set():
            running.set(order)
        case Quiet():
            running.quiet(order.all_channels)
        case Off():
            running.off()
        case Resend():
            running.resend(order.setup)
        case Hear():
            running.hear(order.source, order.on)
        case Answer():
            running.answer(order.source, order.name, order.value)
        case Reset():
            running.reset()
        case Watch():
            outbox.watch(order.on, order.batch_ms)
        case Ask():
            counts = running.counts()
            counts["trace_not_shown"] = outbox.n_not_shown
            counts["reports_not_told"] = outbox.n_not_told
            outbox.tell(Stats(order.number, counts))
        case Start():
            outbox.trouble("the engine was told to start twice: it runs already")
