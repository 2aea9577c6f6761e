"""Rigs of the kinds that stand on a driver: a pseudo-terminal, a JACK server, the network."""

from __future__ import annotations

import contextlib
import errno
import os
import pty
import select
import socket
import tempfile
import threading
import tty
from collections.abc import Iterator
from pathlib import Path

from tests.contracts.rig import Rig
from tests.instruments.jackd import jack_server, relay


class Loop:
    """A serial line whose far end sends back what it gets: a loop of cable.

    Two ends of a pseudo-terminal stand for it. It models no speed, no control lines. ``path`` is
    a link to the device, which stays when the device is pulled and put back.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._far = -1
        self._near = -1
        self._wake: tuple[int, int] = (-1, -1)
        self._thread: threading.Thread | None = None

    def plug(self) -> None:
        """Put the line in."""
        self._far, self._near = pty.openpty()
        tty.setraw(self._near)
        os.set_blocking(self._far, False)
        self._wake = os.pipe()
        self.path.symlink_to(os.ttyname(self._near))
        self._thread = threading.Thread(target=self._carry, name="loop", daemon=True)
        self._thread.start()

    def pull(self) -> None:
        """Pull the line out; a second time does nothing."""
        thread, self._thread = self._thread, None
        if thread is None:
            return
        os.close(self._wake[1])
        thread.join(10)
        self.path.unlink()
        for handle in (self._far, self._near, self._wake[0]):
            os.close(handle)

    def _carry(self) -> None:
        waiting = b""
        while True:
            reading, writing, _ = select.select(
                [self._wake[0], self._far], [self._far] if waiting else [], []
            )
            if self._wake[0] in reading:
                return
            try:
                if self._far in reading:
                    waiting += os.read(self._far, 65_536)
                if writing:
                    waiting = waiting[os.write(self._far, waiting) :]
            except OSError as error:
                if error.errno not in (errno.EAGAIN, errno.EIO):
                    raise


@contextlib.contextmanager
def serial_pair() -> Iterator[Rig]:
    """A serial line with a loop of cable at its end; one device for both directions."""
    with tempfile.TemporaryDirectory() as folder:
        loop = Loop(Path(folder, "line"))
        loop.plug()
        try:
            address = f"serial:{loop.path}"
            yield Rig(address, address, lose=loop.pull, put_back=loop.plug)
        finally:
            loop.pull()


@contextlib.contextmanager
def jack_pair() -> Iterator[Rig]:
    """Ports of another program on a JACK server: it gives out what it gets."""
    with jack_server() as server, relay(server) as far:
        yield Rig("rtmidi:far:in", "rtmidi:far:out", lose=far.stop, put_back=far.start)


@contextlib.contextmanager
def osc_pair() -> Iterator[Rig]:
    """A UDP port of this machine."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        number = probe.getsockname()[1]
    address = f"osc:127.0.0.1:{number}"
    yield Rig(address, address)
