"""Processes of this machine that examine songs; a song that ends its process is a row, no more.

Each process has a thread here that hands it one song after the other and waits for the row. The
loop in :meth:`Pool.run` alone decides: it hands out jobs, ends a process whose song takes too long,
and tries a song again whose process died, alone, before it is called a fault of the song's.
"""

from __future__ import annotations

import contextlib
import os
import queue
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Iterator
from types import TracebackType
from typing import NamedTuple, Self

import msgspec

from knobwright.core.errors import InputError, StoreError
from knobwright.core.fitting.row import SurveyRow
from knobwright.core.fitting.survey import troubled
from knobwright.engine.survey import Job, not_examined
from knobwright.wiring.survey_work import Setup
from knobwright.wiring.survey_worker import Begin, Limits, read_frame, write_frame

#: How often a song is tried whose process dies.
MAX_TRIES = 3
#: How long a process may take until it is ready.
_START_S = 60.0
#: So many processes in a row that end before they are ready, and it is given up.
_MAX_BAD_STARTS = 3
_END_S = 5.0
_LONG_S = 3600.0


class Came(NamedTuple):
    """What a process's thread tells: it is ready (``row`` and ``words`` empty), has a row, refused
    the set-up (``words``), or has died."""

    hand: Hand
    row: SurveyRow | None = None
    words: str = ""
    is_dead: bool = False


class Hand:
    """One process and the thread that talks with it.

    ``job`` is what it works on, ``until`` when that has taken too long (seconds of the monotonic
    clock).
    """

    def __init__(self, begin: bytes, came: queue.SimpleQueue[Came]) -> None:
        self.job: Job | None = None
        self.until = time.monotonic() + _START_S
        self.is_ready = False
        self.is_late = False
        self._came = came
        self._orders: queue.SimpleQueue[bytes | None] = queue.SimpleQueue()
        self._orders.put(begin)
        self._process = _start_process()
        self._thread = threading.Thread(target=self._run, name="survey hand", daemon=True)
        self._thread.start()

    @property
    def pid(self) -> int:
        """Return the number of the process."""
        return self._process.pid

    def give(self, job: Job, seconds: float) -> None:
        """Hand it a job."""
        self.job = job
        self.until = time.monotonic() + seconds
        self._orders.put(msgspec.msgpack.encode(job))

    def kill(self) -> None:
        """End the process now."""
        self._process.kill()

    def end(self) -> None:
        """End the process and the thread, whatever they do; wait until they have."""
        self._orders.put(None)
        self._process.kill()
        self._thread.join(_END_S)

    def why(self) -> str:
        """Return how the process ended, in words."""
        code = self._process.poll()
        if code is not None and code < 0:
            return f"signal {-code}"
        return f"status {code}"

    def _run(self) -> None:
        """Write an order, read its answer, and so on until the end of either."""
        process = self._process
        assert process.stdin is not None
        assert process.stdout is not None
        with contextlib.suppress(OSError), process:
            first = True
            while (order := self._orders.get()) is not None:
                write_frame(process.stdin, order)
                answer = read_frame(process.stdout)
                if answer is None:
                    break
                if first:
                    self._came.put(Came(self, words=msgspec.msgpack.decode(answer, type=str)))
                    first = False
                else:
                    row = msgspec.msgpack.decode(answer, type=SurveyRow)
                    self._came.put(Came(self, row))
        # Behind the `with` the process has ended, so that it can be said how.
        self._came.put(Came(self, is_dead=True))


