"""A ``knobwright`` command in a process of its own, as a user starts it in a terminal."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from tests.policy.tree import ROOT

#: Two busy processors: far more than anything here should take.
PATIENCE_S = 20.0


class Running:
    """A command at work: what it prints, line by line, and ways to type to it and to end it.

    Parameters
    ----------
    words : sequence of object
        The words behind the program's name.
    before : sequence of str
        Words of a program that starts it, such as one that sets a limit.
    """

    def __init__(self, *words: object, before: tuple[str, ...] = ()) -> None:
        self._came = threading.Condition()
        self.out: list[str] = []
        self.err: list[str] = []
        self.process = subprocess.Popen(
            [*before, sys.executable, "-m", "knobwright", *map(str, words)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=os.environ | {"PYTHONPATH": str(ROOT / "src"), "PYTHONUNBUFFERED": "1"},
            text=True,
            encoding="utf-8",
            start_new_session=True,  # a group of its own, for an interrupt as a terminal sends it
        )
        assert self.process.stdout is not None
        assert self.process.stderr is not None
        pairs = ((self.process.stdout, self.out), (self.process.stderr, self.err))
        self._threads = [threading.Thread(target=self._read, args=pair) for pair in pairs]
        for thread in self._threads:
            thread.start()

    def _read(self, stream: IO[str], lines: list[str]) -> None:
        for line in stream:
            with self._came:
                lines.append(line.rstrip("\n"))
                self._came.notify_all()

    @property
    def all(self) -> list[str]:
        """Everything printed so far, standard error first."""
        return [*self.err, *self.out]

    def wait_for(self, words: str, within_s: float = PATIENCE_S) -> str:
        """Wait for a line that holds these words, and return it."""

        def found() -> list[str]:
            return [line for line in self.all if words in line]

        with self._came:
            came = self._came.wait_for(lambda: bool(found()), within_s)
        assert came, f"{words!r} was never said: {self.all}"
        return found()[0]

    def type(self, line: str) -> None:
        """Type a line."""
        assert self.process.stdin is not None
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def interrupt(self) -> None:
        """Press Ctrl-C: as in a terminal, every process of the group gets the signal."""
        os.killpg(self.process.pid, signal.SIGINT)

    def kill(self) -> None:
        """End the command alone, with no time for anything."""
        self.process.kill()

    def end(self, while_waiting: Callable[[], object] = lambda: None) -> int:
        """Wait for its end, and return its exit status."""
        for _ in range(int(PATIENCE_S / 0.05)):
            while_waiting()
            try:
                status = self.process.wait(0.05)
            except subprocess.TimeoutExpired:
                continue
            while_waiting()
            for thread in self._threads:
                thread.join(PATIENCE_S)
            return status
        raise AssertionError(f"it does not end: {self.all}")

    def close(self) -> None:
        """End it if it runs still, and let go of its pipes."""
        if self.process.poll() is None:
            self.process.terminate()
            try:
                self.process.wait(PATIENCE_S)
            except subprocess.TimeoutExpired:
                self.process.kill()
                self.process.wait()
        for thread in self._threads:
            thread.join(PATIENCE_S)
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            assert stream is not None
            stream.close()


@contextmanager
def running(*words: object, before: tuple[str, ...] = ()) -> Iterator[Running]:
    """Run a command; it is ended at the end."""
    command = Running(*words, before=before)
    try:
        yield command
    finally:
        command.close()


def engine_of(command: Running) -> int:
    """Return the process number of the engine that a command has started (Linux)."""
    for child in Path("/proc").glob("[0-9]*"):
        try:
            stat = (child / "stat").read_text(encoding="utf-8")
            words = (child / "cmdline").read_bytes()
        except OSError:  # it has ended meanwhile
            continue
        parent = int(stat.rpartition(")")[2].split()[1])
        # The other child, which looks after what processes share, is started in another way.
        if parent == command.process.pid and b"spawn_main" in words:
            return int(child.name)
    raise AssertionError("the command has no engine")
