"""What became of an exclusive, and what became of bytes at full rate."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from knobwright.core.link.known import is_exclusive
from knobwright.core.link.matching import Record
from knobwright.core.wire import Message

WHOLE = "whole"
LOST = "lost"
CUT = "cut"
SPLIT = "split"
CHANGED = "changed"
HOLED = "left with bytes missing"
SWAPPED = "swapped"

#: Bytes of an exclusive that tell which one it is: F0 7D and its number.
_N_HEAD = 4


class Fate(NamedTuple):
    """What became of something that was sent, after how many bytes, and what came (as bytes)."""

    what: str
    n_bytes: int
    got: bytes


def exclusive_fate(sent: bytes, records: Sequence[Record]) -> Fate:
    """Return what became of an exclusive, given all that came in its stage.

    ``n_bytes`` is how many of its bytes came before it was cut, split or changed, F0 counted and an
    F7 that was put in its place not.
    """
    places = [
        place
        for place, record in enumerate(records)
        if is_exclusive(record.data) and record.data[1:_N_HEAD] == sent[1:_N_HEAD]
    ]
    for place in places:
        if records[place].data == sent:
            return Fate(WHOLE, len(sent), sent)
    if not places:
        # Cut so short that its number is missing: it can't be told from another one.
        short = [
            record.data
            for record in records
            if is_exclusive(record.data)
            and len(record.data) <= _N_HEAD
            and sent.startswith(record.data.rstrip(b"\xf7"))
        ]
        if not short:
            return Fate(LOST, 0, b"")
        return Fate(CUT, len(short[0].rstrip(b"\xf7")), short[0])
    place = places[0]
    got = records[place].data
    n_same = _n_common(got, sent)
    if len(got) == len(sent):
        return Fate(CHANGED, n_same, got)
    rest = _rest_data(got, records[place + 1 :])
    missing = sent[n_same:-1]
    if rest and missing and missing.startswith(rest[: len(missing)]):
        return Fate(SPLIT, n_same, got)
    if n_same >= len(got) - 1:
        return Fate(CUT, n_same, got)
    return Fate(HOLED if _is_part(got, sent) else CHANGED, n_same, got)


def _n_common(one: bytes, other: bytes) -> int:
    """Return how many bytes two strings have in common at their beginning."""
    n = 0
    for a, b in zip(one, other, strict=False):
        if a != b:
            break
        n += 1
    return n


def _rest_data(first: bytes, records: Sequence[Record]) -> bytes:
    """Return the data bytes that follow a piece of an exclusive: loose, or in pieces of their own.

    They end where a message of another sort, or an exclusive of ours, begins.
    """
    out = bytearray()
    last = first
    for record in records:
        data = record.data
        if len(data) > 1 and data == last:
            continue  # a way that gives everything twice gives pieces twice, too
        last = data
        if isinstance(record, Message):
            if data[0] >= 0xF8:
                continue
            # Ours begin with F0 7D 00; a piece may begin with 7D by chance.
            if not is_exclusive(data) or data[1:3] == b"\x7d\x00":
                break
        elif data[0] > 0x7F and not is_exclusive(data):
            if data == b"\xf7":
                continue
            break
        out += data.strip(b"\xf0\xf7")
    return bytes(out)


def gap_fate(sent: bytes, got: bytes) -> Fate:
    """Return what became of bytes that were sent between two messages that came back well.

    ``n_bytes`` is where the first difference stands.
    """
    n_same = _n_common(sent, got)
    if not got or _is_part(got, sent):
        return Fate(LOST, n_same, got)
    if len(got) == len(sent):
        if sorted(got) == sorted(sent):
            return Fate(SWAPPED, n_same, got)
        return Fate(CHANGED, n_same, got)
    return Fate(LOST if len(got) < len(sent) else CHANGED, n_same, got)


def _is_part(some: bytes, whole: bytes) -> bool:
    """Return whether ``some`` is ``whole`` with bytes left out."""
    rest = iter(whole)
    return len(some) < len(whole) and all(byte in rest for byte in some)
