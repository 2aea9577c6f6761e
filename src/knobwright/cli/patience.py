"""Signals of commands that run until they are told to end: the end is never cut short."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

#: What a terminal that is closed, or a system that shuts down, sends instead of Ctrl-C.
_ENDS = ("SIGTERM", "SIGHUP")


@contextmanager
def ending_in_order() -> Iterator[None]:
    """Take every polite way to be ended like Ctrl-C, so that silence is left each time."""
    numbers = [getattr(signal, name) for name in _ENDS if hasattr(signal, name)]
    with _handled(numbers, signal.default_int_handler):
        yield


@contextmanager
def told_to_end(tell: Callable[[], object]) -> Iterator[None]:
    """Call ``tell`` for Ctrl-C and every other polite way to be ended, instead of breaking off.

    It is called in the middle of whatever goes on, so it may only leave a word somewhere: what was
    taken in hand is finished first.
    """
    names = ("SIGINT", *_ENDS)
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    with _handled(numbers, lambda number, frame: tell()):
        yield


@contextmanager
def uninterrupted() -> Iterator[None]:
    """Let no second Ctrl-C cut short what follows: letting go of notes takes a moment."""
    names = ("SIGINT", *_ENDS)
    with _handled([getattr(signal, n) for n in names if hasattr(signal, n)], signal.SIG_IGN):
        yield


@contextmanager
def _handled(numbers: list[int], handler: object) -> Iterator[None]:
    if threading.current_thread() is not threading.main_thread():
        yield  # only the main thread may change handlers
        return
    before = {number: signal.signal(number, handler) for number in numbers}  # type: ignore[arg-type]
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, signal.SIG_DFL if old is None else old)
