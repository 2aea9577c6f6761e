"""Faults of the way as a whole and of single messages that have rests around them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

from knobwright.core.link import fates
from knobwright.core.link.chance import chance_fault
from knobwright.core.link.changes import find_change
from knobwright.core.link.content import (
    ACTIVE_SENSING,
    CHANNEL_KINDS,
    EXCLUSIVE,
    OFF,
    ON_0,
    REAL_TIME_KINDS,
)
from knobwright.core.link.fates import exclusive_fate
from knobwright.core.link.known import ALL_KINDS, Known
from knobwright.core.link.matching import (
    CLOSING,
    Matched,
    Record,
    got_words,
    hex_short,
    match,
    place_words,
)
from knobwright.core.link.records import FAILS, WORKS, Finding, Stage
from knobwright.core.wire import Message, hex_words
from knobwright.core.wire.status import FIRST_SYSTEM

#: From this share of messages on that come back more than once it is the way, and not chance.
_ECHO_SHARE = 0.8
#: From this many different messages of a channel on, that all came back elsewhere, it is moved.
_FEW = 2
#: From this share of messages lost by chance on nothing else is concluded from lost ones.
_MANY_SHARE = 0.03
# From here on messages carry no number, so that their order can't be told.
_TUNE_REQUEST = 0xF6


def judge_silence(records: Sequence[Record], known: Known) -> list[Finding]:
    """Return what is to be said about what arrives before anything is sent."""
    if not records:
        return []
    counts = Counter(record.data for record in records)
    clocks = {data for data in counts if data in REAL_TIME_KINDS.values()}
    known.noise |= clocks
    out = []
    if clocks:
        words = ", ".join(f"{hex_words(data)} {counts[data]} times" for data in sorted(clocks))
        out.append(Finding("unsent-clock", words, "silence"))
    others = [data for data in counts if data not in clocks]
    if others:
        n_all = sum(counts[data] for data in others)
        words = f"{n_all} before the test had sent anything"
        out.append(Finding("unsent", words, "silence", got=hex_short(others[0])))
    return out


def judge_singles(
    stage: Stage, sent_ns: Sequence[int], records: Sequence[Record], known: Known
) -> list[Finding]:
    """Return the faults of single messages; learn what comes back, and how."""
    if not any(record.data not in known.noise for record in records):
        known.is_dead = True
        words = f"{len(stage.messages)} messages were sent"
        return [Finding("nothing-back", words, stage.name, hex_short(stage.messages[0].data))]
    found = match(stage, sent_ns, records, known)
    out: list[Finding] = []
    if found.lost:
        out += _moved(stage, found, records, known)
        found = match(stage, sent_ns, records, known)
    if found.lost:
        out += find_change(stage, found, records, known)
        found = match(stage, sent_ns, records, known)
    if _is_garbled(stage, found):
        known.is_dead = True
        got = hex_short(b"".join(record.data for record in records)[:20])
        words = f"{len(stage.messages)} messages were sent"
        return [Finding("garbled", words, stage.name, hex_short(stage.messages[0].data), got)]
    out += _copies(stage, found, known)
    out += judge_order(stage, found, records)
    lost = set(found.lost)
    dropped = _dropped_channels(stage, lost, known)
    dropped += _dropped_kinds(stage, lost, records, known)
    if len(lost) > _MANY_SHARE * len(stage.messages):
        dropped = []  # so much is lost by chance that a whole kind may be
        lost = set(found.lost)
    out += dropped
    out += _chance(stage, lost, found, records, known)
    out += _rewritten(stage, found, records, known)
    if not lost:
        out += unsent(stage, found, records)
    # Learned from the kinds that were tried with rests: the rest of the test looks closer.
    known.real_time = WORKS if known.real_times() else FAILS
    return out


def _is_garbled(stage: Stage, found: Matched) -> bool:
    """Return whether what came back is not what was sent, but for a few that fit by accident."""
    n_all = len(stage.messages)
    return len(found.hits) * 5 < n_all and len(found.strays) * 3 > n_all


def _moved(stage: Stage, found: Matched, records: Sequence[Record], known: Known) -> list[Finding]:
    """Learn which channels come back as others."""
    strays = {
        (record.data[0] & 0xF0, record.data[1:]): record.data[0] & 0x0F
        for record in (records[place] for place in found.strays)
        if isinstance(record, Message) and record.data[0] < FIRST_SYSTEM
    }
    lost_on: dict[int, list[int]] = {}
    for number in found.lost:
        data = stage.messages[number].data
        if data[0] < FIRST_SYSTEM:
            lost_on.setdefault(data[0] & 0x0F, []).append(number)
    out = []
    pairs = []
    example = -1
    for channel, numbers in sorted(lost_on.items()):
        to = Counter(
            strays[key]
            for key in ((m[0] & 0xF0, m[1:]) for m in (stage.messages[n].data for n in numbers))
            if key in strays and strays[key] != channel
        )
        if to and to.most_common(1)[0][1] >= max(_FEW, len(numbers) * 2 // 3):
            known.moved[channel] = to.most_common(1)[0][0]
            pairs.append(f"{channel + 1} comes back on {known.moved[channel] + 1}")
            example = numbers[0]
    if pairs:
        sent = stage.messages[example].data
        words = f"channel {', '.join(pairs)}"
        got = hex_words(known.expect(sent))
        out.append(Finding("channel-moved", words, stage.name, hex_words(sent), got))
    return out


def _copies(stage: Stage, found: Matched, known: Known) -> list[Finding]:
    """Return copies: of all messages, or of some."""
    if not found.copies:
        return []
    share = len(found.copies) / len(found.hits)
    first = min(found.copies)
    data = stage.messages[first].data
    if share >= _ECHO_SHARE:
        n_copies = min(found.copies.values()) + 1
        known.n_copies = n_copies
        words = f"each of {len(found.hits)} messages comes back {n_copies} times"
        return [Finding("echo", words, place_words(stage, first), hex_words(data))]
    return [repeats(stage, found)]


def repeats(stage: Stage, found: Matched) -> Finding:
    """Return the finding about messages that came back again."""
    first = min(found.copies)
    words = f"{len(found.copies)} of {len(found.hits)} messages came back again"
    data = stage.messages[first].data
    times = found.copies[first] + 1
    return Finding(
        "repeats", words, place_words(stage, first), hex_short(data), f"the same, {times} times"
    )


def judge_order(stage: Stage, found: Matched, records: Sequence[Record]) -> list[Finding]:
    """Return a finding where messages came back in another order."""
    arrivals = [
        number
        for number in found.arrivals
        if stage.messages[number].group != CLOSING
        and stage.messages[number].data[0] < _TUNE_REQUEST
    ]
    early = [(a, b) for a, b in pairwise(arrivals) if a > b]
    if not early:
        return []
    before, after = early[0]
    words = f"{len(early)} of {len(arrivals)} messages came after a later one"
    sent = " | ".join(hex_short(stage.messages[n].data) for n in (after, before))
    got = " | ".join(hex_short(records[found.hits[n]].data) for n in (before, after))
    return [Finding("order", words, place_words(stage, after), sent, got)]


def _dropped_channels(stage: Stage, lost: set[int], known: Known) -> list[Finding]:
    """Learn on which channels nothing comes back; take their messages off ``lost``."""
    dropped = []
    for channel in range(16):
        numbers = [n for n, m in enumerate(stage.messages) if m.group == f"channel {channel + 1}"]
        if lost.issuperset(numbers):
            dropped.append(channel)
    if len(dropped) == 16 or not dropped:
        return []
    known.channels = [channel for channel in range(16) if channel not in dropped]
    gone = {
        number
        for number in lost
        if (data := stage.messages[number].data)[0] < FIRST_SYSTEM and data[0] & 0x0F in dropped
    }
    lost -= gone
    words = "channel " + ", ".join(str(channel + 1) for channel in dropped)
    first = min(gone)
    sent = hex_words(stage.messages[first].data)
    return [Finding("channel-dropped", words, place_words(stage, first), sent, "nothing")]


def _dropped_kinds(
    stage: Stage, lost: set[int], records: Sequence[Record], known: Known
) -> list[Finding]:
    """Learn which kinds do not come back; take their messages off ``lost``."""
    gone: dict[str, list[int]] = {}
    for kind in ALL_KINDS:
        numbers = [
            number
            for number, sent in enumerate(stage.messages)
            if sent.group == kind
            and (kind not in CHANNEL_KINDS or sent.data[0] & 0x0F in known.channels)
        ]
        if numbers and lost.issuperset(numbers):
            gone[kind] = numbers
    known.kinds -= gone.keys()
    out: list[Finding] = []
    for kind, numbers in gone.items():
        lost.difference_update(n for n in list(lost) if stage.messages[n].kind == kind)
        if kind == EXCLUSIVE:
            out.append(_gone_exclusive(stage, numbers[0], records, known))
    real_time = [kind for kind in REAL_TIME_KINDS if kind in gone]
    n_tried = sum(data not in known.noise for data in REAL_TIME_KINDS.values())
    others = [kind for kind in gone if kind not in (OFF, ON_0, EXCLUSIVE)]
    if len(real_time) == n_tried and real_time:
        others = [kind for kind in others if kind not in real_time]
        out.append(_gone(stage, "real-time-dropped", gone, real_time))
    elif ACTIVE_SENSING in real_time:
        others.remove(ACTIVE_SENSING)
        out.append(_gone(stage, "active-sensing-dropped", gone, [ACTIVE_SENSING]))
    if OFF in gone:
        out.append(_gone(stage, "note-off-dropped", gone, [OFF]))
    if ON_0 in gone:
        out.append(_gone(stage, "velocity-0-dropped", gone, [ON_0]))
    if others:
        out.append(_gone(stage, "kind-dropped", gone, others))
    return out


def _gone(stage: Stage, name: str, gone: dict[str, list[int]], kinds: list[str]) -> Finding:
    """Return the finding about kinds of which nothing came back."""
    first = gone[kinds[0]][0]
    n_all = sum(len(gone[kind]) for kind in kinds)
    words = f"{', '.join(kinds)}: none of {n_all} came back"
    sent = hex_words(stage.messages[first].data)
    return Finding(name, words, place_words(stage, first), sent, "nothing")


def _gone_exclusive(stage: Stage, number: int, records: Sequence[Record], known: Known) -> Finding:
    """Return what became of an exclusive of eight bytes that did not come back."""
    sent = stage.messages[number].data
    fate = exclusive_fate(sent, records)
    place = place_words(stage, number)
    if fate.what == fates.LOST:
        words = "none came back, not even one of 8 bytes"
        return Finding("exclusive-dropped", words, place, hex_words(sent), "nothing")
    known.longest_exclusive = fate.n_bytes
    words = f"after {fate.n_bytes} bytes, F0 counted"
    return Finding(f"exclusive-{fate.what}", words, place, hex_words(sent), hex_short(fate.got))


def _chance(
    stage: Stage, lost: set[int], found: Matched, records: Sequence[Record], known: Known
) -> list[Finding]:
    """Return what is left: messages lost or changed without a rule that was found."""
    if not lost:
        return []
    known.is_unreliable = True
    name, number = chance_fault(sorted(lost), stage, found, records, known)
    words = f"{len(lost)} of {len(stage.messages)} single messages, now and then"
    sent = hex_short(stage.messages[number].data)
    place = place_words(stage, number)
    return [Finding(name, words, place, sent, got_words(number, found, records))]


def _rewritten(
    stage: Stage, found: Matched, records: Sequence[Record], known: Known
) -> list[Finding]:
    """Return a note where note-offs came back in their other form."""
    for number, place in found.hits.items():
        sent, got = known.expect(stage.messages[number].data), records[place].data
        kind = stage.messages[number].kind
        if kind in (OFF, ON_0) and got != sent:
            words = f"{kind}, where the two forms are the same to music"
            return [
                Finding("note-off-rewritten", words, place_words(stage, number), hex_words(sent),
                        hex_words(got))
            ]  # fmt: skip
    return []


def unsent(stage: Stage, found: Matched, records: Sequence[Record]) -> list[Finding]:
    """Return a finding where something came that nobody sent, though nothing is missing."""
    # Bytes of no message may be the rest of an earlier stage.
    strays = [records[place] for place in found.strays if isinstance(records[place], Message)]
    if not strays:
        return []
    words = f"{len(strays)} between the messages of the test"
    return [Finding("unsent", words, stage.name, got=hex_short(strays[0].data))]
