"""Runs the link test: sends each stage at its times, takes what comes back, lets go at the end.

The plan and the judging are in ``core/link``; here are only the port, the clock and the waiting.
Deadlines are absolute times of the monotonic clock, never a sum of rests.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import NamedTuple, Protocol

from knobwright.core.errors import PortError
from knobwright.core.interfaces import Clock, OutPort
from knobwright.core.link.records import LinkResult, Run, Stage
from knobwright.core.link.session import Session
from knobwright.core.wire import Message, Splitter, is_note_off, is_note_on, wire_time_us
from knobwright.core.wire.status import FIRST_SYSTEM

#: Time between deciding on a stage and its first byte, in nanoseconds.
_START_NS = 5_000_000
#: How far ahead of the line bytes are handed to a port that keeps the line's speed itself, so that
#: it never runs dry while this program waits for the processor.
_LEAD_NS = 8_000_000
#: How often it is looked whether all has come.
_LOOK_NS = 10_000_000
_ALL_NOTES_OFF = 123
_STOP = b"\xfc"


class Timing(Protocol):
    """Where time comes from: the machine's clock, or a test that lets it pass as it likes."""

    def now_ns(self) -> int:
        """Return the time on the monotonic clock."""
        ...

    def wait_until(self, at_ns: int) -> None:
        """Return at that time, or at once when it is past."""
        ...


class RealTiming:
    """The machine's time.

    Parameters
    ----------
    clock : callable
        Reads the monotonic clock in nanoseconds.
    """

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._never = threading.Event()

    def now_ns(self) -> int:
        """Return the time on the monotonic clock."""
        return self._clock()

    def wait_until(self, at_ns: int) -> None:
        """Return at that time, or at once when it is past; Ctrl-C breaks it off."""
        while (left_ns := at_ns - self._clock()) > 0:
            self._never.wait(left_ns / 1_000_000_000)


