"""A link in the engine: ledger, pacer and port of one module, joined."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Sequence
from typing import Protocol, runtime_checkable

import msgspec

from knobwright.adapters.clock import monotonic_ns, slept_ns, wake_exactly
from knobwright.adapters.ledger import MappedLedger, ledger_path
from knobwright.core.errors import PortError, PortLimitError
from knobwright.core.interfaces import InPort, Ledger, Limits, OutPort
from knobwright.core.timing.items import Item
from knobwright.core.timing.pacing import Pacing
from knobwright.engine.held import NoLedger
from knobwright.engine.keeper import Keeper
from knobwright.engine.messages import LinkPlan
from knobwright.engine.outbox import Outbox
from knobwright.engine.pacer import Hooks, Pacer
from knobwright.wiring.ports import out_opener

#: A byte on a serial line is a start bit, eight bits of data and a stop bit.
_BITS = 10
_NS = 1_000_000_000
_MS_NS = 1_000_000
#: How long letting go may take at the end, beside the time that its bytes need on the line.
_END_S = 1.0


def byte_ns(baud: int) -> int:
    """Return the time of a byte on a line in nanoseconds; 0 for a line without a speed."""
    return _BITS * _NS // baud if baud > 0 else 0


@runtime_checkable
class NumberPort(Protocol):
    """A port that sends numbers, too."""

    def send_number(self, path: str, value: float) -> None:
        """Send a number to a path; raises ``PortError``."""
        ...


class OpenLink:
    """One way out: to a module, or back to a surface.

    Parameters
    ----------
    plan : LinkPlan
    outbox : Outbox
        Where its traffic and troubles are told.
    folder : str
        The bench folder; empty where there is none.
    is_module : bool
        Whether a ledger of held notes is kept; a surface makes no sound.
    """

    def __init__(
        self,
        plan: LinkPlan,
        outbox: Outbox,
        *,
        folder: str = "",
        is_module: bool = True,
    ) -> None:
        self.name = plan.out.address
        self._outbox = outbox
        self._mapped: MappedLedger | None = None
        ledger: Ledger = NoLedger()
        if is_module:
            path = plan.ledger or str(ledger_path(folder or None, self.name))
            ledger = self._mapped = MappedLedger(path)
            plan = msgspec.structs.replace(plan, ledger=path)
            if ledger.was_unreadable:
                outbox.trouble(
                    "the ledger of held notes was unreadable: everything is let go",
                    where=path,
                )
        self.plan = plan
        self._keeper: Keeper | None = None
        self._numbers: NumberPort | None = None
        self._open, limits = out_opener(plan.out)
        self.pacer = Pacer(
            _maker(plan, limits),
            ledger,
            clock=monotonic_ns,
            byte_ns=byte_ns(plan.out.baud),
            hooks=Hooks(None, outbox.tap("out", self.name), self._failed, self._trouble),
            quiet=plan.quiet,
            slept=slept_ns,
            at_start=wake_exactly,
        )

    def start(self, keeper: Keeper) -> bool:
        """Open the port and let go of what is owed; return whether the port is there."""
        self._keeper = keeper
        self.pacer.start()
        return keeper.keep(self.name, self._open, self)

    def push(self, items: Iterable[Item]) -> None:
        """Send items, in the order that the rules give."""
        self.pacer.push(items)

    def send_number(self, path: str, number: float) -> None:
        """Send a number for a path, where the port carries such; else nothing happens."""
        port = self._numbers
        if port is None:
            return
        try:
            port.send_number(path, number)
        except PortLimitError as error:
            self._outbox.error(error)
        except PortError as error:
            self._failed(str(error))

    def back(self, port: OutPort) -> None:
        """Take the port from the keeper."""
        self._numbers = port if isinstance(port, NumberPort) else None
        self.pacer.back(port)

    def lost(self, words: str) -> None:
        """Learn from the keeper that the port is gone."""
        self._numbers = None
        self.pacer.lost(words)

    def stop(self) -> int:
        """Let go of everything; return how many notes could not be let go."""
        pacer = self.pacer
        pacer.quiet(all_channels=self.plan.quiet_everywhere)
        rest_s = max(pacer.pacing.rest_end_ns - monotonic_ns(), 0) / _NS
        line_s = pacer.n_owed * 3 * byte_ns(self.plan.out.baud) / _NS
        pacer.wait_quiet(_END_S + rest_s + line_s)
        pacer.close()
        n_owed = pacer.n_owed
        if self._mapped is not None:
            if n_owed or any(True for _ in self._mapped.pedals()):
                self._mapped.close()
            else:
                self._mapped.remove()
        return n_owed

    def counts(self) -> dict[str, int]:
        """Return what was counted on this link."""
        counts = self.pacer.pacing.counts._asdict() | self.pacer.counts()._asdict()
        counts["n_owed"] = self.pacer.n_owed
        counts["is_there"] = int(self.pacer.is_there)
        counts["is_idle"] = int(self.pacer.is_idle)
        counts["load_permille"] = int(self.pacer.pacing.load(monotonic_ns()) * 1000)
        return counts

    def wait_idle(self) -> None:
        """Wait until everything is sent, as long as something moves or the module rests."""
        n_bytes, moved_ns = -1, monotonic_ns()
        while not self.pacer.is_idle:
            now_ns = monotonic_ns()
            if self.pacer.pacing.counts.n_bytes != n_bytes:
                n_bytes, moved_ns = self.pacer.pacing.counts.n_bytes, now_ns
            elif now_ns < self.pacer.pacing.rest_end_ns:
                moved_ns = now_ns
            elif now_ns - moved_ns > _NS + self.plan.gap_ms * _MS_NS:
                return
            time.sleep(0.002)

    # -- from the pacer ----------------------------------------------------------------------------

    def _failed(self, words: str) -> None:
        if self._keeper is not None:
            self._keeper.mend(self.name)

    def _trouble(self, words: str) -> None:
        self._outbox.trouble(words, where=self.name)


class SourceWatch:
    """An input, from the keeper's point of view: what it holds is let go when it is lost."""

    def __init__(self, source: str, links: Sequence[OpenLink]) -> None:
        self._source = source
        self._links = links

    def back(self, port: InPort) -> None:
        """Take the port; it calls by itself."""

    def lost(self, words: str) -> None:
        """Let go of what this input holds."""
        for link in self._links:
            link.pacer.let_go(self._source)


def _maker(plan: LinkPlan, limits: Limits) -> Callable[[], Pacing]:
    """Return what makes the order-and-line machine of a link."""
    longest = [n for n in (plan.longest_exclusive, limits.longest_exclusive) if n]

    def make() -> Pacing:
        return Pacing(
            byte_ns=byte_ns(plan.out.baud),
            stream=limits.stream,
            gap_ns=plan.gap_ms * _MS_NS,
            gap_holds=plan.gap_holds,
            running_status=plan.running_status,
            selections=plan.selections,
            longest_exclusive=min(longest, default=None),
            active_sensing=plan.active_sensing,
        )

    return make
