"""Traces as ports: an out-port records what is sent, an in-port replays what was recorded.

The name is the path of a trace (see ``exports/trace.py``). An in-port may choose what it plays:
``take.jsonl#in``, ``take.jsonl#out``, or ``take.jsonl#in:NAME`` for what came by one port. Where a
trace holds more than one way or port and none is chosen, opening is refused: nothing is mixed that
did not belong together.

Recording goes on behind what a trace holds already; a file that is no trace is never touched. Each
piece is written out at once, so that a crash loses nothing that was recorded before it. Replaying
checks the whole file first, then keeps its times from the first entry on, by absolute deadlines.
"""

from __future__ import annotations

import stat
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import BinaryIO, NamedTuple

from knobwright.adapters.files.traces import MAX_LINE_BYTES, TraceWriter
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.receiving import CLOSE_WAIT_S, Receiving, wait_s
from knobwright.core.errors import InputError, NamingError, PortError, PortLostError, StoreError
from knobwright.core.interfaces import (
    IN,
    OUT,
    Clock,
    Found,
    InPort,
    Limits,
    OutPort,
    Receive,
    ReceiveNumber,
)
from knobwright.exports.trace import TraceEntry, read_entry, read_header

LIMITS = Limits(True, None, 0, "an in-port plays the file once, a line at its time")

#: No clock of nanoseconds in 64 bits comes as far: 292 years.
MAX_TIME_NS = 1 << 63


def find(surroundings: Surroundings) -> Sequence[Found]:
    """Return nothing: a file is named, not found."""
    return ()


def open_out(name: str, settings: PortSettings, surroundings: Surroundings) -> OutPort | None:
    """Open a trace to record to; it is made where there is none."""
    return Recorder(name, surroundings.clock)


def open_in(
    name: str,
    settings: PortSettings,
    surroundings: Surroundings,
    receive: Receive,
    receive_number: ReceiveNumber | None = None,
) -> InPort | None:
    """Open a trace to replay; it begins at once."""
    return Player(name, settings.speed, surroundings.clock, receive)


# -- recording -----------------------------------------------------------------------------------


class Recorder:
    """An out-port that records."""

    def __init__(self, name: str, clock: Clock) -> None:
        self._name = name
        self._clock = clock
        self._lock = threading.Lock()
        self._is_open = True
        self._is_lost = False
        try:
            self._writer = TraceWriter(name)
        except StoreError as error:
            raise PortError(error.message, where=error.where, hint=error.hint) from error

    @property
    def name(self) -> str:
        """Return the raw name: the path."""
        return self._name

    @property
    def limits(self) -> Limits:
        """Return what it can't do."""
        return LIMITS

    def is_there(self) -> bool:
        """Return whether it is open and nothing has gone wrong with the file."""
        return self._is_open and not self._is_lost

    def send(self, data: bytes) -> None:
        """Record bytes with the time of now.

        Raises
        ------
        PortError
            The port is closed.
        PortLostError
            The file can't be written any more; what was recorded before stays readable.
        """
        with self._lock:
            if not self._is_open:
                raise PortError("the port is closed", where=f"file:{self._name}")
            if self._is_lost:
                raise PortLostError("the file is lost", where=f"file:{self._name}")
            if not data:
                return
            try:
                self._writer.write(TraceEntry(self._clock(), OUT, self._name, bytes(data)))
            except StoreError as error:
                self._is_lost = True
                raise PortLostError(error.message, where=error.where, hint=error.hint) from error

    def close(self) -> None:
        """Bring the file to the disk and close it; a second time does nothing."""
        with self._lock:
            if not self._is_open:
                return
            self._is_open = False
            self._writer.close()


# -- replaying -----------------------------------------------------------------------------------


class Chosen(NamedTuple):
    """What of a trace is played: a path, a way and a port; empty texts choose all there is."""

    path: str
    way: str = ""
    port: str = ""


