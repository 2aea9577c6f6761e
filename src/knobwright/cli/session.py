"""One run of a bridge in a terminal: reports are told, typed lines are carried out."""

from __future__ import annotations

import contextlib
import queue
import sys
import threading
from collections.abc import Collection
from typing import TYPE_CHECKING

from knobwright.cli import show
from knobwright.cli.counts import count_words
from knobwright.cli.exits import tell
from knobwright.core.errors import (
    InputError,
    KnobwrightError,
    PortError,
    StoreError,
    one_line,
    printable,
)

if TYPE_CHECKING:
    from knobwright.adapters.files.traces import TraceWriter
    from knobwright.core.codec.plan import Codec
    from knobwright.core.codec.telling import Telling
    from knobwright.engine.messages import Order, Report, TraceBatch
    from knobwright.exports.trace import TraceEntry
    from knobwright.wiring.supervisor import Supervisor

_LOOK_S = 0.2
#: How long the engine may take to tell its counts at the end.
_ANSWERS_S = 1.0
_NS = 1_000_000_000
_ASKABLE = "quiet, off, resend, counts, hear INPUT, unhear INPUT, NAME=VALUE [CHANNEL], stop"
#: What is said when a typed line was passed on; a value shows itself.
_SAID = {
    "quiet": "All sound is stopped.",
    "off": "Nothing is known of the module's values any more.",
    "resend": "What the module should have is sent again.",
}


class Session:
    """Runs the bridge of a bench.

    Parameters
    ----------
    bench : str
        The folder.
    codec : Codec
        The bench's codec: spells values and tells what goes to the module and comes from it.
    inputs : collection of str
        Names of the inputs: what they bring is not of the module's sheet.
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
        inputs: Collection[str],
        trace: bool,
        values: bool,
        writer: TraceWriter | None = None,
    ) -> None:
        self._bench = bench
        self._codec = codec
        self._inputs = inputs
        self._trace = trace
        self._values = values
        self._writer = writer
        self._came: queue.SimpleQueue[Report | str] = queue.SimpleQueue()
        self._tellings: dict[tuple[str, str], Telling] = {}
        self._start_ns = 0
        self._n_not_shown = 0
        self._is_cut = False  # the recording ended before the bridge did

    def run(self, length_ns: int | None, name: str) -> bool:
        """Bridge for so long, until ``stop`` or until Ctrl-C, and leave silence.

        Returns
        -------
        bool
            Whether all that was to be recorded was recorded.

        Raises
        ------
        PortError
            The engine can't be started, or stopped too often.
        """
        from knobwright.adapters.clock import monotonic_ns
        from knobwright.cli.patience import ending_in_order, uninterrupted
        from knobwright.engine.messages import Start
        from knobwright.wiring.control import is_running
        from knobwright.wiring.engine import main
        from knobwright.wiring.supervisor import Supervisor

        if is_running(self._bench):
            raise PortError(
                "a bridge is running with this bench already",
                where=self._bench,
                hint="stop that one first: Ctrl-C where it runs",
            )
        supervisor = Supervisor(Start(bench=self._bench), self._came.put, main)
        self._start_ns = monotonic_ns()
        with ending_in_order():
            try:
                self._bridge(supervisor, length_ns, name)
            except KeyboardInterrupt:
                pass
            finally:
                with uninterrupted():
                    self._end(supervisor)
        return not self._is_cut

    def _bridge(self, supervisor: Supervisor, length_ns: int | None, name: str) -> None:
        from knobwright.adapters.clock import monotonic_ns
        from knobwright.cli.patience import told_to_end
        from knobwright.engine.messages import Watch
        from knobwright.wiring.control import Controlled

        is_started = supervisor.start()
        self._tell_what_came()
        if not is_started:
            raise PortError("the engine could not be started", where=self._bench)
        with Controlled(self._bench, supervisor):
            if self._trace or self._writer is not None:
                supervisor.send(Watch(on=True))
                supervisor.ask()  # its answer says that nothing goes unseen from now on
            tell(f"{printable(name)} is bridged; Ctrl-C leaves silence and ends.")
            self._read_lines()
            until_ns = None if length_ns is None else monotonic_ns() + length_ns
            # A batch of the trace that was taken in hand is told and recorded to its end.
            with told_to_end(lambda: self._came.put("stop")):
                self._watch(supervisor, until_ns)

    def _end(self, supervisor: Supervisor) -> None:
        """Leave silence, and tell what was counted."""
        counts: dict[str, int] = {}
        if supervisor.pid is not None:
            with contextlib.suppress(PortError):  # it may be gone; then nothing can be told
                counts = supervisor.ask(_ANSWERS_S).counts
        supervisor.stop()
        self._tell_what_came()
        held = [name for name in counts if name.endswith(" n_owed")]
        n_held = sum(counts.pop(name) for name in held) - supervisor.n_owed
        for words in count_words(counts):
            tell(words)
        if self._n_not_shown:
            n = show.count(self._n_not_shown, "piece")
            tell(f"{n} of the trace not shown: the reader was too slow")
        if n_held > 0:
            tell(f"{show.count(n_held, 'held note')} let go.")
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
        from knobwright.core.interfaces import IN
        from knobwright.exports.trace import TraceEntry

        self._n_not_shown += batch.n_not_shown
        for at_ns, way, port, data in batch.entries:
            if self._writer is not None:
                self._record(TraceEntry(at_ns, way, port, data))
            if not self._trace:
                continue
            telling = self._tellings.get((way, port))
            if telling is None:
                codec = None if way == IN and port in self._inputs else self._codec
                telling = self._tellings[way, port] = Telling(codec)
            for told in telling.feed(data, at_ns):
                at_s = max(0, told.at_ns - self._start_ns) / _NS
                words = "; ".join(told.sets) or told.words
                show.line(f"{at_s:11.6f}  {way:>3}  {port}  {show.hex_short(told.data)}  {words}")

    def _record(self, entry: TraceEntry) -> None:
        """Write an entry down; a full disk ends the recording, never the music."""
        assert self._writer is not None
        try:
            self._writer.write(entry)
        except StoreError as error:
            self._writer = None
            self._is_cut = True
            tell(f"knobwright: {one_line(error)}; the bridge goes on")

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
                for words in count_words(supervisor.ask().counts):
                    show.line(words)
                return
            for order in self._orders(line):
                supervisor.send(order)
            if said := _SAID.get(line):
                tell(said)
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
        if len(words) > 1 and words[-1].isdecimal() and not words[-2].endswith("="):
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
