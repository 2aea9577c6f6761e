"""Faults that show only at full rate."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from knobwright.core.link import fates
from knobwright.core.link.content import OFF
from knobwright.core.link.fates import gap_fate
from knobwright.core.link.judge import judge_order, repeats
from knobwright.core.link.judge_status import Seen
from knobwright.core.link.known import Known
from knobwright.core.link.matching import Record, nearby
from knobwright.core.link.records import Finding, Stage

#: Runs of lost messages longer than this are not looked into for changed bytes.
_FEW = 3


class Damage(NamedTuple):
    """Messages in a row that did not come back at full rate: the first, and what became of them."""

    number: int
    offset_bytes: int
    what: str


def damages(seen: Seen) -> list[Damage]:
    """Return the damage of a stage, one for each run of messages that did not come back."""
    out: list[Damage] = []
    run: list[int] = []
    messages = seen.stage.messages
    for number in sorted(seen.lost):
        if run and (number != run[-1] + 1 or messages[number].group != messages[run[-1]].group):
            out.append(_damage(seen, run))
            run = []
        run.append(number)
    if run:
        out.append(_damage(seen, run))
    return out


def _damage(seen: Seen, run: list[int]) -> Damage:
    """Return what became of neighbouring messages of one burst."""
    messages = seen.stage.messages
    sent = b"".join(seen.known.expect(messages[number].data) for number in run)
    got = bytearray()
    last = b""
    for record in nearby(run[0], seen.found, seen.records):
        # A way that gives everything twice gives damage twice, too.
        if not (seen.known.n_copies > 1 and record.data == last):
            got += record.data
        last = record.data
    fate = gap_fate(sent, bytes(got))
    what = fate.what if len(run) <= _FEW or fate.what == fates.SWAPPED else fates.LOST
    if len(got) == len(sent) and _is_exchanged(
        [messages[n].data for n in run], bytes(got), seen.known
    ):
        what = fates.SWAPPED
    return Damage(run[0], messages[run[0]].offset_bytes, what)


def _is_exchanged(sent: list[bytes], got: bytes, known: Known) -> bool:
    """Return whether messages came with their data bytes exchanged, and then changed as known."""
    at = 0
    for message in sent:
        part = got[at : at + len(message)]
        exchanged = message[:1] + message[:0:-1]
        if part not in (known.expect(message), known.expect(exchanged)):
            return False
        at += len(message)
    return True


def judge_bursts(
    stage: Stage, sent_ns: Sequence[int], records: Sequence[Record], known: Known
) -> list[Finding]:
    """Return the faults of bursts at full rate; learn how long one may be."""
    seen = Seen(stage, sent_ns, records, known)
    all_damage = damages(seen)
    lost = [damage for damage in all_damage if damage.what == fates.LOST]
    if lost:
        # Where bytes get lost, what is left may look like a changed message.
        _lost(seen, [d for d in all_damage if d.what != fates.SWAPPED], known)
    # Once bytes are lost the rest of a burst is of no use as evidence for anything else.
    sound = [
        damage
        for damage in all_damage
        if not lost
        or (damage.what == fates.SWAPPED and damage.offset_bytes < known.longest_burst - 2)
    ]
    for what, name in ((fates.SWAPPED, "swapped"), (fates.CHANGED, "changed-at-full-rate")):
        some = [damage for damage in sound if damage.what == what]
        if some:
            least = min(damage.offset_bytes for damage in some)
            words = f"{len(some)} places in {stage.n_bytes} bytes, first after {least} bytes"
            seen.add(name, f"{words} without a rest", some[0].number)
            if name == "swapped":
                known.is_swapping = True
            else:
                known.longest_burst = max(least, 1)
    if not lost:  # what is left of damaged messages may look like others
        seen.out += judge_order(stage, seen.found, records)
        if seen.found.copies and known.n_copies == 1:
            seen.out.append(repeats(stage, seen.found))
    return seen.out


def _lost(seen: Seen, lost: list[Damage], known: Known) -> None:
    """Add the finding about bytes lost at full rate: from a length on, or anywhere."""
    messages = seen.stage.messages
    first = min(lost, key=lambda damage: damage.offset_bytes)
    least = first.offset_bytes
    hurt = {messages[damage.number].group for damage in lost}
    clean = [
        _size(group)
        for group in dict.fromkeys(sent.group for sent in messages if sent.group[:5] == "burst")
        if group not in hurt
    ]
    n_off = sum(messages[number].kind == OFF for number in seen.lost)
    hanging = f"; {n_off} note-offs among them" if n_off else ""
    whole = f"{len(seen.lost)} of {len(messages)} messages did not come back{hanging}"
    smallest = min(_size(group) for group in hurt)
    known.longest_burst = max(least, 1)
    # A buffer that is full is so after the same number of bytes each time.
    firsts = [
        min(damage.offset_bytes for damage in lost if messages[damage.number].group == group)
        for group in hurt
    ]
    is_steady = max(firsts) <= least * 1.25 + 4
    if clean and max(clean) < smallest and least >= max(clean) - 2 and is_steady:
        words = f"from about {least} bytes without a rest on; {whole}"
        seen.add("overrun", words, first.number)
    else:
        words = f"the first after {least} bytes without a rest; {whole}"
        seen.add("lost-at-full-rate", words, first.number)


def _size(group: str) -> int:
    """Return the bytes of a burst, from the name of its group."""
    return int(group.split()[2])


def judge_control(
    stage: Stage, sent_ns: Sequence[int], records: Sequence[Record], known: Known
) -> list[Finding]:
    """Return a finding where messages with rests are lost too: then the rate is not to blame."""
    seen = Seen(stage, sent_ns, records, known)
    if seen.lost:
        known.is_unreliable = True
        known.longest_burst = 0
        seen.chance()
    return seen.out


def judge_dense(
    stage: Stage, sent_ns: Sequence[int], records: Sequence[Record], known: Known
) -> list[Finding]:
    """Return the faults of running status and real time at full rate."""
    seen = Seen(stage, sent_ns, records, known)
    if seen.lost:
        number = min(seen.lost)
        offset = stage.messages[number].offset_bytes
        words = (
            f"{len(seen.lost)} of {len(stage.messages)} messages under running status, "
            f"the first after {offset} bytes without a rest"
        )
        seen.add("overrun" if offset else "lost-at-full-rate", words, number)
    elif len(seen.found.real_time) < len(stage.marks):
        n_lost = len(stage.marks) - len(seen.found.real_time)
        words = f"{n_lost} of {len(stage.marks)} real-time bytes"
        seen.add("lost-at-full-rate", words, stage.marks[0].before, "less real time")
    return seen.out
