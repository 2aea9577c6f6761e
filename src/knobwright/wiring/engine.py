"""The engine's process: its entry point, and what runs in it.

Started by ``wiring/supervisor.py``. The links are opened before anything else, so that what an
engine before this one left sounding is let go at once; bench and sheet are read after that.
"""

from __future__ import annotations

import gc
import os
import signal
import sys
import threading
import time
from multiprocessing.connection import Connection
from types import FrameType
from typing import TYPE_CHECKING

from knobwright.adapters.clock import come_first, monotonic_ns
from knobwright.core.errors import InputError, KnobwrightError, PortError
from knobwright.engine.keeper import Keeper
from knobwright.engine.messages import Bytes, InputPlan, LinkPlan, PortState, Set, Start
from knobwright.engine.outbox import Outbox
from knobwright.engine.plain import Plain
from knobwright.engine.serve import serve
from knobwright.wiring.links import OpenLink, SourceWatch
from knobwright.wiring.ports import in_opener

if TYPE_CHECKING:
    from knobwright.wiring.benches import BenchRun

#: How long a thread may keep the interpreter before another that waits gets it.
_SWITCH_S = 0.00005
#: New objects are looked through for circles in quiet moments once there are so many ...
_QUIET_OBJECTS = 5_000
#: ... and in any case once there are so many.
_MAX_OBJECTS = 500_000
#: Exit status after a fault of our own in any thread.
_FAULT = 70


def main(connection: Connection) -> None:
    """Run the engine at the other end of ``connection`` until it is told to stop."""
    _settle()

    def build(start: Start, outbox: Outbox) -> Run:
        threading.excepthook = lambda args: _die(outbox, args.exc_value)
        run = Run(outbox)
        try:
            run.open(start)
        except BaseException:
            run.stop()
            raise
        _freeze()
        if start.is_urgent:
            come_first()
        return run

    serve(connection, build, monotonic_ns)


def _settle() -> None:
    """Make this process one that keeps deadlines and ends only as it should."""
    # Ctrl-C goes to all processes of a terminal: the one that started us says what to do.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    if hasattr(signal, "SIGHUP"):
        signal.signal(signal.SIGHUP, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, _end)
    sys.setswitchinterval(_SWITCH_S)


def _end(number: int, frame: FrameType | None) -> None:
    """End as if the pipe had ended: what sounds is let go."""
    raise SystemExit(128 + number)


def _freeze() -> None:
    """Keep the garbage collector from ever looking at what is there now, or on its own."""
    gc.collect()
    gc.freeze()
    gc.disable()


def _die(outbox: Outbox, error: BaseException | None) -> None:
    """End the process at once: a thread is gone, and nothing may go on as if it were there."""
    outbox.trouble(f"a fault in the engine: {type(error).__name__}: {error}")
    time.sleep(0.2)  # for the report to leave; a new engine lets go of what is held
    os._exit(_FAULT)


