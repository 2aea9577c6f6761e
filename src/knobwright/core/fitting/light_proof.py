"""The proof that a lighter song differs from the song only by what was changed on purpose.

Both are read and held side by side; how the lighter one was made is not trusted.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from knobwright.core.fitting.told import told
from knobwright.core.song.metas import metas
from knobwright.core.song.records import Song
from knobwright.core.timing.classify import of_controller
from knobwright.core.timing.items import VALUE
from knobwright.core.timing.voices.change import Change
from knobwright.core.wire import hex_words

_END_OF_TRACK = 0x2F
_SELECTORS_AND_DATA = frozenset((6, 38, 98, 99, 100, 101))
_PEDALS = frozenset((64, 66))

_Row = tuple[int, int, bytes]  # tick, track, message


def only_mended(before: Song, after: Song, change: Change) -> list[str]:
    """Return every difference that a change does not name; none where all is well.

    Of the change itself it is checked that it takes out and adds notes and pedals only.
    """
    rows, _ = told(before)
    kept = [(r.tick, r.track, r.message) for r in rows if r.events[-1] not in change.removed]
    gone = [(r.tick, r.track, r.message) for r in rows if r.events[-1] in change.removed]
    added = [(row.tick, row.track, row.data) for row in change.added]
    there = _messages(after)
    found = [
        f"{_words(row)} is neither note nor pedal"
        for row in (*gone, *added)
        if not (_is_note(row[2]) or _is_control(row[2], _PEDALS))
    ]
    if Counter(there) - Counter(kept) != Counter(added) or not _stands_within(kept, there):
        found.append("messages that should stay are missing, or stand in another order")
    return found + _others(before, after)


def only_thinned(before: Song, after: Song, n_messages: int) -> list[str]:
    """Return every difference but values that were taken out; none where all is well.

    Parameters
    ----------
    before, after : Song
    n_messages : int
        How many messages are said to have gone.
    """
    rows, there = _messages(before), _messages(after)
    gone = list((Counter(rows) - Counter(there)).elements())
    found = [f"{_words(row)} is no value" for row in gone if not _is_value(row[2])]
    if len(gone) != n_messages or len(there) != len(rows) - n_messages:
        found.append(f"{len(gone)} messages are gone, and {n_messages} should be")
    if not _stands_within(there, rows):
        found.append("what is left stands in another order, or is new")
    return found + _others(before, after)


def _messages(song: Song) -> list[_Row]:
    return [(row.tick, row.track, row.message) for row in told(song)[0]]


def _others(before: Song, after: Song) -> list[str]:
    """Compare what is no message: texts, tempo, signatures, loose bytes."""
    found = []
    if _metas(before) != _metas(after):
        found.append("a meta event is different")
    if [row.data for row in told(before)[1]] != [row.data for row in told(after)[1]]:
        found.append("bytes that are no whole message are different")
    return found


def _metas(song: Song) -> list[tuple[int, int, int, bytes]]:
    return [
        (meta.tick, meta.track, meta.kind, meta.content)
        for meta in metas(song) if meta.kind != _END_OF_TRACK
    ]  # fmt: skip


def _stands_within(short: Sequence[_Row], long: Iterable[_Row]) -> bool:
    """Return whether all of one stands in the other, in its order."""
    rest = iter(long)
    return all(row in rest for row in short)


def _is_note(message: bytes) -> bool:
    return message[0] & 0xE0 == 0x80


def _is_control(message: bytes, numbers: frozenset[int]) -> bool:
    return message[0] >> 4 == 0xB and message[1] in numbers


def _is_value(message: bytes) -> bool:
    """Return whether a message may be taken out by thinning at all."""
    kind = message[0] >> 4
    if kind == 0xB:
        number = message[1]
        return number in _SELECTORS_AND_DATA or of_controller(0, number).sort == VALUE
    return kind in (0xA, 0xD, 0xE) or message[0] == 0xF0


def _words(row: _Row) -> str:
    return f"{hex_words(row[2])} at tick {row[0]}"
