"""The whole machine on a crowded line: notes are never late, and the music is the same.

What goes in and what comes out is told to a listening module that was written without the code
(``listener``); how late a note may be is worked out by the rules as they stand in
``docs/reference/order.md`` (``rules``).
"""

from __future__ import annotations

import random
from typing import NamedTuple

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from knobwright.core.timing.items import BEND, NOTE, REAL_TIME, VALUE, Item
from knobwright.core.timing.pacing import Pacing
from knobwright.core.wire import Dropped, Splitter
from tests.core.timing.drive import DIN_NS, Drive
from tests.core.timing.listener import Listener
from tests.core.timing.rules import barriers, may_replace, n_bytes, rests_ns
from tests.core.timing.traffic import KINDS, STORM, Heard, Players, traffic

MS = 1_000_000


class Set(NamedTuple):
    """One way to set up the line."""

    byte_ns: int = DIN_NS
    gap_ms: int = 0
    gap_holds: str = "exclusive"
    running_status: bool = False
    selections: str = "short"
    stream: bool = True


SETS = {
    "cable": Set(),
    "cable, rests": Set(gap_ms=20),
    "cable, rests for all": Set(gap_ms=10, gap_holds="all"),
    "cable, running status": Set(gap_ms=5, running_status=True),
    "cable, selections always": Set(selections="always"),
    "slow line": Set(byte_ns=1_000_000, gap_ms=20, running_status=True),
    "fast line": Set(byte_ns=80_000, gap_ms=40),
    "message port": Set(gap_ms=20, stream=False),
    "no limit": Set(byte_ns=0, gap_ms=20),
}


class Waiting(NamedTuple):
    """What had to go before a note when it was pushed."""

    note: Item
    at_ns: int
    bound_ns: int  # without the message that was under way, and real time
    n_sent: int  # hands so far


