"""What commands that listen have in common: how long, and how a lost port is told."""

from __future__ import annotations

import os
import re

from knobwright.cli.exits import tell
from knobwright.core.errors import InputError, printable

_DURATION = re.compile(r"(\d+(?:\.\d+)?)\s*(ms|s|min|h)?\Z")
_SECONDS = {"ms": 0.001, "s": 1.0, "min": 60.0, "h": 3600.0}
_LONGEST_S = 31 * 24 * 3600.0


def duration_ns(text: str) -> int:
    """Return the nanoseconds that ``10``, ``10s``, ``250ms`` or ``5min`` stand for.

    Raises
    ------
    InputError
        It is none of these, or longer than a month.
    """
    found = _DURATION.match(text.strip())
    seconds = float(found[1]) * _SECONDS[found[2] or "s"] if found else -1.0
    if not 0 < seconds <= _LONGEST_S:
        raise InputError(
            f"a duration is a number with ms, s, min or h, up to a month; found {text!r}",
            hint="for example 250ms, 10s or 5min",
        )
    return int(seconds * 1e9)


def refuse_a_file_that_is_there(path: str, *, replace: bool) -> None:
    """Refuse to record into an ordinary file that is there, unless it may be written over.

    Raises
    ------
    InputError
        It is there.
    """
    if not replace and os.path.isfile(path):
        raise InputError(
            "this file is there already", where=path, hint="give another name, or --replace"
        )


def tell_port(name: str, is_there: bool, words: str) -> None:
    """Tell on standard error that a port is lost or back."""
    state = "is there" if is_there else f"is lost: {printable(words)}; waiting for it to come back"
    tell(f"{printable(name)} {state}")
