"""Songs examined on more than one machine, by dask.distributed (the extra ``cluster``).

Songs travel as bytes and the sheet as text, so workers need no files of ours; each worker has
Knobwright installed in the same version. On a worker, a song is examined in a process of its own,
as on this machine: its limits hold, and what it breaks is not the worker.

A song that was on a worker which died is given to another one, so that the table does not depend on
who died when.
"""

from __future__ import annotations

import asyncio
import concurrent.futures
import contextlib
import logging
import queue
import time
import uuid
import warnings
from collections import deque
from collections.abc import Iterator
from importlib import import_module
from types import TracebackType
from typing import Any, NamedTuple, Self

import msgspec

from knobwright.core.errors import InputError, PortError, StoreError
from knobwright.core.fitting.row import SurveyRow
from knobwright.engine.survey import Job, not_examined
from knobwright.wiring.cluster_side import end_survey, examine_bundle, read_answer
from knobwright.wiring.survey_pool import MAX_TRIES
from knobwright.wiring.survey_work import Setup
from knobwright.wiring.survey_worker import Begin, Limits

#: What the user is told before anything is sent.
WARNING = (
    "a cluster is trusted with everything: every worker can run any code as its user, and what it "
    "sends back can run code as you"
)
#: Songs that go together in one task: at most so many, and about so many bytes.
_MAX_SONGS = 8
_TASK_BYTES = 1 << 20
#: Tasks that are under way for each thread of the cluster.
_TASKS_A_THREAD = 2
#: How often it is asked how many threads there are.
_LOOK_S = 1.0
_CONNECT_S = 15.0
#: So long may a cluster be without any worker.
_WORKER_S = 60.0
_GRACE_S = 5.0


#: What comes out of calls whose scheduler is gone: their connection is closed, or they are given up
#: in the loop's thread.
_GONE: tuple[type[BaseException], ...] = (
    OSError, RuntimeError, asyncio.CancelledError, concurrent.futures.CancelledError,
)  # fmt: skip


class Tls(NamedTuple):
    """Files in PEM: the authority that signed the scheduler, our certificate, and its key."""

    ca: str
    cert: str
    key: str


