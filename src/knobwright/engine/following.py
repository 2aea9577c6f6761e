"""What becomes known of the module: followed from what was handed over, and from what it says."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence

from knobwright.core.codec.plan import Codec
from knobwright.core.timing.items import Item
from knobwright.engine.handed import HandedOver
from knobwright.engine.known import Change, LinkState
from knobwright.engine.news import News
from knobwright.engine.restoring import Restoring
from knobwright.engine.tally import Tally
from knobwright.engine.told import Told

#: What came in from the module is looked at only after this time, in nanoseconds: what was sent is
#: known by then, so that an echo can be told from the module's own word.
GRACE_NS = 20_000_000
#: Pieces from the module that may wait; what comes beyond is counted as dropped.
MAX_INBOX = 10_000

#: Link, bytes and when they came.
Came = tuple[int, bytes, int]


class Following:
    """Follows both ways of each link; but for :meth:`sent` and :meth:`came` under one lock.

    Parameters
    ----------
    codec, shared, states, tally
        What the bridge has, too.
    restoring, news
        Who learns what went out, and what is known otherwise.
    forget : sequence of callable
        For each link what makes its pacer forget what is selected.
    """

    def __init__(
        self,
        codec: Codec,
        shared: Mapping[str, str],
        states: Sequence[LinkState],
        tally: Tally,
        restoring: Restoring,
        news: News,
        forget: Sequence[Callable[[], object]] = (),
    ) -> None:
        self._states = states
        self._tally = tally
        self._restoring = restoring
        self._news = news
        self._forget = forget
        # Filled by the pacers and by the module's in-ports, whose locks may be held: no lock here.
        self._sent = HandedOver(codec.sheet.parameters, shared)
        self._inbox: deque[Came] = deque()

    # -- without a lock ----------------------------------------------------------------------------

    @property
    def n_sent(self) -> int:
        """Return how many items were handed over and are not followed yet."""
        return len(self._sent)

    def sent(self, link: int, items: Sequence[Item], at_ns: int) -> None:
        """Note items that were handed over."""
        self._sent.add(link, items, at_ns)

    def came(self, link: int, data: bytes, at_ns: int) -> None:
        """Take bytes that the module sent."""
        if len(self._inbox) < MAX_INBOX:
            self._inbox.append((link, data, at_ns))
        else:
            self._tally.dropped(f"link {link + 1}", "more than can be looked at", data, len(data))

    def ripe(self, now_ns: int) -> list[Came]:
        """Return what came in from the module and may be looked at by now."""
        found = []
        while self._inbox and self._inbox[0][2] <= now_ns - GRACE_NS:
            found.append(self._inbox.popleft())
        return found

    # -- under the lock ----------------------------------------------------------------------------

    def settle_all(self, now_ns: int) -> None:
        """Follow everything that was handed over."""
        while self._sent:
            self.settle(64, now_ns)

    def settle(self, n_most: int, now_ns: int) -> None:
        """Follow the next items that were handed over, ``n_most`` at most."""
        for link, item, at_ns, is_over in self._sent.take(n_most):
            self._restoring.handed_over(item, at_ns)
            state = self._states[link]
            if is_over:
                state.pass_over(item, at_ns)
                continue
            changes = state.take_sent(item, at_ns)
            if changes:
                self._news.note(link, changes, now_ns)
            if state.was_reset is not None:
                self._others_reset(link, item.source, now_ns, owed=state.was_reset)
                state.was_reset = None

    def _others_reset(self, link: int, cause: str, now_ns: int, *, owed: bool) -> None:
        """Note that a reset on one link has reset what hangs on the others: it is one module."""
        for number, state in enumerate(self._states):
            if number != link:
                self._news.note(number, state.start_anew(cause, owed=owed), now_ns)
                for forget in self._forget[number : number + 1]:
                    forget()

    def hear(self, came: Sequence[Came], now_ns: int, tell: Callable[[Told], None]) -> None:
        """Look at what the module said."""
        for link, data, at_ns in came:
            for record in self._states[link].take_heard(data, at_ns, tell):
                if isinstance(record, Change):
                    self._news.note(link, [record], now_ns)
                else:
                    n_bytes, name = len(record.data), f"link {link + 1}"
                    self._tally.dropped(name, record.reason, record.data, n_bytes)
