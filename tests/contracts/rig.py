"""What the contract suite needs of a kind of port: a way out that leads to a way in.

A rig is made by a context manager, one for each kind: those without a driver stand in ``plain.py``,
those on drivers in ``drivers.py``.
"""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple

from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.table import open_in, open_out
from knobwright.core.interfaces import InPort, OutPort, Receive

#: How long something may take to arrive, in seconds: long, for the machine may be busy.
ARRIVES_S = 20.0


class Rig(NamedTuple):
    """Two addresses: what is sent to the one arrives at the other, in any pieces, unchanged.

    ``is_live`` is ``False`` where the in-port is opened after all was sent (a file). ``lose`` makes
    the far end go away, so that the out-port (and the in-port, where ``loses_in``) is lost;
    ``put_back`` brings it back; ``None`` where the kind can't tell.
    """

    out: str
    in_: str
    settings: PortSettings = PortSettings()
    surroundings: Surroundings = Surroundings()
    is_live: bool = True
    lose: Callable[[], None] | None = None
    put_back: Callable[[], None] | None = None
    loses_in: bool = True

    def open_out(self) -> OutPort:
        """Open the way out."""
        return open_out(self.out, self.settings, self.surroundings)

    def open_in(self, receive: Receive) -> InPort:
        """Open the way in."""
        return open_in(self.in_, self.settings, self.surroundings, receive=receive)


class Arrived:
    """Keeps what arrived, with its times."""

    def __init__(self) -> None:
        self.pieces: list[tuple[bytes, int]] = []
        self._changed = threading.Condition()

    def __call__(self, data: bytes, at_ns: int) -> None:
        with self._changed:
            self.pieces.append((data, at_ns))
            self._changed.notify_all()

    @property
    def data(self) -> bytes:
        """Return all bytes."""
        return b"".join(data for data, _ in self.pieces)

    @property
    def times(self) -> list[int]:
        """Return the times, in the order of arrival."""
        return [at_ns for _, at_ns in self.pieces]

    def wait(self, n_bytes: int) -> bool:
        """Wait until so many bytes have come."""
        with self._changed:
            return self._changed.wait_for(lambda: len(self.data) >= n_bytes, ARRIVES_S)


def carry(rig: Rig, pieces: Iterable[bytes]) -> Arrived:
    """Send pieces, and return what has arrived once it is as many bytes."""
    arrived = Arrived()
    todo = list(pieces)
    source = rig.open_in(arrived) if rig.is_live else None
    out = rig.open_out()
    try:
        for piece in todo:
            out.send(piece)
        if source is None:
            out.close()
            source = rig.open_in(arrived)
        arrived.wait(sum(map(len, todo)))
    finally:
        out.close()
        if source is not None:
            source.close()
    return arrived


def becomes(true: Callable[[], bool]) -> bool:
    """Return whether something comes true in time."""
    end_ns = time.monotonic_ns() + int(ARRIVES_S * 1e9)
    while not true():
        if time.monotonic_ns() > end_ns:
            return False
        time.sleep(0.005)
    return True


def n_handles() -> int:
    """Return how many files, sockets and pipes this process has open (0 where it can't tell)."""
    folder = Path("/proc/self/fd")
    return len(os.listdir(folder)) if folder.is_dir() else 0