class Run:
    """Everything that runs: links, inputs, and the bridge between them.

    Parameters
    ----------
    outbox : Outbox
        The way to tell.
    """

    def __init__(self, outbox: Outbox) -> None:
        self._outbox = outbox
        self._keeper = Keeper(monotonic_ns, self._tell_port)
        self._links: list[OpenLink] = []
        self._bench: BenchRun | None = None
        self._plain: Plain | None = None
        self.n_let_go = 0

    def open(self, start: Start) -> None:
        """Open links, bench and inputs.

        Raises
        ------
        KnobwrightError
            The bench has faults, or a ledger can't be kept.
        """
        self._add_links(start.first, start.bench)
        if start.bench:
            # Late: reading a bench takes a while, and letting go must not wait for it.
            from knobwright.wiring.benches import BenchRun

            bench = BenchRun(start.bench, self._outbox, hears=start.hears)
            if not self._links:
                self._add_links(bench.links, start.bench)
            bench.join(self._links, self._keeper)
            self._bench = bench
            inputs: tuple[InputPlan, ...] = ()
        else:
            if not self._links:
                self._add_links(start.links, "")
            if self._links:
                self._plain = Plain(self._links[0].push)
            inputs = start.inputs
        for plan in inputs:
            self._listen(plan)
        self._keeper.start()

    def _add_links(self, plans: tuple[LinkPlan, ...], folder: str) -> None:
        for plan in plans:
            link = OpenLink(plan, self._outbox, folder=folder)
            self._links.append(link)
            self.n_let_go += link.pacer.n_found
            link.start(self._keeper)

    def _listen(self, plan: InputPlan) -> None:
        """Show what an input brings; it goes nowhere, for no bench says where to."""
        outbox, source = self._outbox, plan.source

        def receive(data: bytes, at_ns: int) -> None:
            outbox.trace(at_ns, "in", source, data)

        def receive_number(path: str, number: float, at_ns: int) -> None:
            outbox.trace(at_ns, "in", f"{source} {path} {number:g}", b"")

        opener = in_opener(plan.port, receive, receive_number)
        self._keeper.keep(source, opener, SourceWatch(source, self._links))

    def _tell_port(self, name: str, is_there: bool, words: str) -> None:
        way = "out" if any(link.name == name for link in self._links) else "in"
        self._outbox.tell(PortState(name, way, is_there, words))

    # -- orders ------------------------------------------------------------------------------------

    @property
    def links(self) -> tuple[LinkPlan, ...]:
        """Return the links, with the paths of their ledgers."""
        return tuple(link.plan for link in self._links)

    def receive(self, order: Bytes, at_ns: int) -> None:
        """Take MIDI bytes, cut anywhere.

        Raises
        ------
        PortError
            There is no link to send them to.
        """
        if self._bench is not None:
            self._bench.receive(order, at_ns)
        elif self._plain is not None:
            self._plain.receive(order.source, order.data, at_ns, order.rest_ns)
        else:
            raise PortError("there is no link to send to")

    def set(self, order: Set) -> None:
        """Set a parameter; raises ``KnobwrightError``."""
        self._need_bench().set(order)

    def quiet(self, all_channels: bool) -> None:
        """Stop all sound."""
        for link in self._links:
            link.pacer.quiet(all_channels=all_channels or link.plan.quiet_everywhere)

    def off(self) -> None:
        """Take the module as switched off."""
        self._need_bench().bridge.off()
        self._forget()

    def resend(self, setup: bool) -> None:
        """Send again what the module should have."""
        self._need_bench()
        self._forget()  # it may have been off without anybody saying so
        self._need_bench().bridge.resend(setup=setup)

    def _forget(self) -> None:
        """Take nothing as selected in the module: it has just been switched on."""
        for link in self._links:
            link.pacer.forget()

    def hear(self, source: str, on: bool) -> None:
        """Tell what a control sends."""
        self._need_bench().bridge.hear(source, on)

    def answer(self, source: str, name: str, value: str) -> None:
        """Take an answer about the control that is being heard."""
        self._need_bench().bridge.answer(source, name, value)

    def reset(self) -> None:
        """Send the sheet's reset."""
        self._need_bench().bridge.reset()

    def _need_bench(self) -> BenchRun:
        if self._bench is None:
            raise InputError("this needs a bench: what is running has no sheet")
        return self._bench

    def counts(self) -> dict[str, int]:
        """Return what was counted, by name; a link's counts begin with its number."""
        chain = self._plain if self._bench is None else self._bench.bridge
        counts = dict(chain.counts()) if chain is not None else {}
        for number, link in enumerate(self._links, start=1):
            counts |= {f"link {number} {name}": n for name, n in link.counts().items()}
        return counts

    def beat(self, now_ns: int) -> None:
        """Do what may take its time."""
        if self._bench is not None:
            try:
                self._bench.beat(now_ns)
            except KnobwrightError as error:
                self._outbox.error(error)
        n_objects = gc.get_count()[0]
        is_quiet = all(link.pacer.is_idle for link in self._links)
        if n_objects > (_QUIET_OBJECTS if is_quiet else _MAX_OBJECTS):
            gc.collect(0)

    def stop(self, finish: bool = False) -> int:
        """Let go of everything, close the ports; return how many notes could not be let go."""
        if finish:
            for link in self._links:
                link.wait_idle()
        if self._bench is not None:
            self._bench.deafen()  # what is played behind the last note-off would be left sounding
        n_owed = sum(link.stop() for link in self._links)
        if self._bench is not None:
            try:
                self._bench.stop()
            except KnobwrightError as error:
                self._outbox.error(error)
        self._keeper.close()
        return n_owed
