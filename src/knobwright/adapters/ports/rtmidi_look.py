"""Looks now and then which ports of a JACK server are joined, without making a client each time.

A program that ends and comes again within half a second has a port of the same name, and nobody is
joined to it: the driver goes on sending to nobody, and hears nothing. Only the server knows.

One client of ours, without ports and never at work, is kept for asking. It is never closed once
its server has ended: JACK's library frees it by itself then (see ``rtmidi_driver.py``).
"""

from __future__ import annotations

import atexit
import ctypes
import os
import select
import socket
from typing import Any

from knobwright.adapters.ports import rtmidi_driver as driver

_NAME = b"Knobwright look"
_NO_START = 1  # JackNoStartServer


class _Looker:
    """A client of a server that runs."""

    def __init__(self, lib: Any, handle: int, sockets: list[socket.socket]) -> None:
        self.lib = lib
        self.handle = handle
        self.server = os.environ.get("JACK_DEFAULT_SERVER", "")
        self._sockets = sockets
        self._poll = select.poll()
        for each in sockets:
            self._poll.register(each, select.POLLHUP)

    @property
    def is_alive(self) -> bool:
        """Return whether its server still runs, and is the one that is meant."""
        is_meant = os.environ.get("JACK_DEFAULT_SERVER", "") == self.server
        return is_meant and not self._poll.poll(0)

    def forget(self) -> None:
        """Let it go; the client itself only where its server runs."""
        if not self._poll.poll(0):
            self.lib.jack_client_close(self.handle)
        for each in self._sockets:
            each.close()


_looker: _Looker | None = None


def joined_to(port: str) -> tuple[str, ...] | None:
    """Return the raw names of the ports that a port is joined to; empty where there is no such.

    ``None`` where the server can't be asked: then nothing is known.
    """
    with driver.LOCK:
        looker = _alive()
        if looker is None:
            return None
        handle = looker.lib.jack_port_by_name(looker.handle, port.encode())
        if not handle:
            return ()
        rows = looker.lib.jack_port_get_all_connections(looker.handle, handle)
        return driver.texts(looker.lib, rows)


def _alive() -> _Looker | None:
    """Return the looker of the server that runs; made anew where the last one's has ended."""
    global _looker
    if _looker is not None and not _looker.is_alive:
        forget()
    if _looker is None:
        _looker = _made()
    return _looker


def _made() -> _Looker | None:
    lib = driver.jack_library()
    if lib is None:
        return None
    before = driver.descriptors()
    with driver.quiet():
        driver.forget_the_dead()
        handle = lib.jack_client_open(_NAME, _NO_START, ctypes.byref(ctypes.c_int()))
        driver.forget_the_dead()
    if not handle:
        return None
    sockets = driver.server_sockets(before)
    looker = _Looker(lib, handle, sockets)
    if sockets:
        return looker
    looker.forget()  # the end of its server would go unseen: better none
    return None


def forget() -> None:
    """Let the looker go; a server waits seconds for a client that was left behind."""
    global _looker
    with driver.LOCK:
        looker, _looker = _looker, None
        if looker is not None:
            looker.forget()


atexit.register(forget)
