"""Continued rows: ``... 64h 01h 06h vv`` takes its missing start from the row above.

The start is taken only if exactly one way of joining the two gives whole, sensible messages; first
of all the way that makes both rows equally long. Or the section states the start of its rows.
"""

from __future__ import annotations

from knobwright.core.reading.context import Context
from knobwright.core.reading.dialects.bytelines import describe, joined
from knobwright.core.reading.found import Found, slip
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.messages import read_messages, selector_faults
from knobwright.core.reading.runs import Run, find_runs, whole_run
from knobwright.core.reading.tokens import Tok


def read(placed: Placed, context: Context) -> list[Found]:
    """Return the parameter of a row that continues the one above."""
    above = context.last
    if above is not None and (
        above.section != placed.section or placed.row_index - above.row_index > 6
    ):
        above = None
    text, cuts = joined(placed)
    begun = _begun(placed, cuts, context)
    if begun is not None:
        return _with_start(placed, text, cuts, begun, context)
    run = next((r for r in find_runs(text) if r.is_continuation), None)
    if run is None and above is not None:
        run = _bare(placed, cuts, above)
    if run is None:
        return []
    rest = tuple(t for t in run.toks if t.kind != "dots")
    label, texts, prose = describe(placed, text, cuts, [(run.start, run.end)], context)
    if prose:
        return []
    toks = join(above.toks, rest, above) if above is not None else ()
    if not toks:
        start = _equal(above.toks, rest) if above is not None else rest
        toks = (slip("..."), *(start or rest))
    base = above.base if above is not None else ""
    return [
        Found(
            label,
            placed.section,
            placed.row.place,
            placed.row_index,
            toks,
            texts,
            "continued",
            base=base,
        )
    ]


def _with_start(
    placed: Placed,
    text: str,
    cuts: list[tuple[int, int]],
    begun: tuple[tuple[Tok, ...], Run],
    context: Context,
) -> list[Found]:
    """Return the parameter of a row whose start the section states; nothing for a sentence."""
    start, run = begun
    label, texts, prose = describe(placed, text, cuts, [(run.start, run.end)], context)
    place, at = placed.row.place, placed.row_index
    toks = (*start, *run.toks)
    return [] if prose else [Found(label, placed.section, place, at, toks, texts, "continued")]


_SECOND_SELECTOR = {0x63: 0x62, 0x65: 0x64}


def _begun(
    placed: Placed, cuts: list[tuple[int, int]], context: Context
) -> tuple[tuple[Tok, ...], Run] | None:
    """Return the start that the section's text states for all its rows, and the row's own run.

    For instance "all rows begin with Bn 63 01" above rows such as ``62 08 06 vv``.
    """
    for k in range(min(4, len(placed.cells))):
        run = _cells_run(placed, cuts, k)
        if run is None or len(run.toks) < 3 or run.toks[0].kind != "byte" or run.toks[0].is_status:
            continue
        if run.toks[0].value not in _SECOND_SELECTOR.values() or run.toks[1].kind != "byte":
            continue
        if len(run.toks) == 3:  # the number is missing: asked about, not passed over
            run = run._replace(toks=(run.toks[0], slip("..."), *run.toks[1:]))
        starts = {
            tuple((t.kind, t.value, t.word) for t in found.toks): found.toks
            for _, _, text in context.texts(placed.section)
            for found in find_runs(text)
            if _is_start(found.toks, run.toks[0].value)
        }
        if len(starts) == 1:
            return next(iter(starts.values())), run
    return None


def _cells_run(placed: Placed, cuts: list[tuple[int, int]], first: int) -> Run | None:
    """Return the run of a cell and of those behind it that are nothing but bytes too."""
    toks: list[Tok] = []
    end = 0
    for k in range(first, len(placed.cells)):
        run = whole_run(placed.cells[k]) if placed.cells[k] else None
        if run is None:
            break
        toks.extend(run.toks)
        end = cuts[k][0] + len(placed.cells[k])
    return Run(tuple(toks), cuts[first][0], end) if toks else None


