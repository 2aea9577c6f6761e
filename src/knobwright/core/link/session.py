"""Which stage comes next, given what came back so far.

The test is a script that hands out one :class:`Stage` after the other and is given the
:class:`Run` of each. What was seen not to work is left out of later stages, so that one fault is
not taken for another. Nothing here knows a port or a clock.
"""

from __future__ import annotations

from collections.abc import Generator, Sequence

from knobwright.core.link import judge, judge_exclusive, judge_rate, judge_status
from knobwright.core.link import stages as plans
from knobwright.core.link import stages_rate as rate
from knobwright.core.link.faults import FAULTS
from knobwright.core.link.known import Known
from knobwright.core.link.latency import judge_latency, measure
from knobwright.core.link.matching import Record, match, remember
from knobwright.core.link.records import (
    NOT_ON_THIS_PORT,
    UNKNOWN,
    WORKS,
    Finding,
    Latency,
    LinkResult,
    Run,
    Stage,
)
from knobwright.core.wire import DIN_BAUD, Splitter, wire_time_us

Script = Generator[Stage, Run, None]

#: Findings of full rate that are only believed when the same with rests goes well.
_OF_RATE = ("lost-at-full-rate", "overrun", "changed-at-full-rate")


class Session:
    """A link test under way.

    Parameters
    ----------
    is_stream : bool
        Whether the out-port takes bytes in any pieces; else only whole messages are sent, and
        running status can't be tested.
    baud : int > 0, bits per second
        Speed of the line: nothing is sent faster.
    longest_exclusive : int
        The longest exclusive that the port carries, in bytes; 0 where it has no limit.
    is_quick : bool
        Fewer tries and shorter bursts.
    """

    def __init__(
        self,
        *,
        is_stream: bool,
        baud: int = DIN_BAUD,
        longest_exclusive: int = 0,
        is_quick: bool = False,
    ) -> None:
        self._plan = plans.Plan(baud=baud, is_stream=is_stream, is_quick=is_quick)
        self._limit = longest_exclusive
        self._known = Known()
        self._splitter = Splitter()
        self._findings: list[Finding] = []
        self._latency: Latency | None = None
        self._done: list[Stage] = []
        self._is_over = False
        self._script = self._stages()
        self._next: Stage | None = next(self._script)

    @property
    def stage(self) -> Stage | None:
        """Return the stage that is to be run now; ``None`` when the test is over."""
        return self._next

    def take(self, run: Run) -> None:
        """Take what came of the stage, and decide on the next.

        Raises
        ------
        ValueError
            The test is over, or the run is not of this stage.
        """
        if self._next is None or len(run.sent_ns) != len(self._next.pieces):
            raise ValueError("this is no run of the stage that is due")
        self._done.append(self._next)
        try:
            self._next = self._script.send(run)
        except StopIteration:
            self._next = None
            self._is_over = True

    @property
    def findings(self) -> tuple[Finding, ...]:
        """Return what was found so far, each fault once, in the order of the table."""
        first: dict[str, Finding] = {}
        for finding in self._findings:
            first.setdefault(finding.name, finding)
        # Where messages are lost by chance even with rests, the rate is not to blame; and what is
        # left of damaged messages may look like others.
        if self._known.is_unreliable:
            for name in (*_OF_RATE, "repeats", "unsent", "jitter"):
                first.pop(name, None)
        return tuple(first[name] for name in FAULTS if name in first)

    def result(self) -> LinkResult:
        """Return what was found so far."""
        known = self._known
        running = known.running_status if self._plan.is_stream else NOT_ON_THIS_PORT
        is_usable = not known.is_dead
        return LinkResult(
            findings=self.findings,
            running_status=running,
            real_time=known.real_time if is_usable else UNKNOWN,
            longest_exclusive=known.longest_exclusive or self._burst_limit(),
            tried_exclusive=known.tried_exclusive,
            rest_ms=known.rest_ms,
            longest_burst=known.longest_burst,
            latency=self._latency,
            baud=self._plan.baud,
            n_messages=sum(len(stage.messages) for stage in self._done),
            n_bytes=sum(stage.n_bytes for stage in self._done),
            stages=tuple(stage.name for stage in self._done),
            is_whole=self._is_over,
        )

    def _burst_limit(self) -> int:
        """Return the longest exclusive that a way can take that loses bytes of long bursts."""
        known = self._known
        return known.tried_exclusive if known.longest_burst and known.takes_exclusive else 0

    # ------------------------------------------------------------ the script

    def _stages(self) -> Script:
        """Yield all stages; each answer is the run of the one before."""
        known, plan = self._known, self._plan
        run = yield plans.silence(plan)
        self._findings += judge.judge_silence(self._records(run), known)
        stage = plans.singles(plan, known)
        run = yield stage
        records = self._records(run)
        self._findings += judge.judge_singles(stage, run.sent_ns, records, known)
        self._after(stage, run, records)
        # With messages lost by chance nothing finer can be told from it.
        if not (known.is_dead or known.is_unreliable):
            yield from self._with_rests()
        if not (known.is_dead or known.is_unreliable):
            yield from self._at_full_rate()
            yield from self._exclusives()
        if not known.is_dead:
            yield from self._timed()

    def _with_rests(self) -> Script:
        """Yield the stages of running status and real time."""
        known, plan = self._known, self._plan
        stage = plans.running(plan, known)
        if stage is not None:
            run = yield stage
            records = self._records(run)
            self._findings += judge_status.judge_running(stage, run.sent_ns, records, known)
            self._after(stage, run, records)
            takes = known.running_status == WORKS
            stage = plans.running_more(plan, known) if takes else None
        if stage is not None:
            run = yield stage
            records = self._records(run)
            self._findings += judge_status.judge_running_more(stage, run.sent_ns, records, known)
            self._after(stage, run, records)
        stage = plans.real_time(plan, known)
        if stage is not None:
            run = yield stage
            records = self._records(run)
            self._findings += judge_status.judge_real_time(stage, run.sent_ns, records, known)
            self._after(stage, run, records)

    def _at_full_rate(self) -> Script:
        """Yield the stages without rests, and one with rests to compare if bytes get lost."""
        known, plan = self._known, self._plan
        stage = rate.bursts(plan, known)
        if stage is None:
            return
        run = yield stage
        records = self._records(run)
        found = judge_rate.judge_bursts(stage, run.sent_ns, records, known)
        self._findings += found
        self._after(stage, run, records)
        if any(finding.name in _OF_RATE for finding in found):
            stage = rate.control(plan, known)
            run = yield stage
            records = self._records(run)
            self._findings += judge_rate.judge_control(stage, run.sent_ns, records, known)
            self._after(stage, run, records)
        dense = rate.dense(plan, known)
        if dense is not None and known.running_status == WORKS:
            run = yield dense
            records = self._records(run)
            self._findings += judge_rate.judge_dense(dense, run.sent_ns, records, known)
            self._after(dense, run, records)

    def _exclusives(self) -> Script:
        """Yield the stages of exclusives: by length, then by the rest after them."""
        known, plan = self._known, self._plan
        if known.is_unreliable:
            return
        stage = rate.lengths(plan, known, self._limit)
        if stage is None or not rate.tried_lengths(plan, known, self._limit):
            return
        run = yield stage
        records = self._records(run)
        found = judge_exclusive.judge_lengths(stage, records, known)
        self._after(stage, run, records)
        if known.longest_exclusive:
            yield from self._longest(stage, records)
            found = [judge_exclusive.with_limit(finding, known) for finding in found]
        self._findings += found
        if not any(finding.name in ("lost", "exclusive-changed") for finding in found):
            yield from self._rests()

    def _longest(self, stage: Stage, records: Sequence[Record]) -> Script:
        """Yield single exclusives until the longest that comes back is known to the byte."""
        known = self._known
        seen = judge_exclusive.lengths_fates(stage, records)
        low = known.longest_exclusive
        high = min(length for length, fate, _ in seen if fate.what != "whole" and length > low)
        while high - low > 1:
            middle = (low + high) // 2
            one = rate.one_length(self._plan, known, middle)
            run = yield one
            records = self._records(run)
            self._after(one, run, records)
            if judge_exclusive.is_whole(one, records):
                low = middle
            else:
                high = middle
        known.longest_exclusive = low

    def _rests(self) -> Script:
        """Yield exclusives with messages behind them until the rest that is needed is known."""
        known = self._known
        ladder = rate.RESTS_MS
        low, high = -1, len(ladder)
        at = 0  # no rest first: most ways need none
        found: Finding | None = None
        while high - low > 1:
            stage = rate.rests(self._plan, known, ladder[at])
            if stage is None:
                return
            run = yield stage
            records = self._records(run)
            lost = judge_exclusive.followers(stage, run.sent_ns, records, known)
            self._after(stage, run, records)
            if lost is None:
                high = at
            else:
                low, found = at, found or lost
            at = (low + high) // 2
        if found is None:
            return
        if high == len(ladder):
            words = f"{found.details}, even with {ladder[-1]} ms of rest"
            known.rest_ms = ladder[-1]
        else:
            known.rest_ms = ladder[high]
            words = f"{found.details}; nothing is lost with {ladder[high]} ms of rest"
        self._findings.append(found._replace(details=words))

    def _timed(self) -> Script:
        """Yield the stage that is timed."""
        known, plan = self._known, self._plan
        stage = rate.latency(plan, known)
        if stage is None:
            return
        run = yield stage
        records = self._records(run)
        wire_us = round(wire_time_us(3, baud=plan.baud))
        self._latency = measure(self._times_ns(stage, run, records), wire_us)
        self._after(stage, run, records)
        if self._latency is not None:
            self._findings += judge_latency(self._latency)

    # ------------------------------------------------------------ helpers

    def _records(self, run: Run) -> list[Record]:
        """Return the messages that arrived, and the bytes that belong to none."""
        out: list[Record] = []
        for at_ns, data in run.received:
            out += self._splitter.feed(data, at_ns)
        return out

    def _times_ns(self, stage: Stage, run: Run, records: Sequence[Record]) -> list[int]:
        """Return how long each message took; without those that came after a later one."""
        found = match(stage, run.sent_ns, records, self._known)
        out = []
        latest = -1
        for number in found.arrivals:
            if number < latest:
                continue
            latest = number
            sent = stage.messages[number]
            out.append(records[found.hits[number]].at_ns - run.sent_ns[sent.piece])
        return out

    def _after(self, stage: Stage, run: Run, records: Sequence[Record]) -> None:
        """Keep what a stage teaches for all later ones: its messages, and how long they take."""
        if not stage.is_full_rate:
            times = self._times_ns(stage, run, records)
            self._known.worst_us = max(self._known.worst_us, *(t // 1_000 for t in times), 0)
        remember(stage, self._known)


def estimate_s(
    *, is_stream: bool, baud: int = DIN_BAUD, longest_exclusive: int = 0, is_quick: bool = False
) -> float:
    """Return the seconds that a test of a sound link takes; more when a fault is looked into."""
    session = Session(
        is_stream=is_stream, baud=baud, longest_exclusive=longest_exclusive, is_quick=is_quick
    )
    total_us, now_us = 0.0, 0.0
    while (stage := session.stage) is not None:
        total_us += stage.length_us + stage.quiet_us
        sent = tuple(round((now_us + piece.at_us) * 1_000) for piece in stage.pieces)
        received = tuple(
            (at_ns + 1_000, piece.data) for at_ns, piece in zip(sent, stage.pieces, strict=True)
        )
        now_us += stage.length_us + stage.quiet_us
        session.take(Run(sent, received))
    return total_us / 1_000_000


__all__ = ["Session", "estimate_s"]
