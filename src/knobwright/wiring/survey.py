"""A folder of songs against a module: joins files, table and workers."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import ExitStack
from typing import NamedTuple

from knobwright import __version__
from knobwright.adapters.clock import monotonic_ns
from knobwright.adapters.files.song_folder import SongFile, find_songs, read_song_bytes
from knobwright.adapters.files.survey_table import TableFile
from knobwright.engine.survey import Known, Progress, Survey, Surveyed, Work
from knobwright.wiring.survey_pool import Pool
from knobwright.wiring.survey_work import Setup
from knobwright.wiring.survey_worker import Limits

#: Most processes that are started on one machine.
MAX_PROCESSES = 256


class Scheduler(NamedTuple):
    """Where a cluster is: the address of its scheduler, and the files for TLS (``None``: none)."""

    address: str
    tls: tuple[str, str, str] | None


class Wanted(NamedTuple):
    """A survey: which folder, into which table, against what, by whom.

    ``processes`` is not looked at where there is a ``scheduler``.
    """

    folder: str
    table: str
    setup: Setup
    processes: int = 1
    scheduler: Scheduler | None = None
    limits: Limits = Limits()


def n_processors() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return max(1, len(os.sched_getaffinity(0)))
    return os.cpu_count() or 1


def run_survey(
    wanted: Wanted,
    tell: Callable[[Progress], None],
    tell_trouble: Callable[[str, str], None],
) -> Surveyed:
    """Survey a folder; return all rows.

    However it ends, the table holds every row that there is, and the next run goes on from there.

    Parameters
    ----------
    wanted : Wanted
        What to do.
    tell : callable
        Is told how far it is.
    tell_trouble : callable
        Takes the path of a folder that can't be looked into, and why.

    Raises
    ------
    InputError
        The name of the table asks for no form, or the cluster's address does not fit.
    StoreError
        The folder can't be read, the table can't be written or is none.
    PortError
        The cluster can't be reached, or is gone.
    """
    with ExitStack() as stack:
        # The table first: whoever waits for thousands of songs wants to know at once.
        table = stack.enter_context(TableFile(wanted.table))
        files = find_songs(wanted.folder, tell_trouble)
        work = _workers(wanted, stack)
        return Survey(
            [Known(file.told, file.size, file.mtime_ns) for file in files],
            _reader(files),
            table,
            work,
            version=__version__,
            settings=wanted.setup.settings,
            clock=monotonic_ns,
            tell=tell,
        ).run()


def _workers(wanted: Wanted, stack: ExitStack) -> Work:
    if wanted.scheduler is None:
        n = max(1, min(wanted.processes, MAX_PROCESSES))
        return stack.enter_context(Pool(n, wanted.setup, wanted.limits))
    from knobwright.wiring.cluster import Cluster, Tls  # late: it is an extra, and slow to start

    address, files = wanted.scheduler
    tls = None if files is None else Tls(*files)
    cluster = Cluster(address, wanted.setup, tls=tls, limits=wanted.limits)
    return stack.enter_context(cluster)


def _reader(files: list[SongFile]) -> Callable[[int], bytes]:
    def read(number: int) -> bytes:
        return read_song_bytes(files[number])

    return read
