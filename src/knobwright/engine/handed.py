"""Items that were handed over and are still to be followed: of a sweep only the end is decoded."""

from __future__ import annotations

from collections import deque
from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from typing import NamedTuple

from knobwright.core.sheet.records import Parameter
from knobwright.core.timing.items import KEPT, Item

#: Items looked at together, at most.
_MAX_BATCH = 256
_PROGRAM = 0xC


class Handed(NamedTuple):
    """An item that went out on a link at a time; ``is_over`` where a newer one has its place."""

    link: int
    item: Item
    at_ns: int
    is_over: bool


class HandedOver:
    """A queue that the pacers fill, without a lock, and the bridge empties under its own.

    Parameters
    ----------
    parameters : sequence of Parameter
        Of the sheet: every value of one that a condition depends on is followed.
    shared : mapping
        As ``shared_bases`` gives it.
    """

    def __init__(self, parameters: Sequence[Parameter], shared: Mapping[str, str]) -> None:
        deciding = {when.key for parameter in parameters for when in parameter.when}
        self._deciding = frozenset(shared.get(key, key) for key in deciding)
        self._came: deque[tuple[int, Item, int]] = deque()
        self._batch: deque[Handed] = deque()

    def __len__(self) -> int:
        return len(self._came) + len(self._batch)

    def add(self, link: int, items: Iterable[Item], at_ns: int) -> None:
        """Take items that were handed over; never blocks."""
        for item in items:
            self._came.append((link, item, at_ns))

    def take(self, n_most: int) -> Iterator[Handed]:
        """Yield the next items, ``n_most`` at most."""
        for _ in range(n_most):
            if not self._batch and not self._gather():
                return
            yield self._batch.popleft()

    def _gather(self) -> bool:
        """Make a batch of what has come; return whether there is anything."""
        rows: list[tuple[int, Item, int]] = []
        while self._came and len(rows) < _MAX_BATCH:
            rows.append(self._came.popleft())
        newer: dict[tuple[int, Hashable], Hashable] = {}  # what of a base comes next
        batch: list[Handed] = []
        for link, item, at_ns in reversed(rows):
            if item.sort == KEPT and item.messages[-1][0] >> 4 != _PROGRAM:
                # A choice may decide what the bytes before and behind it mean, and a step goes on
                # from the value before it.
                newer.clear()
            place = link, item.key if item.base is None else item.base
            is_over = (
                item.key is not None
                and newer.get(place) == item.key
                and not self._decides(item.base)
            )
            newer[place] = item.key
            batch.append(Handed(link, item, at_ns, is_over))
        self._batch.extend(reversed(batch))
        return bool(rows)

    def _decides(self, base: Hashable) -> bool:
        """Return whether a condition of the sheet depends on what is set there."""
        return isinstance(base, tuple) and len(base) > 1 and base[1] in self._deciding
