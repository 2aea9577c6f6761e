"""What was changed of a song on purpose, and what came of it, in lines for people."""

from __future__ import annotations

from collections.abc import Iterator

from knobwright.core.fitting.lighten import Lightened, Mending, OnLine, Outcome, Thinning

_NS_PER_MS = 1e6


def lighter_lines(done: Lightened, *, n_most: int = 12) -> list[str]:
    """Return lines about mending, thinning and the outcome, each a bit indented.

    Parameters
    ----------
    done : Lightened
        What was done.
    n_most : int >= 1
        Most parameters that are listed one by one in a song or pattern.
    """
    lines: list[str] = []
    for mending in done.mended:
        lines += _mending(mending)
    for thinning in done.thinned:
        lines += _thinning(thinning, n_most)
    lines.append(f"  {done.words()}")
    lines += [_outcome(row) for row in done.prepared]
    return lines


def _mending(row: Mending) -> Iterator[str]:
    before, after = row.before, row.after
    where = _where(row.pattern)
    if not before.n_cut:
        yield f"  mended{where}: nothing, as no note is cut"
        return
    yield (
        f"  mended{where}: notes cut {before.n_cut} -> {after.n_cut}, with the key still down "
        f"{before.n_cut_held} -> {after.n_cut_held}"
    )
    for step in row.steps:
        yield f"    {step.name}: {step.sentence}"
    if not row.steps:
        yield "    nothing that was asked for helps"


def _thinning(row: Thinning, n_most: int) -> Iterator[str]:
    if row.n_messages:
        yield (
            f"  thinned{_where(row.pattern)}: {_messages(row.n_messages)} ({row.n_bytes} bytes) "
            f"taken out, {_compared(row.before, row.after)}"
        )
    else:
        yield f"  thinned{_where(row.pattern)}: nothing lies within the tolerances"
    for removed in row.removed[:n_most]:
        yield f"    {removed.words()}"
    if len(row.removed) > n_most:
        rest = row.removed[n_most:]
        n_values = sum(removed.n_removed for removed in rest)
        yield f"    and {n_values} values of {len(rest)} more parameters"
    if row.n_selections:
        yield f"    {row.n_selections} selections went with their data"
    if row.untouched:
        tracks = ", ".join(map(str, row.untouched))
        yield f"    left as they are, having events that can't be read: tracks {tracks}"


def _compared(before: OnLine, after: OnLine) -> str:
    return (
        f"the longest wait {_ms(before.worst_ns)} -> {_ms(after.worst_ns)} ms, late notes "
        f"{before.n_late_notes} -> {after.n_late_notes}"
    )


def _outcome(row: Outcome) -> str:
    return (
        f"  as it was written{_where(row.pattern)}: the longest wait {_ms(row.line.worst_ns)} ms, "
        f"{row.line.n_late_notes} notes later than {_ms(row.line.limit_ns)} ms, "
        f"{row.voices.n_cut} notes cut"
    )


def _where(pattern: int) -> str:
    return f" in pattern {pattern}" if pattern else ""


def _messages(n: int) -> str:
    return "1 message" if n == 1 else f"{n} messages"


def _ms(ns: int) -> str:
    return f"{ns / _NS_PER_MS:.1f}"
