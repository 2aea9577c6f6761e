"""Which message that came back is which that was sent."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

from knobwright.core.link.known import Known
from knobwright.core.link.records import Stage
from knobwright.core.wire import Dropped, Message, hex_words, is_note_off
from knobwright.core.wire.status import FIRST_REAL_TIME

#: Group of messages that close a stage: they push out what a faulty way holds back.
CLOSING = "closing"

Record = Message | Dropped


class Matched(NamedTuple):
    """How the records of a stage fit what was sent.

    ``hits`` maps a message's number to the place of its first arrival in the records; ``arrivals``
    are the numbers in order of arrival; ``copies`` counts further arrivals. ``lost`` are numbers
    without arrival. ``strays`` are the places of what fits nothing, ``real_time`` those of
    real-time bytes (where they are not among the messages themselves).
    """

    hits: dict[int, int]
    arrivals: tuple[int, ...]
    copies: dict[int, int]
    lost: tuple[int, ...]
    strays: tuple[int, ...]
    real_time: tuple[int, ...]


def other_form(message: bytes) -> object:
    """Return what a note-off is in its other form, which is the same to music; else ``None``."""
    if message[0] & 0xE0 != 0x80 or not is_note_off(message):
        return None
    return (message[0] >> 4 ^ 1, message[0] & 0x0F, message[1])


def own_form(message: bytes) -> object:
    """Return what a note-off is when the one that was sent had the other form."""
    return (message[0] >> 4, message[0] & 0x0F, message[1]) if len(message) > 1 else None


def match(stage: Stage, sent_ns: Sequence[int], records: Sequence[Record], known: Known) -> Matched:
    """Fit the records of a stage to its messages.

    The same content may have been sent more than once: an arrival belongs to a message that was
    sent before it and has not arrived yet, the next one in order if there is one; else it is a
    copy.
    """
    waiting = _waiting(stage, known)
    has_real_time = any(sent.data[0] >= FIRST_REAL_TIME for sent in stage.messages)
    hits: dict[int, int] = {}
    copies: dict[int, int] = defaultdict(int)
    strays: list[int] = []
    real_time: list[int] = []
    last = -1
    for place, record in enumerate(records):
        data = record.data
        if data in known.noise:
            continue
        if isinstance(record, Dropped):
            strays.append(place)
            continue
        if data[0] >= FIRST_REAL_TIME and not has_real_time:
            real_time.append(place)
            continue
        numbers = waiting.get(data)
        if numbers is None and is_note_off_form(data):
            numbers = waiting.get(own_form(data))
        if numbers is None:
            if data not in known.past:
                strays.append(place)
            continue
        sent_before = [n for n in numbers if record.at_ns >= sent_ns[stage.messages[n].piece]]
        open_ones = [n for n in sent_before if n not in hits]
        if open_ones:
            last = next((n for n in open_ones if n > last), open_ones[0])
            hits[last] = place
        elif sent_before:
            copies[sent_before[-1]] += 1
        else:
            strays.append(place)  # it looks like one that is only sent later
    lost = tuple(
        number
        for number, sent in enumerate(stage.messages)
        if number not in hits and sent.group != CLOSING
    )
    return Matched(hits, tuple(hits), dict(copies), lost, tuple(strays), tuple(real_time))


def _waiting(stage: Stage, known: Known) -> dict[object, list[int]]:
    """Return the numbers of the messages by what they come back as."""
    waiting: dict[object, list[int]] = defaultdict(list)
    for number, sent in enumerate(stage.messages):
        data = known.expect(sent.data)
        waiting[data].append(number)
        form = other_form(data)
        if form is not None:
            waiting[form].append(number)
    return waiting


def is_note_off_form(message: bytes) -> bool:
    """Return whether a message is a note-off in either form."""
    return message[0] & 0xE0 == 0x80 and is_note_off(message)


def remember(stage: Stage, known: Known) -> None:
    """Note what was sent in a stage, so that it is known when it arrives later."""
    known.past.update(known.expect(sent.data) for sent in stage.messages)


def place_words(stage: Stage, number: int) -> str:
    """Return in words where a message stands in its stage."""
    sent = stage.messages[number]
    at_ms = stage.pieces[sent.piece].at_us / 1000
    return (
        f"{stage.name}, message {number + 1} of {len(stage.messages)} ({sent.kind}), {at_ms:.1f} ms"
    )


def hex_short(data: bytes) -> str:
    """Return bytes as hex; of many only the first and how many they are."""
    if len(data) <= 24:
        return hex_words(data)
    return f"{hex_words(data[:20])} ... ({len(data)} bytes)"


def nearby(number: int, matched: Matched, records: Sequence[Record]) -> list[Record]:
    """Return what came between the arrivals of the neighbours of a lost message."""
    earlier = [place for hit, place in matched.hits.items() if hit < number]
    later = [place for hit, place in matched.hits.items() if hit > number]
    start = max(earlier, default=-1) + 1
    end = min((place for place in later if place >= start), default=len(records))
    strays = matched.strays
    return [
        records[place] for place in strays[bisect_left(strays, start) : bisect_left(strays, end)]
    ]


def got_words(number: int, matched: Matched, records: Sequence[Record]) -> str:
    """Return as hex what came in place of a lost message; ``nothing`` where nothing did."""
    data = b"".join(record.data for record in nearby(number, matched, records))
    return hex_short(data) if data else "nothing"
