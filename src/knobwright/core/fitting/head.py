"""What a song sets before its notes: that is what a set-up bar takes over.

A channel's settings before its first note are not heard where they stand, only in what sounds
later. They may therefore be sent earlier, all of them in their order. What may not be moved stays:
settings behind an exclusive message that comes after the first note of the song (it may set the
same), and, once another channel plays, channel modes, whatever may set more than its own channel,
and all of a channel that never plays: it can only be meant for the others. Of a song without any
note, what stands at its first tick is its start.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from knobwright.core.fitting.told import Told
from knobwright.core.timing.chase import Chase
from knobwright.core.timing.classify import DATA, NULL, SELECTORS
from knobwright.core.timing.items import Item
from knobwright.core.timing.merge import Merge

_FIRST_REAL_TIME = 0xF8
_SYSTEM_RESET = 0xFF
#: Channel modes that speak for more than their own channel (MIDI 1.0, pages 20 to 24).
_WIDE_MODES = range(124, 128)


class Head(NamedTuple):
    """What stands before the notes.

    ``taken`` are the messages, in playing order; ``items`` what of them is still needed, each as
    messages that belong together; ``selected`` for each channel (1 to 16) the selector messages in
    force at the end (null is told by an empty tuple where something was selected before).
    ``n_unplaced`` counts data entries for nothing.
    """

    taken: tuple[Told, ...]
    items: tuple[Item, ...]
    selected: dict[int, tuple[bytes, ...]]
    n_unplaced: int


def head_of(
    messages: Sequence[Told],
    first: int = 0,
    *,
    is_reset: Callable[[bytes], bool],
    reaches_others: Callable[[bytes], bool] = lambda message: False,
    only_resets: bool = False,
) -> Head:
    """Return what is set before the notes of a song.

    Parameters
    ----------
    messages : sequence of Told
        In playing order, exclusive ones only those that may be sent.
    first : int
        Where the music begins; of what stands before, all but notes is taken.
    is_reset : callable
        Tells of an exclusive message whether it sets the whole module back.
    reaches_others : callable
        Tells of a channel message whether it may set more than its own channel. It is asked about
        every message that might be moved, in playing order.
    only_resets : bool
        Whether of what stands behind ``first`` only resets and what they undo are taken.
    """
    before = [m for m in messages[:first] if not m.is_note and not _is_timing(m)]
    start = _before_notes(messages[first:], reaches_others)
    if only_resets:  # and what they undo, which would come back without them
        last = max((i for i, row in enumerate(start) if is_reset(row.message)), default=-1)
        start = start[: last + 1]
    taken = [*before, *start]
    merge, chase = Merge(), Chase()
    selectors: dict[int, dict[int, bytes]] = {}
    for row in taken:
        if row.channel == 0 and is_reset(row.message):
            chase, merge = Chase(), Merge()  # what was set before is gone
            selectors.clear()
            continue
        chase.take(merge.feed(row.message))
        _note_selection(row, selectors)
    selected = {channel: _in_force(rows) for channel, rows in selectors.items()}
    return Head(tuple(taken), tuple(chase.items()), selected, merge.n_unplaced)


def _before_notes(messages: Sequence[Told], reaches_others: Callable[[bytes], bool]) -> list[Told]:
    """Return what may be moved before the music."""
    plays = {row.channel for row in messages if row.begins_note}
    if not plays:  # a song of settings alone: they are the music
        messages = [row for row in messages if row.tick == messages[0].tick]
    started: set[int] = set()
    shut: set[int] = set()
    taken: list[Told] = []
    for row in messages:
        channel = row.channel
        if row.is_note:
            if row.begins_note:
                started.add(channel)
                shut.update(set(range(1, 17)) - plays)
            continue
        if channel == 0:
            if _is_timing(row):
                continue
            if started:  # it may set what is set later on any channel
                shut.update(range(1, 17))
            else:
                taken.append(row)
        elif channel not in started and channel not in shut:
            is_mode = row.kind == 0xB and row.message[1] in _WIDE_MODES
            is_wide = reaches_others(row.message) or is_mode
            if is_wide and started:
                shut.add(channel)
            else:
                taken.append(row)
        if len(started | shut) == 16:
            break
    return taken


def _is_timing(row: Told) -> bool:
    """Return whether a message is clock, start, stop, position or time code: it sets nothing."""
    status = row.message[0]
    return 0xF1 <= status <= 0xF3 or _FIRST_REAL_TIME <= status < _SYSTEM_RESET


def _note_selection(row: Told, selectors: dict[int, dict[int, bytes]]) -> None:
    """Remember the selector messages of a channel; the kind of the last one counts."""
    if row.kind != 0xB:
        return
    number = row.message[1]
    if number == 121:  # the selection becomes null (RP-015)
        selectors.pop(row.channel, None)
    elif number in SELECTORS:
        rows = selectors.setdefault(row.channel, {})
        rows.pop(number, None)
        rows[number] = row.message


def _in_force(rows: dict[int, bytes]) -> tuple[bytes, ...]:
    """Return the selectors that decide: the kind that came last stands last, high part first.

    A half that the song never gave is null, so that nothing of another selection stands in its
    place. The other kind is kept: a song may come back to it with one half only.
    """
    pairs = ((99, 98), (101, 100))  # the kind that came last stands last
    if next(reversed(rows)) < 100:
        pairs = pairs[::-1]
    status = next(iter(rows.values()))[0]
    found: list[bytes] = []
    for pair in pairs:
        if any(number in rows for number in pair):
            found += [rows.get(number, bytes((status, number, NULL))) for number in pair]
    is_null = [message[1:] for message in found] == [bytes((n, NULL)) for n in (101, 100)]
    return () if is_null else tuple(found)


def selection_steps(
    head: Head, used: set[int], music: Sequence[Told]
) -> list[tuple[int, tuple[bytes, ...]]]:
    """Return what must be selected at the end of the set-up: channel (1 to 16) and messages.

    Where the music goes on with data for what the song selected before its notes, that is selected
    again; else the selection is closed with null on channels where the set-up used one, so that a
    stray data entry sets nothing.

    Parameters
    ----------
    head : Head
        What was taken over.
    used : set of int
        Channels on which the set-up selects something.
    music : sequence of Told
        What follows.
    """
    goes_on = {
        row.channel for row in music
        if row.kind == 0xB and (row.message[1] in DATA or row.message[1] in SELECTORS)
    }  # fmt: skip
    out = []
    for channel in sorted(used | (set(head.selected) & goes_on)):
        selected = head.selected.get(channel, ())
        if selected and channel in goes_on:
            out.append((channel, selected))
        elif channel in used:
            status = 0xB0 | (channel - 1)
            out.append((channel, (bytes((status, 101, NULL)), bytes((status, 100, NULL)))))
    return out
