"""A far end on a pseudo-terminal, which takes bytes at any speed and keeps none of its own."""

from __future__ import annotations

import os
import select
import time
import tty
from pathlib import Path

from knobwright.core.wire import Message, Splitter

#: Two busy processors: far more than anything here should take.
PATIENCE_S = 30.0


class FarEnd:
    """A serial line whose other end is in our hand; ``path`` is what to open.

    ``path`` is a link to the device, so that a pulled cable can be put back under the same name.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._handle = -1
        self._near = -1
        self._splitter = Splitter()
        self.messages: list[str] = []
        self.times: list[float] = []
        self.put_in()

    @property
    def address(self) -> str:
        """How the line is named as a port."""
        return f"serial:{self.path}"

    def put_in(self) -> None:
        """Plug the cable in."""
        self._handle, self._near = os.openpty()
        tty.setraw(self._near)
        self._splitter = Splitter()
        beside = self.path.with_suffix(".new")
        beside.symlink_to(os.ttyname(self._near))
        beside.replace(self.path)

    def pull(self) -> None:
        """Pull the cable."""
        self.path.unlink()
        self.close()

    def close(self) -> None:
        """Let go of both ends."""
        for handle in (self._handle, self._near):
            if handle >= 0:
                os.close(handle)
        self._handle = self._near = -1

    def send(self, text: str) -> None:
        """Send bytes, given in hex, to whoever has the line open."""
        os.write(self._handle, bytes.fromhex(text))

    def read(self, timeout_s: float = 0.0) -> None:
        """Take what has come."""
        while select.select([self._handle], [], [], timeout_s)[0]:
            data = os.read(self._handle, 4096)
            for record in self._splitter.feed(data):
                assert isinstance(record, Message), record
                self.messages.append(record.data.hex(" "))
                self.times.append(time.monotonic())
            timeout_s = 0.0

    def wait_for(self, message: str, *, after: int = 0) -> float:
        """Wait for a message behind the first ``after`` ones; return when it came."""
        deadline = time.monotonic() + PATIENCE_S
        while message not in self.messages[after:]:
            assert time.monotonic() < deadline, f"{message} never came: {self.messages}"
            self.read(0.05)
        return self.times[self.messages.index(message, after)]
