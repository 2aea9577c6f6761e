"""A short run of the engine for one order: to be quiet, to send again, to play a song."""

from __future__ import annotations

import queue
import time
from types import TracebackType
from typing import TYPE_CHECKING, Self

from knobwright.cli.exits import tell
from knobwright.cli.patience import uninterrupted
from knobwright.core.errors import PortError

if TYPE_CHECKING:
    from knobwright.engine.messages import Order, Report, Start

_LOOK_S = 0.05


class Errand:
    """An engine that is started for one thing; what it reports is told on standard error.

    Parameters
    ----------
    start : Start
        The first order.

    Raises
    ------
    PortError
        From ``with``: the engine can't be started, or one of its links is not there.
    """

    def __init__(self, start: Start) -> None:
        from knobwright.wiring.engine import main
        from knobwright.wiring.supervisor import Supervisor

        self._came: queue.SimpleQueue[Report] = queue.SimpleQueue()
        self._supervisor = Supervisor(start, self._came.put, main)
        self._missing: dict[str, str] = {}
        self.n_let_go = 0

    def __enter__(self) -> Self:
        try:
            if not self._supervisor.start():
                self.listen()
                raise PortError("the engine could not be started")
            self.listen(is_first=True)
            if self._missing:
                name, words = next(iter(self._missing.items()))
                raise PortError(words.removeprefix(f"{name}: "), where=name)
        except BaseException:
            with uninterrupted():
                self._supervisor.stop()
            raise
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with uninterrupted():
            self._supervisor.stop(timeout_s=60.0)
            self.listen()

    def send(self, order: Order) -> None:
        """Send an order.

        Raises
        ------
        PortError
            There is no engine any more.
        """
        if not self._supervisor.send(order) and self._supervisor.is_over:
            raise PortError("the engine has stopped", hint="run the command again")

    def counts(self) -> dict[str, int]:
        """Return what the engine has counted; raises ``PortError``."""
        return self._supervisor.ask().counts

    def wait_idle(self, timeout_s: float = 60.0) -> dict[str, int]:
        """Wait until nothing waits on any link; return the counts then.

        Raises
        ------
        PortError
            That takes longer, a port was lost, or the engine does not answer.
        """
        deadline = time.monotonic() + timeout_s
        while time.monotonic() < deadline:
            counts = self.counts()
            self.listen()
            if self._missing:
                name, words = next(iter(self._missing.items()))
                raise PortError(f"the port is lost: {words}", where=name)
            if all(n for name, n in counts.items() if name.endswith(" is_idle")):
                return counts
            time.sleep(_LOOK_S)
        raise PortError("not everything could be sent in time")

    def listen(self, *, is_first: bool = False) -> None:
        """Tell what has come; at first a port that is not there is no news but an error."""
        from knobwright.cli.reports import report_words
        from knobwright.engine.messages import PortState, Ready

        while not self._came.empty():
            report = self._came.get()
            if isinstance(report, Ready):
                self.n_let_go += report.n_let_go
            if isinstance(report, PortState) and report.direction == "out":
                if report.is_there:
                    self._missing.pop(report.name, None)
                    continue
                self._missing[report.name] = report.words
                if is_first:
                    continue
            for words in report_words(report):
                tell(words)
