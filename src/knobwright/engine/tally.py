"""Counts what happens often, and tells it now and then: no flood becomes a flood of words."""

from __future__ import annotations

from collections.abc import Callable

from knobwright.core.state.trust import suggested_beginning
from knobwright.engine.told import MAX_SHOWN_BYTES, Asked, DroppedBytes, Refused, Told

#: How often the same thing is told at most, in nanoseconds.
PAUSE_NS = 1_000_000_000
#: Things told apart of each sort; what comes after them is counted together.
MAX_KINDS = 64
OTHERS = "others"


class _Count:
    """How often since last told, how often in all, and what to tell of it."""

    __slots__ = ("n", "n_all", "text", "told_ns")

    def __init__(self, text: str) -> None:
        self.n = 0
        self.n_all = 0
        self.text = text
        self.told_ns: int | None = None

    def is_due(self, now_ns: int) -> bool:
        """Return whether there is something to tell that may be told now."""
        return self.n > 0 and (self.told_ns is None or now_ns - self.told_ns >= PAUSE_NS)

    def take(self, now_ns: int) -> int:
        """Return the count since last told and begin anew."""
        n, self.n, self.told_ns = self.n, 0, now_ns
        return n


class _Exclusive(_Count):
    """The same of exclusive messages that begin alike."""

    __slots__ = ("allow", "n_bytes")

    def __init__(self, text: str) -> None:
        super().__init__(text)
        self.allow = ""
        self.n_bytes = 0


class Tally:
    """What was dropped, refused and asked about, of all sources."""

    def __init__(self) -> None:
        self._dropped: dict[tuple[str, str], _Count] = {}
        self._refused: dict[tuple[str, str], _Count] = {}
        self._asked: dict[tuple[str, bytes], _Exclusive] = {}
        #: What the bench says not to pass on: counted, not told.
        self.n_left_out = 0

    def dropped(self, source: str, reason: str, data: bytes = b"", n: int = 1) -> None:
        """Count bytes or messages that were not acted on."""
        count = self._dropped.get((source, reason))
        if count is None:
            if len(self._dropped) >= MAX_KINDS:
                reason = OTHERS
            count = self._dropped.setdefault((source, reason), _Count(_hexed(data)))
        count.n += n
        count.n_all += n

    def refused(self, source: str, about: str, message: str) -> None:
        """Count a setting that could not be sent."""
        count = self._refused.get((source, about))
        if count is None:
            if len(self._refused) >= MAX_KINDS:
                about = OTHERS
            count = self._refused.setdefault((source, about), _Count(message))
        count.text = message
        count.n += 1
        count.n_all += 1

    def asked(self, source: str, message: bytes, why: str) -> None:
        """Count an exclusive message that was not passed on."""
        allow = suggested_beginning(message)
        first = bytes.fromhex(allow)
        count = self._asked.get((source, first))
        if count is None:
            if len(self._asked) >= MAX_KINDS:
                self.dropped(source, "exclusive messages that nobody explains", message)
                return
            count = self._asked[source, first] = _Exclusive(why)
        count.allow = allow
        count.n_bytes = len(message)
        count.text = why
        count.n += 1
        count.n_all += 1

    @property
    def n_dropped(self) -> int:
        """Return how many bytes and messages were dropped in all."""
        return sum(count.n_all for count in self._dropped.values())

    @property
    def n_refused(self) -> int:
        """Return how many settings were refused in all."""
        return sum(count.n_all for count in self._refused.values())

    @property
    def n_asked(self) -> int:
        """Return how many exclusive messages were not passed on in all."""
        return sum(count.n_all for count in self._asked.values())

    def tell(self, tell: Callable[[Told], None], now_ns: int) -> None:
        """Tell what has come since last told, each thing once a second at most."""
        for (source, reason), count in self._dropped.items():
            if count.is_due(now_ns):
                tell(DroppedBytes(source, reason, count.take(now_ns), count.text))
        for (source, about), count in self._refused.items():
            if count.is_due(now_ns):
                tell(Refused(source, about, count.text, count.take(now_ns)))
        for (source, first), asked in self._asked.items():
            if asked.is_due(now_ns):
                asked.take(now_ns)
                why, n = asked.text, asked.n_all
                tell(Asked(source, _hexed(first), asked.n_bytes, n, why, asked.allow))


def _hexed(data: bytes) -> str:
    return data[:MAX_SHOWN_BYTES].hex(" ").upper()
