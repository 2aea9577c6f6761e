"""Exit statuses, and the one place where an error becomes words on standard error."""

from __future__ import annotations

import os
import sys

from knobwright.core.errors import KnobwrightError, printable

FINE = 0
FINDINGS = 1
BAD_INPUT = 2
TROUBLE = 3
#: Not a user's doing: a fault in the program itself.
OWN_FAULT = 70
#: Ended with Ctrl-C: 128 and the number of the signal, as shells count.
INTERRUPTED = 130

#: Set to anything to see the traceback of a fault in the program itself.
TRACE_VARIABLE = "KNOBWRIGHT_TRACE"


def report(error: KnobwrightError) -> int:
    """Print an error and its next step to standard error; return its exit status."""
    place = f"{printable(error.where)}: " if error.where else ""
    tell(f"knobwright: {place}{printable(error.message)}")
    if error.hint:
        tell(f"  next: {printable(error.hint)}")
    return error.exit_status


def report_own_fault(error: BaseException) -> int:
    """Print what a fault in the program itself is, without a traceback unless one is wanted."""
    if os.environ.get(TRACE_VARIABLE):
        import traceback

        traceback.print_exception(error)
    words = f"{type(error).__name__}: {error}"
    tell(f"knobwright: this is a fault in Knobwright itself: {printable(words)[:500]}")
    tell(f"  next: set {TRACE_VARIABLE}=1, run it again and report what it prints")
    return OWN_FAULT


def tell(text: str) -> None:
    """Print one line to standard error, whatever its encoding."""
    try:
        print(text, file=sys.stderr)
    except UnicodeEncodeError:
        print(text.encode("ascii", "backslashreplace").decode(), file=sys.stderr)
    except OSError:
        pass