class Arrivals:
    """Keeps what an in-port brings; its :meth:`receive` may be called from any thread."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pieces: list[tuple[int, bytes]] = []
        self._n_bytes = 0
        self._last_ns = 0

    def receive(self, data: bytes, at_ns: int) -> None:
        """Take bytes and when they arrived."""
        with self._lock:
            self._pieces.append((at_ns, bytes(data)))
            self._last_ns = max(self._last_ns, at_ns)
            self._n_bytes += len(data)

    @property
    def last_ns(self) -> int:
        """Return when the last bytes arrived; 0 before the first."""
        return self._last_ns

    @property
    def n_bytes(self) -> int:
        """Return how many bytes have arrived since the last :meth:`take`."""
        return self._n_bytes

    def take(self) -> tuple[tuple[int, bytes], ...]:
        """Return what has arrived since the last time, in order."""
        with self._lock:
            pieces, self._pieces, self._n_bytes = self._pieces, [], 0
        return tuple(pieces)


class Progress(NamedTuple):
    """A stage that begins, or (``stage`` is ``None``) the end of the test."""

    stage: Stage | None
    n_done: int
    n_findings: int


class LinkTest:
    """One run of the link test.

    Parameters
    ----------
    out : OutPort
        The beginning of the way.
    arrivals : Arrivals
        What the in-port at its end brings.
    timing : Timing
    baud : int > 0, bits per second
        The line's speed: nothing is sent faster.
    is_quick : bool
        Fewer tries and shorter bursts.
    """

    def __init__(
        self, out: OutPort, arrivals: Arrivals, timing: Timing, *, baud: int, is_quick: bool = False
    ) -> None:
        self._out = out
        self._arrivals = arrivals
        self._timing = timing
        self._byte_ns = round(wire_time_us(1, baud=baud) * 1_000)
        # A port that keeps its speed can be given bytes early; it sends them at their time.
        self._lead_ns = _LEAD_NS if out.limits.speed_baud else 0
        self._free_ns = 0
        self._sounding: set[tuple[int, int]] = set()
        self._splitter = Splitter()  # reads what is sent as a module would
        self.session = Session(
            is_stream=out.limits.stream,
            baud=baud,
            longest_exclusive=out.limits.longest_exclusive or 0,
            is_quick=is_quick,
        )

    def run(self, on_progress: Callable[[Progress], None] | None = None) -> LinkResult:
        """Run all stages, let go what sounds, and return what was found.

        However it ends, by Ctrl-C too, a module that listens is left silent where the port still
        takes bytes.

        Raises
        ------
        PortError
            A port is in trouble; what was found until then is in ``session.result()``.
        """
        tell = on_progress or (lambda _: None)
        session = self.session
        try:
            while (stage := session.stage) is not None:
                tell(Progress(stage, len(session.result().stages), len(session.findings)))
                session.take(self._stage(stage))
        finally:
            self._let_go()
        tell(Progress(None, len(session.result().stages), len(session.findings)))
        return session.result()

    def _stage(self, stage: Stage) -> Run:
        """Send one stage and wait until nothing comes any more."""
        self._arrivals.take()  # what came between two stages belongs to neither
        start_ns = self._timing.now_ns() + _START_NS
        lead_ns = self._lead_ns if stage.is_full_rate else 0
        sent_ns = []
        for piece in stage.pieces:
            due_ns = start_ns + piece.at_us * 1_000
            # A port that keeps no speed is never given more than the line could carry.
            at_ns = due_ns - lead_ns if lead_ns else max(due_ns, self._free_ns)
            self._timing.wait_until(at_ns)
            sent_ns.append(self._send(piece.data))
        end_ns = max(self._free_ns, start_ns + stage.length_us * 1_000)
        self._wait_quiet(end_ns, stage)
        return Run(tuple(sent_ns), self._arrivals.take())

    def _send(self, data: bytes) -> int:
        """Hand bytes to the port and return when; keep track of what sounds."""
        now_ns = self._timing.now_ns()
        for record in self._splitter.feed(data):
            message = record.data
            if isinstance(record, Message) and message[0] < FIRST_SYSTEM:
                if is_note_on(message):
                    self._sounding.add((message[0] & 0x0F, message[1]))
                elif is_note_off(message):
                    self._sounding.discard((message[0] & 0x0F, message[1]))
        self._out.send(data)
        self._free_ns = max(self._free_ns, now_ns) + len(data) * self._byte_ns
        return now_ns

    def _wait_quiet(self, end_ns: int, stage: Stage) -> None:
        """Wait until nothing has come for a while; not for ever where something always comes.

        The while is longer where bytes are missing: a busy machine may hold them up.
        """
        latest_ns = end_ns + stage.longest_us * 1_000
        while (now_ns := self._timing.now_ns()) < latest_ns:
            is_whole = self._arrivals.n_bytes >= stage.n_bytes
            quiet_us = stage.quiet_us if is_whole else max(stage.quiet_us, stage.patience_us)
            until_ns = max(end_ns, self._arrivals.last_ns) + quiet_us * 1_000
            if now_ns >= until_ns:
                return
            # Looked at again soon: all may have come by then.
            self._timing.wait_until(min(until_ns, latest_ns, max(now_ns, end_ns) + _LOOK_NS))

    def _let_go(self) -> None:
        """Leave a module that listens silent: stop, notes off, bend and pressure at rest."""
        try:
            self._paced(_STOP)
            for channel in range(16):
                self._paced(bytes((0xB0 | channel, _ALL_NOTES_OFF, 0)))
                self._paced(bytes((0xE0 | channel, 0, 0x40)))
                self._paced(bytes((0xD0 | channel, 0)))
            # Not every module knows "all notes off".
            for channel, key in sorted(self._sounding):
                self._paced(bytes((0x80 | channel, key, 0x40)))
        except PortError:
            # The test's own trouble, if any, is what the user must hear of.
            return

    def _paced(self, message: bytes) -> None:
        """Send a message as soon as the line is free."""
        self._timing.wait_until(self._free_ns)
        self._send(message)
