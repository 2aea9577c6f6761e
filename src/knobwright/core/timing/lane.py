"""Real-time items that wait: they go before all else, in their own order (rule 1)."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator

from knobwright.core.timing.items import Item
from knobwright.core.wire.cost import START_REST_US

#: Least rest between start or continue and the next clock (4.2.1, page 30).
START_REST_NS = START_REST_US * 1000

_TIME_CODE = 0xF1
_CLOCK = 0xF8
_STARTS = (0xFA, 0xFB)


class Lane:
    """Waiting real-time items, time code, song positions and song selects.

    They keep their order; only time code (F1), which waits for a message to end, is passed.
    ``items`` is what waits, for a quick look.
    """

    def __init__(self) -> None:
        self.items: deque[Item] = deque()
        self._clock_ns = 0  # no clock goes before

    def __len__(self) -> int:
        return len(self.items)

    def push(self, item: Item) -> None:
        """Let one more wait."""
        self.items.append(item)

    def clear(self) -> int:
        """Throw all away; return how many."""
        n_items = len(self.items)
        self.items.clear()
        return n_items

    def ready(self, rest_end_ns: int | None) -> Iterator[tuple[int, int]]:
        """Yield the number of each item that may go next, and from when on in nanoseconds.

        Parameters
        ----------
        rest_end_ns : int or None, nanoseconds
            When a message may begin; ``None`` in the middle of one, where F1 to F3 can't go.
        """
        is_code_seen = False
        for i, item in enumerate(self.items):
            status = item.messages[0][0]
            if status == _CLOCK:
                yield i, self._clock_ns
            elif status > _CLOCK:
                yield i, 0
            elif rest_end_ns is not None and not is_code_seen:
                yield i, rest_end_ns
            if status != _TIME_CODE:
                return
            is_code_seen = True

    def take(self, now_ns: int, rest_end_ns: int | None) -> Item | None:
        """Return the item that goes now, which waits no more; ``None`` where none may."""
        for i, from_ns in self.ready(rest_end_ns):
            if from_ns <= now_ns:
                item = self.items[i]
                del self.items[i]
                return item
        return None

    def sent(self, status: int, end_ns: int) -> None:
        """Note that a real-time byte was sent: after a start the clock rests."""
        if status in _STARTS:
            self._clock_ns = end_ns + START_REST_NS
