"""Exclusive messages of a song that nobody trusted explains, and bytes that are no messages.

They are listed and left out unless the user keeps them on purpose.
"""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from knobwright.core.fitting.told import Loose, Told
from knobwright.core.state.trust import Trust, suggested_beginning
from knobwright.core.wire import hex_words

_MAX_SHOWN_BYTES = 16
NO_MESSAGE = "its bytes are no whole message"


class LeftOut(Struct, frozen=True):
    """Something of the song that is not in the prepared one.

    ``first`` are its first bytes in hex, ``n_bytes`` its length, ``n`` how often it comes,
    ``first_tick`` where first; ``why`` says why it is left out, ``keep`` what a list of beginnings
    to keep would say (empty: it can't be kept).
    """

    first: str
    n_bytes: int
    n: int
    first_tick: int
    why: str
    keep: str


def sort_out(
    rows: Sequence[Told], loose: Sequence[Loose], ticks: Sequence[int], trust: Trust
) -> tuple[list[Told], frozenset[Told], tuple[LeftOut, ...]]:
    """Return what may be sent, what may not, and the list of the latter.

    Parameters
    ----------
    rows, loose
        As :func:`knobwright.core.fitting.told.told` gives them.
    ticks : sequence of int
        The tick of every event of the song.
    trust : Trust
        Judges exclusive messages.
    """
    kept: list[Told] = []
    refused: set[Told] = set()
    listed: dict[bytes, LeftOut] = {}
    for row in rows:
        message = row.message
        allowed, why = trust.judge(message) if message[0] == 0xF0 else (True, "")
        if allowed:
            kept.append(row)
            continue
        refused.add(row)
        _list(listed, message, row.tick, why, suggested_beginning(message))
    for event, data in loose:
        _list(listed, data, int(ticks[event]), NO_MESSAGE, "")
    return kept, frozenset(refused), tuple(listed.values())


def _list(listed: dict[bytes, LeftOut], data: bytes, tick: int, why: str, keep: str) -> None:
    found = listed.get(data)
    n = 1 if found is None else found.n + 1
    at = tick if found is None else min(found.first_tick, tick)
    first = hex_words(data[:_MAX_SHOWN_BYTES])
    listed[data] = LeftOut(first, len(data), n, at, why, keep)