class Player:
    """An in-port that replays a trace once.

    Attributes
    ----------
    notes : tuple of str
        What the user should know of the file, such as a last line that a crash has cut off.
    """

    def __init__(self, name: str, speed: float, clock: Clock, receive: Receive) -> None:
        if not 0 <= speed < float("inf"):
            raise InputError(f"the speed of a replay is 0 or more, not {speed}", where=name)
        self._name = name
        self._speed = speed
        self._clock = clock
        self._chosen = _choose(name)
        self.notes = _check(self._chosen)
        self._receiving = Receiving(receive)
        self._ended = threading.Event()
        self._closed = threading.Event()
        self._trouble: PortError | None = None
        self._thread = threading.Thread(target=self._run, name=f"replay {name}", daemon=True)
        self._thread.start()

    @property
    def name(self) -> str:
        """Return the raw name."""
        return self._name

    @property
    def limits(self) -> Limits:
        """Return what it can't do."""
        return LIMITS

    @property
    def trouble(self) -> PortError | None:
        """Return why the replay broke off, if it did (the file changed while it was played)."""
        return self._trouble

    def is_there(self) -> bool:
        """Return whether it is open; a replay that has come to its end still is."""
        return self._receiving.is_open and self._trouble is None

    def wait_ended(self, timeout_s: float | None = None) -> bool:
        """Wait until all was played or the port is closed; return whether that is so."""
        return self._ended.wait(timeout_s)

    def close(self) -> None:
        """End the replay; a second time does nothing."""
        self._closed.set()
        self._receiving.close()
        if threading.current_thread() is not self._thread:
            self._thread.join(CLOSE_WAIT_S)

    def _run(self) -> None:
        try:
            self._play()
        except (OSError, InputError) as error:
            self._trouble = _trouble("played on", self._name, error)
        finally:
            self._ended.set()

    def _play(self) -> None:
        begin_ns = self._clock()
        first_ns = last_ns = -1
        for entry in _entries(self._chosen):
            if first_ns < 0 or entry.at_ns < last_ns:
                # The first of all, or the first after the machine was started anew: its clock
                # began again, and how long it was off nobody knows.
                begin_ns, first_ns = self._clock(), entry.at_ns
            last_ns = entry.at_ns
            due_ns = self._clock()
            if self._speed > 0:
                due_ns = begin_ns + round((entry.at_ns - first_ns) / self._speed)
                self._wait_until(due_ns)
            if self._closed.is_set():
                return
            self._receiving.call(entry.data, due_ns)

    def _wait_until(self, due_ns: int) -> None:
        while (left_ns := due_ns - self._clock()) > 0:
            if self._closed.wait(wait_s(left_ns, self._clock)):
                return


def _choose(name: str) -> Chosen:
    """Return what a name chooses; a file of the whole name comes first, whatever signs it has."""
    path, mark, choice = name.rpartition("#")
    way, _, port = choice.partition(":")
    if mark and way in (IN, OUT) and not Path(name).exists():
        return Chosen(path, way, port)
    return Chosen(name)


def _check(chosen: Chosen) -> tuple[str, ...]:
    """Read a whole trace; return its notes.

    Raises
    ------
    PortError
        It can't be read.
    InputError
        It is no trace, or a line of it is broken: the message says which.
    NamingError
        It holds several ways or ports, and none is chosen; or not the chosen one.
    """
    seen: dict[tuple[str, str], None] = {}
    notes: list[str] = []
    try:
        for entry in _lines(chosen.path, notes):
            seen[entry.way, entry.port] = None
    except (OSError, ValueError) as error:
        raise _trouble("played", chosen.path, error) from error
    fitting = [
        f"{way}:{port}"
        for way, port in seen
        if chosen.way in ("", way) and chosen.port in ("", port)
    ]
    if len(fitting) == 1 or not seen:
        return tuple(notes)
    names = tuple(f"{chosen.path}#{way}:{port}" for way, port in seen)
    found = "holds none of this" if not fitting else f"holds {len(fitting)} streams of bytes"
    raise NamingError(
        f"the trace {found}; one is played",
        where=chosen.path,
        hint=f"name one of: {', '.join(names[:8])}",
        candidates=names,
    )


def _entries(chosen: Chosen) -> Iterator[TraceEntry]:
    """Yield the chosen entries of a trace."""
    for entry in _lines(chosen.path, []):
        if chosen.way in ("", entry.way) and chosen.port in ("", entry.port):
            yield entry


def _lines(path: str, notes: list[str]) -> Iterator[TraceEntry]:
    """Yield all entries; a cut-off last line is left out and noted."""
    number = 0
    try:
        with _open_to_play(path) as file:
            while line := file.readline(MAX_LINE_BYTES):
                number += 1
                if not line.endswith(b"\n"):
                    if len(line) == MAX_LINE_BYTES:
                        raise InputError(f"a line has at most {MAX_LINE_BYTES} bytes")
                    if number > 1:
                        notes.append(f"line {number} was cut off while it was written: left out")
                        return
                if number == 1:
                    read_header(_text(line))
                elif not line.isspace():
                    yield _entry(line)
            if number == 0:
                raise InputError("the file is empty, and a trace has a header at least")
    except InputError as error:
        raise InputError(
            error.message, where=f"{path}:{max(number, 1)}", hint=error.hint or "mend that line"
        ) from error


def _entry(line: bytes) -> TraceEntry:
    entry = read_entry(_text(line))
    if entry.at_ns >= MAX_TIME_NS:
        raise InputError(f"at_ns has at most 63 bits; found {str(entry.at_ns)[:40]}")
    return entry


def _open_to_play(path: str) -> BinaryIO:
    if not stat.S_ISREG(Path(path).stat().st_mode):
        raise InputError("a trace is an ordinary file, and this is none")
    return Path(path).open("rb")


def _text(line: bytes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError as error:
        raise InputError(f"the line is not UTF-8: byte {line[error.start]:02X}") from error


def _trouble(done: str, name: str, error: Exception) -> PortError:
    reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
    hint = "check the name of the file"
    if isinstance(error, FileNotFoundError):
        hint += ": there is none"
    return PortError(f"the trace can't be {done}: {reason}", where=name, hint=hint)
