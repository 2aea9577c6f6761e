"""A JACK server of one's own, with the dummy driver: real MIDI ports without a sound card.

It has a name of its own, so that several can run at once, and is ended by its process number.
"""

from __future__ import annotations

import contextlib
import itertools
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

RATE = 48_000
STARTS_S = 20.0
_COUNT = itertools.count(1)
_RELAY = Path(__file__).with_name("relay.py")


class JackServer:
    """A server that is started, killed and started again under one name.

    ``-S`` is synchronous mode: without it messages are dropped without a word (seen on 1.9.21).
    ``-r`` is no real-time scheduling, which a plain account may not ask for.
    """

    def __init__(self, period: int = 256) -> None:
        self.name = f"kw{os.getpid()}n{next(_COUNT)}"
        self.period = period
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and return when it answers."""
        jackd = [_program("jackd"), "-n", self.name, "-r", "-S", "-d", "dummy"]
        self._process = subprocess.Popen(
            [*bound_to_us(), *jackd, "-r", str(RATE), "-p", str(self.period)],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        wait_until(self.answers, "the JACK server did not start")

    def answers(self) -> bool:
        """Return whether a client of another program can join it."""
        import jack

        silence(jack)
        try:
            jack.Client("knock", servername=self.name, no_start_server=True).close()
        except jack.JackError:
            return False
        return True

    def kill(self) -> None:
        """End it with no time for good-byes, like a crash."""
        self._end(signal.SIGKILL)

    def stop(self) -> None:
        """End it in order; a second time does nothing."""
        self._end(signal.SIGTERM)

    def _end(self, how: signal.Signals) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.send_signal(how)
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)


class Relay:
    """A program of its own that gives out at ``far:out`` what comes in at ``far:in``."""

    def __init__(self, server: JackServer, name: str = "far") -> None:
        self._server = server
        self._name = name
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it, and return when its ports are there."""
        self._process = subprocess.Popen(
            [*bound_to_us(), sys.executable, "-P", str(_RELAY), self._server.name, self._name],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        assert self._process.stdout is not None
        if self._process.stdout.readline() != b"ready\n":
            self.stop()
            pytest.fail("the relay could not join the server")

    def stop(self) -> None:
        """End it; a second time does nothing."""
        process, self._process = self._process, None
        if process is None:
            return
        assert process.stdin is not None
        assert process.stdout is not None
        process.stdin.close()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)
        process.stdout.close()


@contextlib.contextmanager
def jack_server(period: int = 256) -> Iterator[JackServer]:
    """Run a server, which is the one that clients of this process join meanwhile."""
    before = os.environ.get("JACK_DEFAULT_SERVER")
    server = JackServer(period)
    os.environ["JACK_DEFAULT_SERVER"] = server.name
    try:
        server.start()
        yield server
    finally:
        server.stop()
        for left in Path("/dev/shm").glob(f"*_{server.name}_*"):  # what a kill leaves behind
            left.unlink(missing_ok=True)
        if before is None:
            del os.environ["JACK_DEFAULT_SERVER"]
        else:
            os.environ["JACK_DEFAULT_SERVER"] = before


@contextlib.contextmanager
def relay(server: JackServer, name: str = "far") -> Iterator[Relay]:
    """Run a relay."""
    made = Relay(server, name)
    made.start()
    try:
        yield made
    finally:
        made.stop()


def bound_to_us() -> list[str]:
    """Return what stands before a command so that it ends with us, even if we are killed."""
    setpriv = shutil.which("setpriv")
    return [setpriv, "--pdeathsig", "TERM"] if setpriv else []


def silence(jack: object) -> None:
    """Keep the test's own JACK library from writing to standard error."""
    for name in ("set_error_function", "set_info_function"):
        getattr(jack, name)(lambda _: None)


def wait_until(true: Callable[[], bool], words: str, within_s: float = STARTS_S) -> None:
    """Wait until a call returns true, or fail with these words."""
    end_ns = time.monotonic_ns() + int(within_s * 1e9)
    while not true():
        assert time.monotonic_ns() < end_ns, words
        time.sleep(0.01)


def _program(name: str) -> str:
    found = shutil.which(name)
    if found is None:
        pytest.skip(f"{name} is not installed (Debian: apt install {name}2)")
    return found
