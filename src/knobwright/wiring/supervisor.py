"""Starts the engine in a process of its own, watches over it, and starts it anew when it dies.

The two talk through a pipe with the records of ``engine/messages.py``. When the engine ends without
having been told to, a new one is started at once: it is given the links of the old one, and lets go
of the notes that are held before it does anything else. When it dies again and again the supervisor
gives up and says so.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import threading
import time
from collections import deque
from collections.abc import Callable
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess

import msgspec

from knobwright.core.errors import InputError, PortError
from knobwright.engine.messages import (
    Ask,
    Bytes,
    GaveUp,
    LinkPlan,
    Order,
    Ready,
    Report,
    Restarted,
    Start,
    Stats,
    Stop,
    Stopped,
    Trouble,
    Watch,
    read_report,
    write,
)

#: The engine is started anew at most this often in a minute.
MAX_RESTARTS = 5
_WITHIN_S = 60.0
#: How long the engine may take to let go and end after it was told to.
STOP_S = 10.0
_KILLED_S = 2.0

OnReport = Callable[[Report], None]
Main = Callable[[Connection], None]


class Supervisor:
    """The engine, seen from the process that started it.

    Parameters
    ----------
    start : Start
        The first order.
    on_report : callable
        Takes every report, in a thread of the supervisor's; must not raise.
    main : callable
        What the engine's process runs; a function at the top of its module.
    """

    def __init__(self, start: Start, on_report: OnReport, main: Main) -> None:
        self._start = start
        self._on_report = on_report
        self._main = main
        self._context = multiprocessing.get_context("spawn")
        self._lock = threading.Lock()  # the pipe's sending side, and its change to another
        self._pipe: Connection | None = None
        self._process: BaseProcess | None = None
        self._links: tuple[LinkPlan, ...] = ()
        self._watch: Watch | None = None
        self._deaths: deque[float] = deque()
        self._stopping = threading.Event()
        self._ready = threading.Event()
        self._over = threading.Event()
        self._answers: dict[int, tuple[threading.Event, list[Stats]]] = {}
        self._n_asked = 0
        self._words = ""
        self.n_owed = 0
        self._thread = threading.Thread(target=self._run, name="supervisor", daemon=True)

    def start(self, timeout_s: float = 20.0) -> bool:
        """Start the engine; return whether it runs.

        Where it does not, a report has said why: a :class:`Trouble`, or :class:`GaveUp`.
        """
        self._spawn(self._start)
        self._thread.start()
        deadline = time.monotonic() + timeout_s
        while not self._over.is_set() and time.monotonic() < deadline:
            if self._ready.wait(0.02):
                return True
        return self._ready.is_set()

    @property
    def pid(self) -> int | None:
        """Return the engine's process number; ``None`` while there is none."""
        process = self._process
        return process.pid if process is not None else None

    @property
    def is_over(self) -> bool:
        """Return whether the engine ended and is not started again."""
        return self._over.is_set()

    def send(self, order: Order) -> bool:
        """Send an order; return whether there was an engine to take it.

        Called from any thread. Orders that come while the engine is being started anew wait for it.
        """
        if isinstance(order, Watch):
            self._watch = order  # a new engine must be told again
        elif isinstance(order, Stop):
            self._stopping.set()
        with self._lock:
            return self._send(order)

    def play(self, data: bytes, source: str = "page") -> bool:
        """Send MIDI bytes, as if a port called ``source`` had brought them."""
        return self.send(Bytes(data, source))

    def ask(self, timeout_s: float = 2.0) -> Stats:
        """Return what the engine has counted.

        Raises
        ------
        PortError
            It does not answer in time.
        """
        with self._lock:
            self._n_asked += 1
            number = self._n_asked
        came, answer = threading.Event(), list[Stats]()
        self._answers[number] = (came, answer)
        try:
            if self.send(Ask(number)) and came.wait(timeout_s):
                return answer[0]
        finally:
            del self._answers[number]
        raise PortError("the engine does not answer", hint="stop the bridge and start it again")

    def wait(self, timeout_s: float | None = None) -> bool:
        """Wait until the engine has ended for good; return whether it has."""
        return self._over.wait(timeout_s)

    def stop(self, *, finish: bool = False, timeout_s: float = STOP_S) -> int:
        """Let go of everything and end the engine; return how many notes could not be let go.

        Returns when silence has been sent. An engine that does not end in time is killed: the
        ledger then holds what is owed. A second call does nothing.
        """
        self._stopping.set()
        # An engine that reads no orders must not hold up whoever wants it to end.
        threading.Thread(
            target=self.send, args=(Stop(finish),), name="supervisor stop", daemon=True
        ).start()
        if not self._over.wait(timeout_s):
            process = self._process
            if process is not None:
                process.kill()
            self._over.wait(_KILLED_S)
        if self._thread.is_alive():
            self._thread.join(timeout=_KILLED_S)
        return self.n_owed

    # -- the process -------------------------------------------------------------------------------

    def _spawn(self, start: Start) -> None:
        ours, theirs = self._context.Pipe(duplex=True)
        # A daemon: it is ended, too, where this process ends without a stop.
        process = self._context.Process(
            target=self._main, args=(theirs,), name="knobwright-engine", daemon=True
        )
        process.start()
        theirs.close()  # so that the end of the engine is the end of the pipe
        self._process, self._pipe = process, ours
        self._send(start)
        if self._watch is not None:
            self._send(self._watch)

    def _send(self, order: Order) -> bool:
        if self._pipe is None:
            return False
        try:
            self._pipe.send_bytes(write(order))
        except OSError:
            return False  # the reading thread sees the same end, and acts on it
        return True

    def _run(self) -> None:
        while True:
            told_to = self._read()
            code = self._bury()
            if told_to or self._stopping.is_set():
                break
            if not self._may_restart():
                words = f"the engine ended {len(self._deaths)} times in a minute ({_why(code)})"
                self._on_report(GaveUp(words, len(self._deaths)))
                break
            with self._lock:
                if self._stopping.is_set():
                    break
                self._ready.clear()
                self._spawn(msgspec.structs.replace(self._start, first=self._links))
            self._words = _why(code)
        self._over.set()

    def _read(self) -> bool:
        """Pass on reports until the engine ends; return whether it ended as it should."""
        pipe = self._pipe
        assert pipe is not None
        told_to = False
        while True:
            try:
                data = pipe.recv_bytes()
            except (EOFError, OSError):
                return told_to
            try:
                report = read_report(data)
            except InputError as error:
                self._on_report(Trouble(error.message))
                continue
            told_to = self._take(report) or told_to

    def _take(self, report: Report) -> bool:
        """Take a report; return whether it is the last."""
        if isinstance(report, Stats):
            came = self._answers.get(report.number)
            if came is not None:
                came[1].append(report)
                came[0].set()
                return False
        elif isinstance(report, Ready):
            self._links = report.links
            self._ready.set()
            if self._deaths:
                self._on_report(Restarted(report.n_let_go, len(self._deaths), self._words))
        elif isinstance(report, Stopped):
            self.n_owed = report.n_owed
        is_last = isinstance(report, Stopped)
        # An engine that was told by a signal to end let go of everything, but is wanted still.
        is_wanted = is_last and self._ready.is_set() and not self._stopping.is_set()
        if not is_wanted:
            self._on_report(report)
        return is_last and not is_wanted

    def _bury(self) -> int | None:
        """Wait for the end of the process; return its exit code."""
        process, pipe = self._process, self._pipe
        assert process is not None
        process.join(timeout=_KILLED_S)
        if process.exitcode is None:  # it closed the pipe and does not end
            process.kill()
            process.join()
        code = process.exitcode
        with self._lock:
            self._pipe = self._process = None
        if pipe is not None:
            pipe.close()
        with contextlib.suppress(ValueError):
            process.close()
        return code

    def _may_restart(self) -> bool:
        now = time.monotonic()
        self._deaths.append(now)
        while now - self._deaths[0] > _WITHIN_S:
            self._deaths.popleft()
        return len(self._deaths) <= MAX_RESTARTS


def _why(code: int | None) -> str:
    """Return in words how a process ended."""
    if code is not None and code < 0:
        return f"it was ended by signal {-code}"
    return f"it ended by itself with status {code}"
