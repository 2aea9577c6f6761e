"""The monotonic clock, and what the system lets a process do to keep its deadlines.

Everything here that asks the system for something is quiet where the system says no: a missing
right makes the engine a little later, never wrong. What was granted is returned, so that it can be
shown.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
import time
from collections.abc import Callable

#: Nanoseconds of the monotonic clock: the same in every process of the machine.
monotonic_ns: Callable[[], int] = time.monotonic_ns

#: ``prctl`` option that sets how late the kernel may wake this thread (linux/prctl.h).
_PR_SET_TIMERSLACK = 29
_SMALLEST_SLACK_NS = 1
#: How much the engine's process is put before others, where it may be.
_NICER = -10
_LOWEST_REAL_TIME = 1
_RUNAWAY_S = 5


def slept_ns() -> int:
    """Return for how long the machine has been suspended since it was started, in nanoseconds.

    On Linux the monotonic clock stands still while the machine sleeps and ``CLOCK_BOOTTIME`` goes
    on: the difference is the sleep. 0 always where the system has no such clock.
    """
    clock = getattr(time, "CLOCK_BOOTTIME", None)
    if clock is None:
        return 0
    # Boot time first: what passes between the two readings must not look like sleep.
    return time.clock_gettime_ns(clock) - time.monotonic_ns()


def wake_exactly() -> bool:
    """Ask the kernel to wake the calling thread without delay; return whether it will.

    Linux may wake a thread up to 50 microseconds late to save power (its timer slack).
    """
    if sys.platform != "linux":
        return False
    try:
        prctl = ctypes.CDLL(None).prctl
    except (OSError, AttributeError):
        return False
    return bool(prctl(_PR_SET_TIMERSLACK, _SMALLEST_SLACK_NS, 0, 0, 0) == 0)


def come_first() -> str:
    """Put all threads of this process before other programs, as far as the system lets it.

    Returns
    -------
    str
        What was granted: ``"real time"`` (the lowest of the real-time priorities, in turns with
        others of it), ``"nicer"`` (more processor time than others) or ``""``.

    Notes
    -----
    All threads must have the same priority: one that is put last and holds the interpreter would
    hold up the others. Real time is given to root and to who has a limit for it (``ulimit -r``, on
    many systems the group for audio). Where it is granted, the kernel ends this process (SIGXCPU)
    should a thread ever run for ``_RUNAWAY_S`` without waiting for anything.
    """
    return "real time" if _in_real_time() else ("nicer" if _nicer() else "")


def _in_real_time() -> bool:
    if sys.platform != "linux":
        return False
    import resource

    try:
        for thread in os.listdir("/proc/self/task"):
            os.sched_setscheduler(int(thread), os.SCHED_RR, os.sched_param(_LOWEST_REAL_TIME))
        resource.setrlimit(resource.RLIMIT_RTTIME, (_RUNAWAY_S * 1_000_000,) * 2)
    except (OSError, ValueError):
        return False
    return True


def _nicer() -> bool:
    nice = getattr(os, "nice", None)
    if nice is None:
        return False
    with contextlib.suppress(OSError):
        nice(_NICER)
        return True
    return False
