"""Faults of running status and of real time."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from difflib import SequenceMatcher

from knobwright.core.link import fates
from knobwright.core.link.chance import chance_fault
from knobwright.core.link.content import EXCLUSIVE
from knobwright.core.link.fates import exclusive_fate
from knobwright.core.link.known import Known
from knobwright.core.link.matching import (
    Matched,
    Record,
    got_words,
    hex_short,
    match,
    nearby,
    place_words,
)
from knobwright.core.link.records import FAILS, WORKS, Finding, Stage
from knobwright.core.wire import Dropped, Message, hex_words
from knobwright.core.wire.stream import NO_STATUS


class Seen:
    """A stage with what came back of it, and the findings so far."""

    def __init__(
        self, stage: Stage, sent_ns: Sequence[int], records: Sequence[Record], known: Known
    ) -> None:
        self.stage = stage
        self.records = records
        self.known = known
        self.found: Matched = match(stage, sent_ns, records, known)
        self.lost = set(self.found.lost)
        self.out: list[Finding] = []

    def numbers(self, group: str, kind: str = "") -> list[int]:
        """Return the numbers of the messages of a group (and kind)."""
        return [
            number
            for number, sent in enumerate(self.stage.messages)
            if sent.group == group and kind in ("", sent.kind)
        ]

    def mostly_lost(self, group: str, kind: str = "") -> list[int]:
        """Return the lost numbers of a group if most are lost, and take them off ``lost``."""
        numbers = self.numbers(group, kind)
        lost = [number for number in numbers if number in self.lost]
        if not lost or len(lost) * 5 < len(numbers) * 3:
            return []
        self.lost.difference_update(lost)
        return lost

    def add(self, name: str, details: str, number: int, got: str = "") -> None:
        """Add a finding with its evidence: a message of the stage and what came in its place."""
        sent = self.stage.messages[number]
        piece = self.stage.pieces[sent.piece].data
        self.out.append(
            Finding(
                name,
                details,
                place_words(self.stage, number),
                hex_short(piece),
                got or got_words(number, self.found, self.records),
            )
        )

    def chance(self) -> None:
        """Add what is left: lost now and then, with rests."""
        left = sorted(n for n in self.lost if self.stage.messages[n].group != "ender")
        if left:
            words = f"{len(left)} of {len(self.stage.messages)} messages with rests, now and then"
            name, number = chance_fault(left, self.stage, self.found, self.records, self.known)
            self.add(name, words, number)


def judge_running(
    stage: Stage, sent_ns: Sequence[int], records: Sequence[Record], known: Known
) -> list[Finding]:
    """Return the faults of plain running status."""
    seen = Seen(stage, sent_ns, records, known)
    dropped: list[tuple[str, int]] = []
    wrong: list[tuple[str, int]] = []
    for kind in dict.fromkeys(sent.kind for sent in stage.messages if sent.group == "short"):
        numbers = seen.mostly_lost("short", kind)
        if numbers:
            instead = [n for n in numbers if _came_as_message(seen, n)]
            (wrong if len(instead) * 2 > len(numbers) else dropped).append((kind, numbers[0]))
    for name, kinds in (("running-status-dropped", dropped), ("running-status-wrong", wrong)):
        if kinds:
            words = ", ".join(kind for kind, _ in kinds)
            seen.add(name, words, kinds[0][1])
    known.running_status = FAILS if dropped or wrong or seen.lost else WORKS
    seen.chance()
    return seen.out


def _came_as_message(seen: Seen, number: int) -> bool:
    """Return whether the data bytes of a lost message came inside another message."""
    data = seen.stage.messages[number].data[1:]
    return any(
        isinstance(record, Message) and data in record.data[1:] + b"\x00"
        for record in nearby(number, seen.found, seen.records)
    )


def judge_running_more(
    stage: Stage, sent_ns: Sequence[int], records: Sequence[Record], known: Known
) -> list[Finding]:
    """Return the faults of running status with real time, pauses, exclusive and common messages."""
    seen = Seen(stage, sent_ns, records, known)
    for group, name, words in (
        ("real time", "running-status-real-time", "a real-time byte between two messages"),
        ("pause", "running-status-pause", "a pause of 0.4 s"),
    ):
        numbers = seen.mostly_lost(group)
        if numbers:
            n_bytes = len(stage.messages[numbers[0]].data) - 1
            seen.add(name, f"{words}, then {n_bytes} data bytes: lost", numbers[0])
    _orphans(seen)
    _written(seen)
    # What ends running status was tried by itself before, and is not judged here.
    names = {finding.name for finding in seen.out}
    if seen.lost or names & {"running-status-real-time", "running-status-pause"}:
        known.running_status = FAILS
    seen.chance()
    return seen.out


def _orphans(seen: Seen) -> None:
    """Add findings where data bytes that belong to nothing came back as messages."""
    # Where the way changes values, one that was sent may look like one that must not come.
    expected = {seen.known.expect(sent.data) for sent in seen.stage.messages}
    came = {record.data for record in seen.records} - expected
    for group, name in (
        (EXCLUSIVE, "running-status-kept"),
        ("common", "running-status-kept-common"),
    ):
        orphans = [data for data, of in seen.stage.orphans if of == group]
        kept = [data for data in orphans if data in came]
        # A single one may have been made valid by a message that came out of place.
        if len(kept) * 2 >= len(orphans) > 0:
            words = f"{len(kept)} of {len(orphans)} times data bytes came back as a message"
            sent = f"{hex_words(kept[0][1:])} (no message)"
            got = hex_words(kept[0])
            seen.out.append(Finding(name, words, seen.stage.name, sent, got))


def _written(seen: Seen) -> None:
    """Add a finding where full messages came back without their status byte after an ender."""
    loose = [
        number
        for number in sorted(seen.lost)
        if seen.stage.messages[number].group in ("full", f"again {EXCLUSIVE}", "again common")
        and came_loose(seen, number)
    ]
    if loose:
        seen.lost.difference_update(loose)
        words = f"{len(loose)} messages after F0 to F7 came back without their status byte"
        seen.add("running-status-written", words, loose[0])


def came_loose(seen: Seen, number: int) -> bool:
    """Return whether the data bytes of a lost message came, without a status byte."""
    loose = b"".join(
        record.data
        for record in nearby(number, seen.found, seen.records)
        if isinstance(record, Dropped) and record.reason == NO_STATUS
    )
    return seen.known.expect(seen.stage.messages[number].data)[1:] in loose


def judge_real_time(
    stage: Stage, sent_ns: Sequence[int], records: Sequence[Record], known: Known
) -> list[Finding]:
    """Return the faults of real time between and inside messages, and inside exclusives."""
    seen = Seen(stage, sent_ns, records, known)
    places = ("inside 1", "inside 2")
    broken = [number for group in places for number in seen.mostly_lost(group)]
    if broken:
        n_all = sum(len(seen.numbers(group)) for group in places)
        words = f"{len(broken)} of {n_all} messages with a real-time byte inside did not come back"
        seen.add("real-time-breaks-message", words, broken[0])
    _exclusives(seen)
    came = seen.found.real_time[:: known.n_copies]
    _marks(seen, came)
    faults = [finding for finding in seen.out if finding.name.startswith("real-time")]
    known.takes_real_time_inside = not faults and bool(seen.numbers("inside 1"))
    if faults:
        known.real_time = FAILS
    seen.chance()
    return seen.out


def _exclusives(seen: Seen) -> None:
    """Add a finding where exclusives with a real-time byte inside did not come back whole."""
    numbers = seen.numbers(EXCLUSIVE)
    broken = [n for n in numbers if n in seen.lost]
    if not broken or len(broken) * 2 < len(numbers):
        return
    seen.lost.difference_update(broken)
    first = broken[0]
    fate = exclusive_fate(seen.stage.messages[first].data, seen.records)
    words = f"{len(broken)} of {len(numbers)} exclusives with a real-time byte inside"
    if fate.what in (fates.CUT, fates.SPLIT, fates.CHANGED):
        words += f"; the first one was {fate.what} after {fate.n_bytes} bytes"
    seen.add("real-time-breaks-exclusive", words, first, hex_short(fate.got) or "nothing")


def _marks(seen: Seen, came: Sequence[int]) -> None:
    """Add findings about real-time bytes that were lost, or came too late."""
    marks = seen.stage.marks
    fitted = dict(_aligned([mark.data for mark in marks], [seen.records[p].data for p in came]))
    lost = [n for n in range(len(marks)) if n not in fitted]
    inside_lost = [n for n in lost if marks[n].group != "between"]
    n_inside = sum(mark.group != "between" for mark in marks)
    if inside_lost and len(inside_lost) * 2 >= n_inside:
        words = f"{len(inside_lost)} of {n_inside} real-time bytes inside messages"
        seen.add("real-time-lost-inside", words, marks[inside_lost[0]].before, "no real time")
    elif lost:
        words = f"{len(lost)} of {len(marks)} real-time bytes, now and then"
        seen.add("lost", words, marks[lost[0]].before, "no real time")
    moved = [
        n
        for n, index in fitted.items()
        if came[index] > seen.found.hits.get(marks[n].before, len(seen.records))
    ]
    if moved and (n_inside == 0 or len(moved) * 4 >= n_inside):
        first = marks[moved[0]]
        piece = seen.stage.pieces[seen.stage.messages[first.before].piece].data
        words = f"{len(moved)} of {len(marks)} real-time bytes"
        got = f"{hex_short(seen.stage.messages[first.before].data)} | {hex_words(first.data)}"
        place = place_words(seen.stage, first.before)
        seen.out.append(Finding("real-time-moved", words, place, hex_short(piece), got))


def _aligned(sent: Sequence[bytes], got: Sequence[bytes]) -> Iterable[tuple[int, int]]:
    """Yield which real-time byte that was sent is which that came, in the longest common order."""
    blocks = SequenceMatcher(None, sent, got, autojunk=False).get_matching_blocks()
    for block in blocks:
        for offset in range(block.size):
            yield block.a + offset, block.b + offset