def _start_process() -> subprocess.Popen[bytes]:
    """Start a process with a fresh interpreter that finds the same modules as this one."""
    places = os.pathsep.join(place for place in sys.path if place)
    try:
        return subprocess.Popen(
            # -P: a module in the folder where the user stands must not take another's place.
            [sys.executable, "-P", "-m", "knobwright.wiring.survey_worker"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            # One song is small: threads inside a process would only get in the others' way.
            env=os.environ | {"PYTHONPATH": places, "OPENBLAS_NUM_THREADS": "1"},
        )
    except OSError as error:
        raise StoreError(
            f"no process can be started: {error.strerror or error}",
            hint="close other programs, or survey with --processes 1",
        ) from error


class Pool:
    """Processes that examine songs.

    Parameters
    ----------
    n : int >= 1
        How many at once.
    setup : Setup
        What to examine against.
    limits : Limits
        What one song may take.

    Raises
    ------
    StoreError
        From :meth:`run`: no process can be started.
    InputError
        From :meth:`run`: a worker refuses the set-up.
    """

    def __init__(self, n: int, setup: Setup, limits: Limits | None = None) -> None:
        self._n = n
        self._limits = Limits() if limits is None else limits
        self._begin = msgspec.msgpack.encode(Begin(setup, self._limits))
        self._came: queue.SimpleQueue[Came] = queue.SimpleQueue()
        self._hands: set[Hand] = set()
        self._again: deque[Job] = deque()
        self._tries: dict[str, int] = {}
        self._n_bad_starts = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def pids(self) -> tuple[int, ...]:
        """Return the numbers of the processes."""
        return tuple(sorted(hand.pid for hand in self._hands))

    def close(self) -> None:
        """End all processes."""
        for hand in self._hands:
            hand.end()
        self._hands.clear()

    def run(self, jobs: Iterator[Job]) -> Iterator[SurveyRow]:
        """Yield one row for each job, as they come."""
        job = next(jobs, None)
        while job is not None or any(h.job is not None for h in self._hands):
            hand = None if job is None else self._free_hand()
            if job is not None and hand is not None:
                hand.give(job, self._limits.seconds)
                job = next(jobs, None)
            else:
                row = self._next()
                if row is not None:
                    yield row
            if self._again and job is None:
                job = self._again.popleft()

    def _free_hand(self) -> Hand | None:
        """Return a process that waits for a job; start the missing ones."""
        while len(self._hands) < self._n:
            self._hands.add(Hand(self._begin, self._came))
        return next((h for h in self._hands if h.is_ready and h.job is None), None)

    def _next(self) -> SurveyRow | None:
        """Wait for something to happen; return the row that came of it, if one did."""
        busy = [h for h in self._hands if h.job is not None or not h.is_ready]
        first = min(busy, key=lambda h: h.until)
        try:
            left = first.until - time.monotonic()
            came = self._came.get(timeout=min(max(0.0, left), _LONG_S))
        except queue.Empty:
            if first.until < time.monotonic():
                first.is_late = True
                first.until = float("inf")  # its death is told next
                first.kill()
            return None
        hand = came.hand
        if hand not in self._hands:
            return None  # the last words of one that was ended
        if came.is_dead:
            return self._bury(hand)
        if came.row is None:
            if came.words:
                raise InputError(came.words)
            hand.is_ready = True
            self._n_bad_starts = 0
            return None
        hand.job = None
        return came.row

    def _bury(self, hand: Hand) -> SurveyRow | None:
        """Take a dead process away; return the row of its song, or have that tried again."""
        self._hands.remove(hand)
        hand.end()
        job = hand.job
        if not hand.is_ready:
            self._n_bad_starts += 1
            if self._n_bad_starts >= _MAX_BAD_STARTS:
                raise StoreError(
                    f"the processes that examine songs end before they are ready ({hand.why()})",
                    hint="is there memory left? Survey with --processes 1",
                )
            return None
        if job is None:
            return None
        if hand.is_late:
            words = f"it took longer than {self._limits.seconds:g} s, and was given up"
            return troubled(job.path, job.size, job.mtime_ns, job.version, job.settings, words)
        tries = self._tries.get(job.path, 0) + 1
        self._tries[job.path] = tries
        if tries < MAX_TRIES:
            self._again.append(job)
            return None
        words = f"the process that examined it died {tries} times ({hand.why()})"
        return not_examined(job, job.version, words)