class Cluster:
    """A cluster that examines songs.

    Parameters
    ----------
    address : str
        Of the scheduler: ``tls://HOST:PORT``, or ``tcp://HOST:PORT`` where ``tls`` is ``None``.
    setup : Setup
        What to examine against.
    limits : Limits
        What one song may take.
    tls : Tls, optional
        How the two know each other. Without it nothing is encrypted, and nobody is known.

    Raises
    ------
    InputError
        The address does not fit, or dask.distributed is not installed.
    StoreError
        A file for TLS can't be read.
    PortError
        No scheduler answers, or it has no workers.
    """

    def __init__(
        self, address: str, setup: Setup, *, tls: Tls | None, limits: Limits | None = None
    ) -> None:
        _check_address(address, tls)
        self._dask = _need()
        closed = getattr(import_module("distributed.client"), "ClosedClientError", RuntimeError)
        self._gone_errors = (*_GONE, closed)
        self._address = address
        self._begin = msgspec.msgpack.encode(Begin(setup, limits or Limits()))
        self._survey = uuid.uuid4().hex
        self._client = self._connect(tls)
        self._split: deque[list[Job]] = deque()
        self._tries: dict[str, int] = {}
        self._look_again = 0.0
        self._n_wanted = 1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Leave the cluster; what is under way there is given up, and its processes end."""
        with contextlib.suppress(*self._gone_errors):
            if self._client.status == "running":
                self._client.run(end_survey, self._survey, on_error="ignore")
        with contextlib.suppress(*self._gone_errors):
            self._client.close(timeout=_CONNECT_S)

    @property
    def n_workers(self) -> int:
        """Return how many workers there are now; raises ``PortError``."""
        return len(self._threads())

    def run(self, jobs: Iterator[Job]) -> Iterator[SurveyRow]:
        """Yield one row for each job, as they come.

        Raises
        ------
        PortError
            The scheduler is gone, or all its workers.
        InputError
            A worker has another version, or no Knobwright.
        """
        waiting = _bundles(jobs)
        under_way: dict[Any, list[Job]] = {}
        done: queue.SimpleQueue[Any] = queue.SimpleQueue()
        while True:
            while len(under_way) < self._n_tasks() and (bundle := self._next(waiting)):
                under_way[self._submit(bundle, done)] = bundle
            if not under_way:
                return
            future = self._wait(done)
            yield from self._rows(future, under_way.pop(future))

    # -- the parts of it ---------------------------------------------------------------------------

    def _connect(self, tls: Tls | None) -> Any:
        security = None
        if tls is not None:
            for path in tls:
                _check_readable(path)
            security = self._dask.Security(
                tls_ca_file=tls.ca, tls_client_cert=tls.cert, tls_client_key=tls.key,
                require_encryption=True,
            )  # fmt: skip
        try:
            client = self._dask.Client(
                self._address, security=security, timeout=_CONNECT_S, set_as_default=False
            )
        except (OSError, TimeoutError, ValueError) as error:
            reason = str(error).partition("\n")[0] or type(error).__name__
            raise PortError(
                f"no scheduler answers: {reason}",
                where=self._address,
                hint="is it started, and do the certificates fit?",
            ) from error
        try:
            client.wait_for_workers(1, timeout=_WORKER_S)
        except TimeoutError as error:
            client.close()
            raise PortError(
                "the scheduler has no workers", where=self._address, hint="start some: dask worker"
            ) from error
        return client

    def _n_tasks(self) -> int:
        """Return how many tasks should be under way; workers may come and go."""
        now = time.monotonic()
        if now >= self._look_again:
            self._look_again = now + _LOOK_S
            self._n_wanted = max(1, sum(self._threads().values()) * _TASKS_A_THREAD)
        return self._n_wanted

    def _threads(self) -> dict[str, int]:
        """Return how many threads each worker has."""
        try:
            found: dict[str, int] = self._client.nthreads()
        except self._gone_errors as error:
            raise self._gone() from error
        return found

    def _submit(self, bundle: list[Job], done: queue.SimpleQueue[Any]) -> Any:
        try:
            # Not pure: a task that failed must not be taken for this one, tried again.
            future = self._client.submit(
                examine_bundle,
                self._survey,
                self._begin,
                msgspec.msgpack.encode(bundle),
                pure=False,
            )
        except self._gone_errors as error:
            raise self._gone() from error
        future.add_done_callback(done.put)
        return future

    def _gone(self) -> PortError:
        return PortError(
            "the scheduler is gone", where=self._address,
            hint="start it and run this again: what was done is kept",
        )  # fmt: skip

    def _next(self, waiting: Iterator[list[Job]]) -> list[Job] | None:
        return self._split.popleft() if self._split else next(waiting, None)

    def _wait(self, done: queue.SimpleQueue[Any]) -> Any:
        """Return the next task that has ended; say so where nobody works any more."""
        idle_s = 0.0
        while True:
            try:
                return done.get(timeout=_GRACE_S)
            except queue.Empty as error:
                if self._client.status != "running":
                    raise self._gone() from error
                idle_s = 0.0 if self.n_workers else idle_s + _GRACE_S
                if idle_s >= _WORKER_S:
                    raise PortError(
                        "the scheduler has no workers any more", where=self._address,
                        hint="start workers and run it again: what was done is kept",
                    ) from error  # fmt: skip

    def _answer(self, future: Any) -> bytes | None:
        """Return what a task has answered; ``None`` where it failed, or is lost on its way here."""
        if future.status != "finished":
            return None
        with contextlib.suppress(*self._gone_errors):
            found: bytes = future.result(timeout=_CONNECT_S)
            return found
        return None

    def _rows(self, future: Any, bundle: list[Job]) -> list[SurveyRow]:
        """Return the rows of a task; have its songs tried again, each alone, where it failed."""
        answer = self._answer(future)
        if answer is not None:
            refused, rows = read_answer(answer)
            if refused:
                raise InputError(refused, where=self._address)
            return rows
        if self._client.status != "running":
            raise self._gone()
        error = future.exception() if future.status == "error" else None
        if isinstance(error, ImportError):
            raise InputError(
                f"a worker can't import what it needs: {error}",
                where=self._address,
                hint="install the same version of Knobwright for every worker",
            ) from error
        words = type(error).__name__ if error is not None else future.status
        out = []
        for job in bundle:
            self._tries[job.path] = self._tries.get(job.path, 0) + 1
            if self._tries[job.path] < MAX_TRIES:
                self._split.append([job])
            else:
                n = self._tries[job.path]
                told = f"the workers that examined it died or failed {n} times ({words})"
                out.append(not_examined(job, job.version, told))
        return out


def _bundles(jobs: Iterator[Job]) -> Iterator[list[Job]]:
    """Yield jobs in bundles: small songs together, so that the way there costs less."""
    bundle: list[Job] = []
    n_bytes = 0
    for job in jobs:
        bundle.append(job)
        n_bytes += len(job.data)
        if len(bundle) >= _MAX_SONGS or n_bytes >= _TASK_BYTES:
            yield bundle
            bundle, n_bytes = [], 0
    if bundle:
        yield bundle


def _check_readable(path: str) -> None:
    try:
        with open(path, "rb"):
            return
    except OSError as error:
        raise StoreError(
            f"the file for TLS can't be read: {error.strerror or error}",
            where=path,
            hint="check the name and who may read it",
        ) from error


def _check_address(address: str, tls: Tls | None) -> None:
    if tls is not None and not address.startswith("tls://"):
        raise InputError(
            "with certificates, the address of a scheduler begins with tls://", where=address,
            hint="tcp:// encrypts nothing and knows nobody: only with --no-tls",
        )  # fmt: skip
    if tls is None and not address.startswith("tcp://"):
        raise InputError(
            "without TLS, the address of a scheduler begins with tcp://", where=address
        )


def _need() -> Any:
    try:
        # What it would print in the midst of our own lines is told by our errors.
        logging.getLogger("distributed").setLevel(logging.CRITICAL)
        warnings.filterwarnings("ignore", "Sending large graph", UserWarning)  # a large song
        return import_module("distributed")
    except ImportError as error:
        raise InputError(
            "a cluster needs the module 'distributed'", hint="pip install 'knobwright[cluster]'"
        ) from error
