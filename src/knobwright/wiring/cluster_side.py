"""What a worker of a cluster does for a survey: it keeps processes and has songs examined in them.

Bytes go both ways: nothing of ours is unpacked as code at either end. A process is kept from one
bundle of songs to the next, and ended when its survey is over or has not been heard of for a while.
"""

from __future__ import annotations

import threading
import time
from typing import NamedTuple

import msgspec

from knobwright.core.errors import InputError
from knobwright.core.fitting.row import SurveyRow
from knobwright.engine.survey import Job
from knobwright.wiring.survey_pool import Pool
from knobwright.wiring.survey_worker import Begin

#: A process that waits longer than this is ended when the next bundle comes, whosever it is.
_IDLE_S = 300.0
#: Most surveys that are remembered as over.
_MAX_OVER = 1000


class _Waiting(NamedTuple):
    """A pool of one process that waits for the next bundle of its survey, and since when."""

    survey: str
    pool: Pool
    since: float


class _Shelf:
    """The processes of this worker, whichever of its threads uses them."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: list[_Waiting] = []
        self._over: dict[str, None] = {}

    def take(self, survey: str, begin: bytes) -> Pool:
        """Return a pool of a survey, started with its first frame where none waits."""
        oldest = time.monotonic() - _IDLE_S
        with self._lock:
            stale = [row for row in self._waiting if row.since < oldest]
            mine = next((r for r in self._waiting if r.survey == survey and r not in stale), None)
            self._waiting = [row for row in self._waiting if row not in stale and row is not mine]
        for row in stale:
            row.pool.close()
        if mine is not None:
            return mine.pool
        first = msgspec.msgpack.decode(begin, type=Begin)
        return Pool(1, first.setup, first.limits)

    def give_back(self, survey: str, pool: Pool) -> None:
        """Keep a pool for the next bundle, unless its survey is over."""
        with self._lock:
            if survey not in self._over:
                self._waiting.append(_Waiting(survey, pool, time.monotonic()))
                return
        pool.close()

    def end(self, survey: str) -> None:
        """End the processes of a survey that wait; those at work end with their bundle."""
        with self._lock:
            self._over[survey] = None
            while len(self._over) > _MAX_OVER:
                del self._over[next(iter(self._over))]
            mine = [row for row in self._waiting if row.survey == survey]
            self._waiting = [row for row in self._waiting if row.survey != survey]
        for row in mine:
            row.pool.close()


_shelf = _Shelf()


def examine_bundle(survey: str, begin: bytes, bundle: bytes) -> bytes:
    """Examine songs on a worker.

    Parameters
    ----------
    survey : str
        Which survey they belong to.
    begin : bytes
        Set-up and limits in MessagePack.
    bundle : bytes
        A list of jobs in MessagePack.

    Returns
    -------
    bytes
        For :func:`read_answer`.
    """
    jobs = msgspec.msgpack.decode(bundle, type=list[Job])
    pool = _shelf.take(survey, begin)
    try:
        answer: tuple[str, list[SurveyRow]] = "", list(pool.run(iter(jobs)))
    except InputError as error:
        answer = error.message, []
    except BaseException:
        pool.close()
        raise
    _shelf.give_back(survey, pool)
    return msgspec.msgpack.encode(answer)


def end_survey(survey: str) -> None:
    """End what a worker keeps for a survey."""
    _shelf.end(survey)


def read_answer(data: bytes) -> tuple[str, list[SurveyRow]]:
    """Return why the set-up was refused (empty where it was not), and the rows."""
    return msgspec.msgpack.decode(data, type=tuple[str, list[SurveyRow]])
