"""What stands in the bridge's place where there is no bench: bytes go to the link as they come."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable

from knobwright.core.timing.items import Item
from knobwright.core.timing.merge import Merge
from knobwright.core.wire import Message, Splitter


class Plain:
    """Takes bytes from the programs of this user and sends them, source by source.

    Each source has its own running status and its own RPN and NRPN selection. Bytes that belong to
    no message are counted and not sent.

    Parameters
    ----------
    push : callable
        Takes items for the link.
    """

    def __init__(self, push: Callable[[Iterable[Item]], None]) -> None:
        self._push = push
        self._sources: dict[str, tuple[Splitter, Merge]] = {}
        self._lock = threading.Lock()
        self._n_messages = self._n_dropped_bytes = 0

    def receive(self, source: str, data: bytes, at_ns: int, rest_ns: int = 0) -> None:
        """Take MIDI bytes, cut anywhere; a rest follows the last message that they complete."""
        with self._lock:
            known = self._sources.get(source)
            if known is None:
                known = self._sources[source] = (Splitter(), Merge(source))
            splitter, merge = known
            items: list[Item] | None = None
            for record in splitter.feed(data, at_ns):
                if type(record) is Message:
                    self._n_messages += 1
                    if items:
                        items += merge.feed(record[0])
                    else:
                        items = merge.feed(record[0])
                else:
                    self._n_dropped_bytes += len(record[0])
            if items:
                if rest_ns:
                    items[-1] = items[-1]._replace(rest_ns=rest_ns)
                self._push(items)

    def counts(self) -> dict[str, int]:
        """Return what was counted."""
        n_unplaced = sum(merge.n_unplaced for _, merge in self._sources.values())
        return {
            "messages_in": self._n_messages,
            "bytes_dropped": self._n_dropped_bytes,
            "data_without_selection": n_unplaced,
        }
