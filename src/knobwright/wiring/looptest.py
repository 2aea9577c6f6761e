"""Opens the two ports of a link test, runs it, and keeps its result in the bench."""

from __future__ import annotations

import datetime
from collections.abc import Callable

from knobwright.adapters.clock import monotonic_ns, wake_exactly
from knobwright.core.errors import PortError, PortLostError
from knobwright.core.link.records import LinkResult, proven
from knobwright.core.link.session import estimate_s
from knobwright.core.wire import DIN_BAUD
from knobwright.engine.looptest import Arrivals, LinkTest, Progress, RealTiming
from knobwright.engine.messages import PortPlan
from knobwright.wiring.ports import open_in, open_out


def run_looptest(
    out: PortPlan,
    into: PortPlan,
    *,
    is_quick: bool = False,
    on_start: Callable[[str, str, float], None] | None = None,
    on_progress: Callable[[Progress], None] | None = None,
) -> LinkResult:
    """Run the link test from one port to another.

    Parameters
    ----------
    out, into : PortPlan
        The two ends; ``out.baud`` is the speed of the line, 0 for that of a MIDI cable.
    is_quick : bool
        Fewer tries and shorter bursts.
    on_start : callable, optional
        Takes both ports' names and the seconds that the test of a sound link takes.
    on_progress : callable, optional
        Called as each stage begins, and at the end.

    Raises
    ------
    NamingError, PortError
        A port is not there, can't be opened, or is lost on the way.
    """
    baud = out.baud or DIN_BAUD
    arrivals = Arrivals()
    in_port = open_in(into, arrivals.receive)
    try:
        out_port = open_out(out)
        try:
            limits = out_port.limits
            if on_start is not None:
                seconds = estimate_s(
                    is_stream=limits.stream,
                    baud=baud,
                    longest_exclusive=limits.longest_exclusive or 0,
                    is_quick=is_quick,
                )
                on_start(out_port.name, in_port.name, seconds)
            wake_exactly()
            timing = RealTiming(monotonic_ns)
            test = LinkTest(out_port, arrivals, timing, baud=baud, is_quick=is_quick)
            result = test.run(on_progress)
            if not in_port.is_there():
                # What it did not bring is no fault of the way.
                raise PortLostError("the port was lost during the test", where=in_port.name)
            return result
        finally:
            out_port.close()
    finally:
        in_port.close()


def save_result(bench: str, link: int, result: LinkResult) -> dict[str, bool | int | str]:
    """Write what was found into the bench and return it; ``link`` is numbered from 0.

    Raises
    ------
    PortError
        Nothing came back: that says nothing about the link that would be worth keeping.
    InputError, StoreError
        The bench can't be read or written.
    """
    from knobwright.adapters.files.bench import save_proven

    if any(finding.name in ("nothing-back", "garbled") for finding in result.findings):
        raise PortError(
            "nothing that was sent came back, so that nothing is written into the bench",
            where=bench,
        )
    now = datetime.datetime.now(datetime.UTC).strftime("%Y-%m-%d %H:%M UTC")
    kept = proven(result, now)
    save_proven(bench, link, kept)
    return kept
