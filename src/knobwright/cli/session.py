"""One run of a bridge in a terminal: reports are told, typed lines are carried out."""

from __future__ import annotations

import queue
import sys
import threading
from typing import TYPE_CHECKING

from knobwright.cli import show
from knobwright.cli.exits import tell
from knobwright.core.errors import InputError, KnobwrightError, PortError, one_line, printable

if TYPE_CHECKING:
    from knobwright.adapters.files.traces import TraceWriter
    from knobwright.core.codec.plan import Codec
    from knobwright.core.codec.telling import Telling
    from knobwright.engine.messages import Order, Report, TraceBatch
    from knobwright.wiring.supervisor import Supervisor

_LOOK_S = 0.2
_NS = 1_000_000_000
_ASKABLE = "quiet, off, resend, counts, hear INPUT, unhear INPUT, NAME=VALUE [CHANNEL], stop"


class Session:
    """Runs the bridge of a bench.

    Parameters
    ----------
    bench : str
        The folder.
    codec : Codec
        The bench's codec: spells values and tells the trace.
    trace, values : bool
        Whether to tell every message, and every value that changes.
    writer : TraceWriter, optional
        Records what comes and goes.
    """

    def __init__(
        self,
        bench: str,
        codec: Codec,
        *,
        trace: bool,
        values: bool,
        writer: TraceWriter | None = None,
    ) -> None:
        self._bench = bench
        self._codec = codec
        self._trace = trace
        self._values = values
        self._writer = writer
        self._came: queue.SimpleQueue[Report | str] = queue.SimpleQueue()
        self._tellings: dict[tuple[str, str], Telling] = {}
        self._start_ns = 0
        self._n_not_shown = 0

    def run(self, until_ns: int | None, name: str) -> None:
        """Bridge until the time, ``stop`` or Ctrl-C, and leave silence.

        Raises
        ------
        PortError
            The engine can't be started, or stopped too often.
        """
        from knobwright.adapters.clock import monotonic_ns
        from knobwright.engine.messages import Start, Watch
        from knobwright.wiring.control import Controlled
        from knobwright.wiring.engine import main
        from knobwright.wiring.supervisor import Supervisor

        supervisor = Supervisor(Start(bench=self._bench), self._came.put, main)
        self._start_ns = monotonic_ns()
        try:
            if not supervisor.start():
                self._tell_what_came()
                raise PortError("the engine could not be started", where=self._bench)
            with Controlled(self._bench, supervisor):
                tell(f"{printable(name)} is bridged; Ctrl-C leaves silence and ends.")
                if self._trace or self._writer is not None:
                    supervisor.send(Watch(on=True))
                self._read_lines()
                self._watch(supervisor, until_ns)
        except KeyboardInterrupt:
            pass
        finally:
            supervisor.stop()
            self._tell_what_came()
        if self._n_not_shown:
            tell(f"{self._n_not_shown} pieces of the trace were not shown: the screen was too slow")
        if not supervisor.n_owed:
            tell("Silence; nothing sounds on.")

    def _watch(self, supervisor: Supervisor, until_ns: int | None) -> None:
        from knobwright.adapters.clock import monotonic_ns
        from knobwright.engine.messages import GaveUp

        while until_ns is None or monotonic_ns() < until_ns:
            left_s = _LOOK_S if until_ns is None else (until_ns - monotonic_ns()) / _NS
            try:
                came = self._came.get(timeout=min(_LOOK_S, max(left_s, 0)))
            except queue.Empty:
                sys.stdout.flush()
                continue
            if isinstance(came, str):
                if came == "stop":
                    return
                self._carry_out(came, supervisor)
            else:
                self._tell(came)
                if isinstance(came, GaveUp):
                    raise PortError(came.words, where=self._bench)

    def _tell_what_came(self) -> None:
        while not self._came.empty():
            came = self._came.get()
            if not isinstance(came, str):
                self._tell(came)
        sys.stdout.flush()

    # -- reports -----------------------------------------------------------------------------------

    def _tell(self, report: Report) -> None:
        from knobwright.cli.reports import report_words
        from knobwright.engine.messages import TraceBatch
        from knobwright.engine.told import Changed

        if isinstance(report, TraceBatch):
            self._tell_trace(report)
        elif not isinstance(report, Changed) or self._values:
            for words in report_words(report, self._codec):
                if isinstance(report, Changed):
                    show.line(words)
                else:
                    tell(words)

    def _tell_trace(self, batch: TraceBatch) -> None:
        from knobwright.core.codec.telling import Telling
        from knobwright.exports.trace import TraceEntry

        self._n_not_shown += batch.n_not_shown
        for at_ns, way, port, data in batch.entries:
            if self._writer is not None:
                self._writer.write(TraceEntry(at_ns, way, port, data))
            if not self._trace:
                continue
            telling = self._tellings.get((way, port))
            if telling is None:
                telling = self._tellings[way, port] = Telling(self._codec)
            for told in telling.feed(data, at_ns):
                at_s = max(0, told.at_ns - self._start_ns) / _NS
                words = "; ".join(told.sets) or told.words
                show.line(f"{at_s:11.6f}  {way:>3}  {port}  {show.hex_short(told.data)}  {words}")

    # -- typed lines -------------------------------------------------------------------------------

    def _read_lines(self) -> None:
        """Take lines from standard input; its end ends nothing, so that a script may start us."""

        def read() -> None:
            for line in sys.stdin:
                if line.strip():
                    self._came.put(line.strip())

        threading.Thread(target=read, name="typed lines", daemon=True).start()

    def _carry_out(self, line: str, supervisor: Supervisor) -> None:
        try:
            if line == "counts":
                for name, n in supervisor.ask().counts.items():
                    show.line(f"{name}: {n}")
                return
            for order in self._orders(line):
                supervisor.send(order)
        except KnobwrightError as error:
            tell(f"knobwright: {one_line(error)}")

    def _orders(self, line: str) -> list[Order]:
        from knobwright.engine.messages import Hear, Off, Quiet, Resend

        words = line.split()
        match words:
            case ["quiet"]:
                return [Quiet(all_channels=True)]
            case ["off"]:
                return [Off()]
            case ["resend"]:
                return [Resend()]
            case ["hear" | "unhear" as verb, source]:
                return [Hear(source, verb == "hear")]
        if "=" in line:
            return self._set(words)
        raise InputError(f"{printable(line[:60])!r} is none of: {_ASKABLE}")

    def _set(self, words: list[str]) -> list[Order]:
        """Return the orders of ``NAME=VALUE`` words; a lone number at the end is the channel."""
        from knobwright.core.codec.assign import PROGRAM, assign
        from knobwright.engine.messages import Bytes, Set

        channel = None
        if len(words) > 1 and words[-1].isdecimal():
            channel = int(words.pop())
            if not 1 <= channel <= 16:
                raise InputError(f"a channel is 1 to 16, not {channel}")
        text = " ".join(words)
        orders: list[Order] = []
        for one in assign(self._codec, [text], channel=channel):
            if one.key == PROGRAM:
                orders.append(Bytes(b"".join(one.messages), "typed"))
            else:
                orders.append(Set(one.key, one.raw, one.channel, one.note))
        return orders
