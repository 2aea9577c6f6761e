"""The proof that a prepared song is the same music: both songs are read and held side by side.

Nothing of how the prepared song was made is trusted here but the list of what was changed on
purpose; and of that list, too, it is checked that it holds no note.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from types import MappingProxyType
from typing import NamedTuple

import numpy as np

from knobwright.core.fitting.programs import PREPARED_FOR
from knobwright.core.fitting.rebuild import DESCRIBING, STATE, Cut
from knobwright.core.fitting.told import Told, told
from knobwright.core.song.metas import metas
from knobwright.core.song.records import Song
from knobwright.core.song.tempo import MAX_NS, tempo_map
from knobwright.core.wire import hex_words

_END_OF_TRACK = 0x2F
_MOST = 20


class Change(NamedTuple):
    """What was changed on purpose in one song, or in one pattern of it.

    ``track`` is the pattern (``None``: the whole song). ``dropped`` are numbers of events that were
    left out, ``replaced`` numbers of events and the messages in their place, ``orphans`` numbers of
    note-offs whose notes lie before the cut. ``drum_keys`` maps key to key on ``drum_channels``
    (1 to 16).
    """

    track: int | None
    cut: Cut
    dropped: frozenset[int]
    replaced: dict[int, tuple[bytes, ...]]
    orphans: frozenset[int] = frozenset()
    drum_keys: Mapping[int, int] = MappingProxyType({})
    drum_channels: tuple[int, ...] = ()


def same_music(before: Song, after: Song, change: Change) -> list[str]:
    """Return every difference that was not made on purpose; none where it is the same music.

    Parameters
    ----------
    before, after : Song
        The song, and the prepared one, read again.
    change : Change
        What was changed on purpose.
    """
    found = []
    for differences in (
        _notes(before, after, change), _messages(before, after, change),
        _metas(before, after, change), _times(before, after, change),
    ):  # fmt: skip
        for words in differences:
            found.append(words)
            if len(found) >= _MOST:
                return found
    return found


def _rows(before: Song, after: Song, change: Change) -> tuple[list[Told], list[Told]]:
    mine, _ = told(before, change.track)
    others, _ = told(after, change.track)
    start = change.cut.start
    return mine, [row for row in others if row.tick >= start]


def _notes(before: Song, after: Song, change: Change) -> Iterator[str]:
    """Compare every note: tick, track, channel, key by the table, velocity."""
    mine, others = _rows(before, after, change)
    cut = change.cut
    wanted = []
    for row in mine:
        orphan = row.events[-1] in change.orphans
        if not row.is_note or row.tick < cut.first or (orphan and not row.begins_note):
            continue
        status, key, velocity = row.message
        if row.channel in change.drum_channels:
            key = change.drum_keys.get(key, key)
        wanted.append((row.tick + cut.shift, row.track, bytes((status, key, velocity))))
    there = [(row.tick, row.track, row.message) for row in others if row.is_note]
    yield from _differences("note", wanted, there)
    early, _ = told(after, change.track)
    for row in early:
        if row.is_note and row.tick < cut.start:
            yield f"a note stands in the set-up, at tick {row.tick}"


def _messages(before: Song, after: Song, change: Change) -> Iterator[str]:
    """Compare every message with the list of what was changed; look at the list itself."""
    mine, others = _rows(before, after, change)
    cut = change.cut
    seen: set[int] = set()
    wanted: list[tuple[int, int, bytes]] = []
    for row in mine:
        event = row.events[-1]
        if event in change.dropped:
            if row.is_note and event not in change.orphans and row.tick >= cut.first:
                yield f"a note is left out, at tick {row.tick}"
        elif event in change.replaced:
            if event in seen:
                continue  # an escape may hold several messages
            seen.add(event)
            tick = max(row.tick, cut.first) + cut.shift
            wanted += [(tick, row.track, message) for message in change.replaced[event]]
        elif row.tick >= cut.first:
            wanted.append((row.tick + cut.shift, row.track, row.message))
    there = [(row.tick, row.track, row.message) for row in others]
    yield from _differences("message", wanted, there)


def _metas(before: Song, after: Song, change: Change) -> Iterator[str]:
    cut, track = change.cut, change.track
    wanted, stay = [], []
    for meta in metas(before):
        if track not in (None, meta.track) or meta.kind in (_END_OF_TRACK, *range(0x80, 0x100)):
            continue
        row = (meta.tick + cut.shift, meta.track, bytes((meta.kind,)) + meta.content)
        if meta.tick == 0 and meta.content.startswith(PREPARED_FOR.encode()):
            continue  # of an earlier set-up
        if meta.kind in DESCRIBING and meta.tick == 0:
            stay.append(row[1:])
        elif meta.kind in STATE and meta.tick <= cut.first:
            continue  # their effect is compared as times and bars
        elif meta.tick >= cut.first:
            wanted.append(row)
    there, head = [], []
    for meta in metas(after):
        if track not in (None, meta.track) or meta.track >= before.n_tracks:
            continue
        row = (meta.tick, meta.track, bytes((meta.kind,)) + meta.content)
        if meta.tick == 0 and meta.content.startswith(PREPARED_FOR.encode()):
            continue
        if meta.tick == 0 and meta.kind in DESCRIBING:
            head.append(row[1:])
        elif (
            meta.kind != _END_OF_TRACK
            and meta.tick >= cut.start
            and not (meta.kind in STATE and meta.tick == cut.start)
        ):
            there.append(row)
    yield from _differences("meta event", wanted, there)
    if stay != head:
        yield f"what stands at tick 0 has changed: {len(stay)} meta events, now {len(head)}"


def _times(before: Song, after: Song, change: Change) -> Iterator[str]:
    """Compare all times: each tick of the song comes later by the same time, to the nanosecond."""
    mine, _ = told(before, change.track)
    ticks = np.asarray([row.tick for row in mine if row.tick >= change.cut.first], np.int64)
    ticks = np.append(ticks, change.cut.first)
    was = tempo_map(before, track=change.track).ns(ticks)
    now = tempo_map(after, track=change.track).ns(ticks + change.cut.shift)
    known = now < MAX_NS  # what comes later than any time that is told can't be compared
    ticks, later = ticks[known], (now - was)[known]
    if len(later) and int(later.max()) - int(later.min()) > 1:  # each is rounded down by itself
        worst = int(ticks[int(np.argmax(np.abs(later - later[-1])))])
        yield f"the times have changed, most of all at tick {worst}"


def _differences(
    what: str, wanted: list[tuple[int, int, bytes]], there: list[tuple[int, int, bytes]]
) -> Iterator[str]:
    if wanted == there:
        return
    if len(wanted) != len(there):
        yield f"{len(wanted)} {what}s are wanted, {len(there)} are there"
    for one, other in zip(wanted, there, strict=False):
        if one != other:
            yield (
                f"a {what} at tick {one[0]}, track {one[1] + 1} is {hex_words(one[2][:8])}, and "
                f"{hex_words(other[2][:8])} at tick {other[0]}, track {other[1] + 1} stands there"
            )
            return