class Run:
    """One run: pushes what was heard, and keeps what is needed to judge it."""

    def __init__(self, heard: list[Heard], setting: Set) -> None:
        self.setting = setting
        self.heard = heard
        self.pacing = Pacing(
            byte_ns=setting.byte_ns,
            stream=setting.stream,
            gap_ns=setting.gap_ms * MS,
            gap_holds=setting.gap_holds,
            running_status=setting.running_status,
            selections=setting.selections,
            max_items=1_000_000,
        )
        self.drive = Drive(self.pacing, setting.byte_ns)
        self.waiting: list[Item] = []  # pushed, not complete, not replaced
        self.pushed: list[Item] = []
        self.replaced: list[Item] = []
        self.notes: list[Waiting] = []
        self.real_time: list[tuple[Item, int]] = []
        self.n_seen = 0
        for one in heard:
            for item in one.items:
                self.push(item, one.at_ns)
        self.drive.until(10**15)
        self.see()

    def see(self) -> None:
        """Take what is complete off what waits."""
        for sent in self.drive.sent[self.n_seen :]:
            for item in sent.hand.done:
                i = next(i for i, waits in enumerate(self.waiting) if waits is item)
                del self.waiting[i]
        self.n_seen = len(self.drive.sent)

    def push(self, item: Item, at_ns: int) -> None:
        # An item of its own each time, so that it is told by what it is, not by what it equals.
        item = Item(*item)
        self.drive.until(at_ns)
        self.see()
        if item.sort == NOTE:
            self.notes.append(Waiting(item, at_ns, self.bound_ns(item), len(self.drive.sent)))
        if item.sort == REAL_TIME and not any(i.sort == REAL_TIME for i in self.waiting):
            self.real_time.append((item, at_ns))
        before = self.pacing.counts.n_replaced
        self.pushed.append(item)
        assert self.pacing.push(item, at_ns)
        if self.pacing.counts.n_replaced > before:
            self.replace(item)
        self.waiting.append(item)
        self.drive.pump()
        self.see()

    def replace(self, new: Item) -> None:
        """Find what was replaced: it must have been replaceable."""
        i = max(i for i, old in enumerate(self.waiting) if old.key == new.key)
        assert may_replace(self.waiting[i], new, self.waiting[i + 1 :])
        self.replaced.append(self.waiting.pop(i))

    def bound_ns(self, note: Item) -> int:
        """Return how long the note may wait behind the message under way, by the rules."""
        gap_ns, byte_ns = self.setting.gap_ms * MS, self.setting.byte_ns
        own = barriers(note, self.waiting)
        resting = list(own)
        ahead: dict[int, Item] = {id(item): item for item in own}
        for i, other in enumerate(self.waiting):
            if other.sort == NOTE:
                ahead[id(other)] = other
                theirs = barriers(other, self.waiting[:i])
                ahead.update((id(item), item) for item in theirs)
                if self.setting.gap_holds == "all" or other.channels & note.channels:
                    resting.extend(theirs)
        # What is under way and would be split by a barrier goes on first. Which items are under
        # way is not seen from outside: of those that could be, one a channel counts.
        grouped = [i for i in self.waiting if len(i.messages) > 1 and id(i) not in ahead]
        touched = 0
        for item in ahead.values():
            touched |= item.channels if item.sort != NOTE else 0
        under_way = sum(
            max((n_bytes([i]) for i in grouped if i.channels >> c & 1 & touched >> c), default=0)
            for c in range(16)
        )
        wait_ns = (n_bytes(list(ahead.values())) + under_way) * byte_ns
        rests = {id(item): item for item in resting}.values()
        rest_ns = rests_ns(list(rests), gap_ns)
        if rest_ns or self.setting.gap_holds == "all":
            # The rest that may be on already, and a short message that began while it lasted.
            rest_ns += gap_ns + 3 * byte_ns * (1 + len(rests))
            if any(i.messages[0][0] == 0xF0 and len(i.messages) > 1 for i in self.waiting):
                rest_ns += gap_ns * 2  # between the messages of a sequence
        return wait_ns + rest_ns

    # -- judging -----------------------------------------------------------------------------------

    def under_way_end_ns(self, n_sent: int) -> int:
        """Return when the message ends that was on the line after so many hands."""
        end_ns = 0
        is_open = False
        for i, sent in enumerate(self.drive.sent):
            if i >= n_sent and not is_open:
                break
            end_ns = sent.end_ns
            if not is_real_time(sent.hand.data):
                is_open = not sent.hand.message
        return end_ns

    def check_notes(self) -> None:
        """(1) Every note starts as early as the rules promise."""
        starts = {id(i): s.start_ns for s in self.drive.sent for i in s.hand.done}
        clocks = [s for s in self.drive.sent if s.hand.done and s.hand.done[0].sort == REAL_TIME]
        for note, at_ns, wait_ns, n_sent in self.notes:
            start_ns = starts[id(note)]
            passed_ns = sum(s.end_ns - s.start_ns for s in clocks if at_ns <= s.start_ns < start_ns)
            latest_ns = max(at_ns, self.under_way_end_ns(n_sent)) + wait_ns + passed_ns
            assert start_ns <= latest_ns, f"{note} is {(start_ns - latest_ns) / 1e6} ms late"

    def check_music(self) -> None:
        """(2) What is heard is what was played."""
        meant, heard = Listener(own_selections=True), Listener(own_selections=False)
        for one in self.heard:
            for message in one.messages:
                meant.hear(message, one.source)
        for message in self.drive.messages():
            heard.hear(message)
        for channel in range(16):
            assert heard.notes[channel] == meant.notes[channel]
        assert heard.how == meant.how
        assert heard.values == meant.values

    def check_nothing_is_lost(self) -> None:
        """(3) Every item is sent once, or is a value or bend that a newer one replaced."""
        done = [item for sent in self.drive.sent for item in sent.hand.done]
        gone = {id(item) for item in self.replaced}
        assert sorted(map(id, done)) == sorted(id(i) for i in self.pushed if id(i) not in gone)
        assert all(item.sort in (VALUE, BEND) for item in self.replaced)
        assert not self.waiting
        counts = self.pacing.counts
        assert counts.n_replaced == len(self.replaced)
        assert counts.n_bytes == len(self.drive.wire())
        assert counts[4:10] == (0, 0, 0, 0, 0, 0)

    def check_wire(self) -> None:
        """(4) The bytes on the wire are the messages that were meant."""
        records = Splitter().feed(self.drive.wire())
        assert not [r for r in records if isinstance(r, Dropped)]
        real_time = [m for m in self.drive.messages() if m[0] >= 0xF8]
        others = [m for m in self.drive.messages() if m[0] < 0xF8]
        assert [r.data for r in records if r.data[0] >= 0xF8] == real_time
        assert [r.data for r in records if r.data[0] < 0xF8] == others
        if not self.setting.running_status:
            assert all(
                s.hand.message.endswith(s.hand.data) for s in self.drive.sent if s.hand.message
            )

    def check_real_time(self) -> None:
        """(5) Real time starts within one piece; a clock not within 1 ms after a start."""
        starts = {id(i): s.start_ns for s in self.drive.sent for i in s.hand.done}
        after_start_ns = 0
        for sent in self.drive.sent:
            if sent.hand.message == b"\xf8":
                assert sent.start_ns >= after_start_ns
            if sent.hand.message in (b"\xfa", b"\xfb"):
                after_start_ns = sent.end_ns + MS
        if not self.setting.stream:
            return
        for item, at_ns in self.real_time:
            if item.messages[0][0] >= 0xF9:
                assert starts[id(item)] - at_ns <= 4 * self.setting.byte_ns
            elif item.messages[0][0] == 0xF8:
                # A start that has just begun, its millisecond, then a piece that has just begun.
                assert starts[id(item)] - at_ns <= 5 * self.setting.byte_ns + MS

    def check_rests(self) -> None:
        """No exclusive begins in the rest of the one before; where it holds all, nothing does."""
        rest_end_ns = 0
        is_open = False
        for sent in self.drive.sent:
            data, message = sent.hand.data, sent.hand.message
            if is_real_time(data):
                continue
            if not is_open and (data[0] == 0xF0 or self.setting.gap_holds == "all"):
                assert sent.start_ns >= rest_end_ns
            is_open = not message
            if message[:1] == b"\xf0":
                rest_end_ns = sent.end_ns + self.setting.gap_ms * MS

    def check(self) -> None:
        self.check_rests()
        self.check_nothing_is_lost()
        self.check_wire()
        self.check_music()
        self.check_notes()
        self.check_real_time()


