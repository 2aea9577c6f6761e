"""A far end that follows a script: expected exchanges, or a pass-through with faults.

The name is that of the file without ``.script.toml``, or the whole path; see ``script.py`` for
what stands in it. An out-port and an in-port of one script lead to the same far end, which begins
at its first step when the first port is opened.

Where a script has steps, everything that went otherwise (a message that was not expected, a step
that was never reached, a reply that nobody read) is a finding; closing the last port raises a
``PortError`` that tells all of them.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from pathlib import Path

from knobwright.adapters.ports.inside import Hub, Place
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.receiving import Later, Receiving
from knobwright.adapters.ports.script import MAX_BYTES, Away, Script, read_script
from knobwright.adapters.ports.throughs import Through
from knobwright.core.errors import InputError, PortError, PortLostError, StoreError
from knobwright.core.interfaces import Clock, Found, InPort, Limits, OutPort, Receive, ReceiveNumber
from knobwright.core.wire import Dropped, Splitter, hex_words, joined

LIMITS = Limits(True, None, 0, "answers as its file says; a through may lose bytes on demand")

#: How many findings an error tells.
MAX_TOLD = 8

_SUFFIX = ".script.toml"
#: When a far end that went away comes back, by the path of its script.
_BACK_NS: dict[str, int] = {}


class FarEnd(Place):
    """What follows a script, whichever."""

    def __init__(self, path: str, script: Script, clock: Clock) -> None:
        super().__init__(clock)
        self._path = path
        self._away: Away | None = script.away
        self._n_taken = 0
        self._later = Later(self.give, clock, f"scripted {path}")

    @property
    def is_there(self) -> bool:
        """Return whether it was not pulled and its thread still works."""
        return not self.was_pulled and self._later.is_alive

    @property
    def findings(self) -> tuple[str, ...]:
        """Return what has gone otherwise than the script says, so far."""
        return ()

    def take(self, data: bytes, at_ns: int) -> None:
        """Follow the script for bytes that arrived; go away when it says so."""
        if self._away is not None:
            left = self._away.after_bytes - self._n_taken
            self._n_taken += len(data)
            if len(data) >= left:
                self.follow(data[:left], at_ns)
                _BACK_NS[self._path] = at_ns + self._away.for_ns
                _HUB.lose(self)
                raise PortLostError("the far end went away", where=f"scripted:{self._path}")
        self.follow(data, at_ns)

    def follow(self, data: bytes, at_ns: int) -> None:
        """Do with bytes what the script says."""
        raise NotImplementedError

    def end(self) -> PortError | None:
        """End its thread."""
        self._later.close()
        return None


class ThroughEnd(FarEnd):
    """A pass-through."""

    def __init__(self, path: str, script: Script, settings: PortSettings, clock: Clock) -> None:
        super().__init__(path, script, clock)
        seed = settings.seed if script.seed is None else script.seed
        baud = settings.baud if script.baud is None else script.baud
        self._through = Through(script.faults or (), seed, baud=baud)

    def follow(self, data: bytes, at_ns: int) -> None:
        """Let bytes pass."""
        self._later.make_sure(len(data))
        for piece, due_ns in self._through.feed(data, at_ns):
            self._later.put(piece, due_ns)


class StepsEnd(FarEnd):
    """A far end with expected exchanges."""

    def __init__(self, path: str, script: Script, clock: Clock) -> None:
        super().__init__(path, script, clock)
        self._steps = script.steps
        self._ignore = script.ignore
        self._splitter = Splitter()
        self._lock = threading.Lock()
        self._next = 0
        self._n_waiting = 0  # replies that are not given yet
        self._has_begun = False
        self._found: list[str] = []

    @property
    def findings(self) -> tuple[str, ...]:
        """Return what has gone otherwise than the script says, so far."""
        return tuple(self._found)

    def join(self, receiving: Receiving) -> None:
        """Add an in-port; the first begins the steps that come by themselves."""
        super().join(receiving)
        with self._lock:
            if not self._has_begun:
                self._has_begun = True
                self._by_itself(self.clock())

    def follow(self, data: bytes, at_ns: int) -> None:
        """Compare what came with what is expected."""
        with self._lock:
            for record in joined(self._splitter.feed(data, at_ns)):
                if isinstance(record, Dropped):
                    shown = hex_words(record.data[:16])
                    self._found.append(f"bytes that are no message: {shown} ({record.reason})")
                elif record.data not in self._ignore:
                    self._compare(record.data, at_ns)

    def _compare(self, message: bytes, at_ns: int) -> None:
        shown = hex_words(message[:16]) + (" ..." if len(message) > 16 else "")
        if self._next == len(self._steps):
            self._found.append(f"{shown} came after the last step")
            return
        step = self._steps[self._next]
        if not step.expect:
            self._found.append(f"{shown} came before the steps began: no in-port is open")
            return
        if not step.fits(message):
            self._found.append(f"step {self._next + 1} expects {step.words()}, and {shown} came")
            return
        self._reply(at_ns)

    def _reply(self, at_ns: int) -> None:
        """Give the reply of the step that is done, and of those that follow by themselves."""
        step = self._steps[self._next]
        self._next += 1
        due_ns = at_ns + step.after_ns
        for message in step.reply:
            self._n_waiting += 1
            self._later.put(message, due_ns)
        self._by_itself(due_ns)

    def _by_itself(self, at_ns: int) -> None:
        if self._next < len(self._steps) and not self._steps[self._next].expect:
            self._reply(at_ns)

    def give(self, data: bytes, at_ns: int) -> None:
        """Let a reply reach every in-port."""
        with self._lock:
            self._n_waiting -= 1
            if not self.has_readers:
                self._found.append(f"the reply {hex_words(data[:16])} was not read: no in-port")
        super().give(data, at_ns)

    def end(self) -> PortError | None:
        """End its thread; return everything that went otherwise."""
        super().end()
        with self._lock:
            found = list(self._found)
            found += (
                f"step {i + 1} was never reached: {step.words() or 'a reply by itself'}"
                for i, step in enumerate(self._steps)
                if i >= self._next
            )
            if self._n_waiting:
                found.append(f"replies left unread when the port was closed: {self._n_waiting}")
            found += (
                f"unfinished at the end: {hex_words(record.data[:16])}"
                for record in self._splitter.end()
            )
        if not found:
            return None
        more = f"; and {len(found) - MAX_TOLD} more" if len(found) > MAX_TOLD else ""
        return PortError(
            f"the script was not followed: {'; '.join(found[:MAX_TOLD])}{more}",
            where=f"scripted:{self._path}",
        )


def _path(name: str) -> str:
    """Return the absolute path of a script by its name."""
    path = Path(name if name.endswith(".toml") else name + _SUFFIX)
    return str(path.absolute())


def _read(path: str) -> str:
    try:
        with Path(path).open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = (error.strerror if isinstance(error, OSError) else None) or str(error)
        raise StoreError(
            f"the script can't be read: {reason}",
            where=path,
            hint=f"scripted:NAME stands for the file NAME{_SUFFIX}",
        ) from error
    if len(data) > MAX_BYTES:
        raise InputError("a script has at most 1 MiB, and this file is larger", where=path)
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError("the script is not UTF-8", where=f"{path}:{line}") from error


def _make(name: str, settings: PortSettings, surroundings: Surroundings) -> Place:
    path = _path(name)
    clock = surroundings.clock
    if clock() < _BACK_NS.get(path, 0):
        raise PortLostError("the far end is away", where=f"scripted:{name}")
    _BACK_NS.pop(path, None)
    script = read_script(_read(path), path)
    if script.faults is None:
        return StepsEnd(path, script, clock)
    return ThroughEnd(path, script, settings, clock)


_HUB = Hub("scripted", LIMITS, _make, _path)

#: Pull the plug of a far end by its name.
pull = _HUB.pull
#: Put the plug back; the script begins anew.
put_back = _HUB.put_back


def findings(name: str) -> tuple[str, ...]:
    """Return what has gone otherwise than a script says, while a port of it is open."""
    place = _HUB.place(name)
    return place.findings if isinstance(place, FarEnd) else ()


def find(surroundings: Surroundings) -> Sequence[Found]:
    """Return the scripts that ports are open to."""
    return _HUB.find(surroundings)


def open_out(name: str, settings: PortSettings, surroundings: Surroundings) -> OutPort | None:
    """Open a port to send to a far end, which begins if it is the first."""
    return _HUB.open_out(name, settings, surroundings)


def open_in(
    name: str,
    settings: PortSettings,
    surroundings: Surroundings,
    receive: Receive,
    receive_number: ReceiveNumber | None = None,
) -> InPort | None:
    """Open a port that a far end's bytes come in by."""
    return _HUB.open_in(name, settings, surroundings, receive)
