"""Faults of exclusives: by their length, and by the rest after them."""

from __future__ import annotations

from collections.abc import Sequence

from knobwright.core.link import fates
from knobwright.core.link.fates import Fate, exclusive_fate
from knobwright.core.link.judge_status import Seen, came_loose
from knobwright.core.link.known import Known
from knobwright.core.link.matching import CLOSING, Record, hex_short, place_words
from knobwright.core.link.records import Finding, Stage


def lengths_fates(stage: Stage, records: Sequence[Record]) -> list[tuple[int, Fate, int]]:
    """Return length, fate and number of every exclusive of a stage.

    Exchanged bytes are another finding's matter: they count as whole here.
    """
    out = []
    for number, sent in enumerate(stage.messages):
        if sent.group == CLOSING:
            continue
        fate = exclusive_fate(sent.data, records)
        if fate.what == fates.CHANGED and sorted(fate.got) == sorted(sent.data):
            fate = Fate(fates.WHOLE, len(sent.data), fate.got)
        out.append((len(sent.data), fate, number))
    return out


def judge_lengths(stage: Stage, records: Sequence[Record], known: Known) -> list[Finding]:
    """Return the faults of exclusives by length; learn the longest that comes back.

    Where a limit shows, ``known.longest_exclusive`` is the longest of those tried below it.
    """
    seen = lengths_fates(stage, records)
    bad = {length for length, fate, _ in seen if fate.what != fates.WHOLE}
    good = {length for length, fate, _ in seen if fate.what == fates.WHOLE}
    known.tried_exclusive = max(good | bad, default=0)
    if not bad:
        return []
    length, fate, number = next(row for row in seen if row[1].what != fates.WHOLE)
    sent, place = hex_short(stage.messages[number].data), place_words(stage, number)
    got = hex_short(fate.got) or "nothing"
    if good and max(good) > min(bad):
        # No length is to blame: a longer one came back.
        n_bad = sum(row[1].what != fates.WHOLE for row in seen)
        name = "lost" if fate.what == fates.LOST else "exclusive-changed"
        words = f"{n_bad} of {len(seen)} exclusives, now and then"
        return [Finding(name, words, place, sent, got)]
    known.longest_exclusive = max(good, default=0)
    if fate.what == fates.HOLED:
        words = f"an exclusive of {length} bytes lost some of them, the first after {fate.n_bytes}"
        return [Finding("overrun", words, place, sent, got)]
    name = "exclusive-too-long" if fate.what == fates.LOST else f"exclusive-{fate.what}"
    words = f"an exclusive of {length} bytes was {fate.what}"
    if fate.what != fates.LOST:
        words += f" after {fate.n_bytes} bytes, F0 counted"
    return [Finding(name, words, place, sent, got)]


def with_limit(finding: Finding, known: Known) -> Finding:
    """Return the finding about a limit with the longest exclusive that came back."""
    longest = known.longest_exclusive
    words = f"{finding.details}; the longest that comes back has {longest} bytes, F0 and F7 counted"
    return finding._replace(details=words)


def is_whole(stage: Stage, records: Sequence[Record]) -> bool:
    """Return whether all exclusives of a stage came back whole."""
    return all(fate.what == fates.WHOLE for _, fate, _ in lengths_fates(stage, records))


def followers(
    stage: Stage, sent_ns: Sequence[int], records: Sequence[Record], known: Known
) -> Finding | None:
    """Return a finding where a message that follows an exclusive did not come back."""
    seen = Seen(stage, sent_ns, records, known)
    numbers = [number for number in seen.numbers("second") if number in seen.lost]
    # Its bytes came, without a status byte or in another order: other findings' matters.
    numbers = [n for n in numbers if not came_loose(seen, n)]
    if known.is_swapping:
        numbers = [n for n in numbers if not _came_swapped(seen, n)]
    if not numbers:
        return None
    words = f"{len(numbers)} of {len(seen.numbers('second'))} messages after an exclusive"
    seen.add("exclusive-needs-rest", words, numbers[0])
    return seen.out[0]


def _came_swapped(seen: Seen, number: int) -> bool:
    want = sorted(seen.known.expect(seen.stage.messages[number].data))
    return any(sorted(record.data) == want for record in seen.records)