def is_real_time(data: bytes) -> bool:
    return data[0] >= 0xF8


@pytest.mark.parametrize("name", SETS)
@pytest.mark.parametrize("seed", range(4))
def test_notes_are_never_late_and_the_music_is_the_same(name: str, seed: int) -> None:
    setting = SETS[name]
    byte_ns = setting.byte_ns or DIN_NS
    # About one and a half times what the line carries, so that everything that may wait waits.
    per_second = 1.5e9 / byte_ns / 5
    kinds = (KINDS, STORM)[seed % 2]
    Run(traffic(random.Random(seed), 350, per_second, kinds), setting).check()


EVENT = st.tuples(
    st.sampled_from([*KINDS, "note", "knob", "data", "select"]),
    st.integers(0, 1 << 30),
    st.sampled_from([0, 0, 0, 300_000, MS, 7 * MS, 50 * MS]),
)


@given(st.lists(EVENT, max_size=40), st.sampled_from(list(SETS)))
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_any_traffic_arrives_as_it_was_meant(events: list[tuple[str, int, int]], name: str) -> None:
    players = Players(random.Random(0))
    at_ns = MS
    heard = []
    for kind, seed, wait_ns in events:
        at_ns += wait_ns
        players.pick.seed(seed)
        heard.append(players.event(at_ns, kind))
    Run(heard, SETS[name]).check()


def test_the_traffic_is_such_that_the_rules_matter() -> None:
    run = Run(traffic(random.Random(1), 400, 1000, STORM), SETS["cable"])
    run.check()
    counts = run.pacing.counts
    assert counts.n_replaced > 50
    assert counts.n_overtaken > 30
    left_out = n_bytes([i for s in run.drive.sent for i in s.hand.done]) - counts.n_bytes
    assert left_out > 20  # selections in force already