def _is_start(toks: tuple[Tok, ...], second: int) -> bool:
    """Return whether a run is just the first half of a selection: ``Bn 63 01``."""
    return (
        len(toks) == 3
        and toks[0].kind == "half"
        and toks[0].value == 0xB
        and toks[1].kind == toks[2].kind == "byte"
        and _SECOND_SELECTOR.get(toks[1].value) == second
        and toks[2].value < 0x80
    )


def _bare(placed: Placed, cuts: list[tuple[int, int]], above: Found) -> Run | None:
    """Return the run of a cell that is nothing but data bytes ending as the row above does."""
    for k, cell in enumerate(placed.cells[:3]):
        run = whole_run(cell) if cell else None
        if run is None or len(run.toks) < 3 or run.toks[0].is_status:
            continue
        if run.toks[-1].kind == above.toks[-1].kind and run.toks[-1].text == above.toks[-1].text:
            start = cuts[k][0]
            return Run(run.toks, start, start + len(cell))
    return None


def join(above: tuple[Tok, ...], rest: tuple[Tok, ...], found: Found) -> tuple[Tok, ...]:
    """Return the whole row: the start of the one above and the rest; empty where it isn't
    certain.
    """
    equal, aligned = _equal(above, rest), _aligned(above, rest)
    if aligned and _is_whole(aligned, found):
        return aligned
    if equal and _is_whole(equal, found):
        return equal
    if above and above[0].value == 0xF0 and above[0].kind == "byte":
        return ()
    ways = [whole for n in range(1, len(above)) if _is_whole(whole := (*above[:n], *rest), found)]
    return ways[0] if len(ways) == 1 else ()


def _aligned(above: tuple[Tok, ...], rest: tuple[Tok, ...]) -> tuple[Tok, ...]:
    """Return the joined row in which the last fixed bytes before the value stand in the same
    places."""
    mine, theirs = _tail(rest), _tail(above)
    if mine in (0, len(rest)) or theirs == len(above) or any(t.kind != "byte" for t in rest[:mine]):
        return ()
    if (rest[-1].value == 0xF7) != (above[-1].value == 0xF7):
        return ()
    if mine == len(rest) - 1 and rest[-1].value == 0xF7:
        return ()
    n = theirs - mine
    return (*above[:n], *rest) if n > 0 else ()


def _tail(toks: tuple[Tok, ...]) -> int:
    """Return where the row's last stretch of fields (and F7) begins."""
    at = len(toks)
    while at > 0 and (
        toks[at - 1].kind in ("field", "twin", "half")
        or (at == len(toks) and toks[at - 1].kind == "byte" and toks[at - 1].value == 0xF7)
    ):
        at -= 1
    return at


def _equal(above: tuple[Tok, ...], rest: tuple[Tok, ...]) -> tuple[Tok, ...]:
    n_missing = len(above) - len(rest)
    return (*above[:n_missing], *rest) if n_missing > 0 else ()


def _is_whole(toks: tuple[Tok, ...], found: Found) -> bool:
    """Return whether tokens make whole messages of the kind that the row above has."""
    if any(t.kind == "slip" for t in toks):
        kept = tuple(t._replace(kind="byte", value=0) if t.kind == "slip" else t for t in toks)
        return _is_whole(kept, found)
    messages = read_messages(found._replace(toks=toks))
    if messages.faults or not messages.items:
        return False
    if selector_faults(messages.items):
        return False
    had = read_messages(found)
    if had.faults or not had.items:
        return False
    return messages.items[0][0].text == had.items[0][0].text and (
        _ccs(messages.items) >= _ccs(had.items) - {38} or len(had.items) == 1 == len(messages.items)
    )


def _ccs(items: tuple[tuple[Tok, ...], ...]) -> set[int]:
    """Return the selecting and data controllers of a row of control changes."""
    return {m[1].value for m in items if len(m) == 3 and m[1].kind == "byte"} & {
        6,
        38,
        98,
        99,
        100,
        101,
    }
