"""The order rules once more, slowly, from the words of ``docs/reference/order.md``.

Written on items and whole messages only; it knows nothing of queues. It models no time but what the
line takes, and only bounds a note's start: it does not say what goes when.
"""

from __future__ import annotations

from collections.abc import Sequence

from knobwright.core.timing.items import BEND, KEPT, NOTE, REAL_TIME, VALUE, Item


def keeps_order(earlier: Item, later: Item) -> bool:
    """Return whether two items must not change places (rule 2)."""
    pair = {earlier.sort, later.sort}
    if REAL_TIME in pair:
        return False
    if pair == {NOTE}:
        return True
    if pair == {VALUE}:
        return earlier.base == later.base
    if not earlier.channels & later.channels:
        return VALUE in pair and KEPT in pair and earlier.base == later.base
    if VALUE in pair:
        if KEPT not in pair:
            return False
        kept = earlier if earlier.sort == KEPT else later
        return kept.base is None or earlier.base == later.base
    return True


def barriers(note: Item, before: Sequence[Item]) -> list[Item]:
    """Return what must go before a note, of what waits before it, but notes (rule 3)."""
    out = [note]
    for item in reversed(before):
        if item.sort != NOTE and any(keeps_order(item, member) for member in out):
            out.append(item)
    return out[1:]


def n_bytes(items: Sequence[Item]) -> int:
    """Return how many bytes items take with nothing left out."""
    return sum(len(message) for item in items for message in item.messages)


def rests_ns(items: Sequence[Item], gap_ns: int) -> int:
    """Return the rests that go with items."""
    n_exclusive = sum(m[0] == 0xF0 for item in items for m in item.messages)
    return n_exclusive * gap_ns + sum(item.rest_ns for item in items)


def may_replace(old: Item, new: Item, between: Sequence[Item]) -> bool:
    """Return whether a newer item may take a waiting one's place (rule 4)."""
    if old.sort not in (VALUE, BEND) or old.sort != new.sort or old.key != new.key:
        return False
    if old.sort == VALUE:
        against = [i for i in between if i.sort == KEPT and keeps_order(old, i)]
        return all(i.base is None and all(map(_chooses, i.messages)) for i in against)
    return not any(i.sort in (KEPT, NOTE) and keeps_order(old, i) for i in between)


def _chooses(message: bytes) -> bool:
    """Return whether a message is a program, a bank or a channel mode: it reads no value."""
    kind = message[0] & 0xF0
    return kind == 0xC0 or (kind == 0xB0 and (message[1] in (0, 32) or message[1] >= 120))
