"""Finds the rule by which data bytes come back changed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from knobwright.core.link.chance import runs
from knobwright.core.link.content import OFF, ON_0
from knobwright.core.link.known import Change, Known
from knobwright.core.link.matching import Matched, Record, hex_short, nearby, place_words
from knobwright.core.link.records import Finding, Stage
from knobwright.core.wire import hex_words
from knobwright.core.wire.status import FIRST_SYSTEM

#: From this many messages on a rule that explains them all is believed.
_ENOUGH = 3
#: Share of the changed messages that a rule must explain: a single one may have been told wrong.
_SHARE = 0.9


def find_change(
    stage: Stage, found: Matched, records: Sequence[Record], known: Known
) -> list[Finding]:
    """Learn a rule that explains all messages that came back changed, if there is one."""
    pairs = list(_pairs(stage, found, records, known))
    if len(pairs) < _ENOUGH:
        return []
    rule = _rule([(sent, got) for _, sent, got in pairs], _unchanged(stage, found, known))
    if rule is None:
        return []
    known.change = rule
    number, sent, got = pairs[0]
    words = "; ".join(_rule_words(rule))
    place = place_words(stage, number)
    return [Finding("changed", words, place, hex_short(sent), hex_words(got))]


def _pairs(
    stage: Stage, found: Matched, records: Sequence[Record], known: Known
) -> Iterable[tuple[int, bytes, bytes]]:
    """Yield lost channel messages with the one that came in their place: same status, in order."""
    for run in runs(found.lost):
        came = [record.data for record in nearby(run[0], found, records)]
        for number in run:
            sent = known.expect(stage.messages[number].data)
            if sent[0] >= FIRST_SYSTEM:
                continue
            fits = [got for got in came if got[0] == sent[0] and len(got) == len(sent)]
            # One byte of two is likely to be as it was: then it is surely this message.
            alike = [got for got in fits if len(sent) == 3 and _shares(sent, got)]
            if not fits or (not alike and len(sent) == 3 and len(fits) != len(run)):
                continue  # some came back as another message: which is which can't be told
            got = (alike or fits)[0]
            del came[: came.index(got) + 1]
            yield number, sent, got


def _shares(sent: bytes, got: bytes) -> bool:
    """Return whether a data byte is the same in both, in its place."""
    return any(a == b for a, b in zip(sent[1:], got[1:], strict=True))


def _unchanged(stage: Stage, found: Matched, known: Known) -> list[bytes]:
    """Return the channel messages that came back as they were."""
    sent = (stage.messages[number] for number in found.hits)
    # A note-off may have come back in its other form: it says nothing here.
    return [
        known.expect(message.data)
        for message in sent
        if message.data[0] < FIRST_SYSTEM and message.kind not in (OFF, ON_0)
    ]


def _rule(pairs: list[tuple[bytes, bytes]], unchanged: list[bytes]) -> Change | None:
    """Return the rule that turns every sent message into what came, and leaves others alone."""
    keep, add = 0x7F, 0
    for sent, got in pairs:
        for a, b in zip(sent[1:], got[1:], strict=True):
            keep &= ~(a & ~b)
            add |= b & ~a
    caps = [got[-1] for sent, got in pairs if got[-1] < sent[-1]]
    rules = [Change(keep & 0x7F, 0), Change(0x7F, add), Change(keep & 0x7F, add)]
    if caps:
        rules.insert(0, Change(cap=max(caps)))
    for rule in rules:
        n_fit = sum(rule.of(sent) == got for sent, got in pairs)
        if n_fit >= _SHARE * len(pairs) and all(
            rule.of(message) == message for message in unchanged
        ):
            return rule
    return None


def _rule_words(rule: Change) -> Iterable[str]:
    """Yield what a rule does, in words."""
    if rule.cap < 0x7F:
        yield f"the last data byte comes back as {rule.cap} ({rule.cap:02X}) where it is higher"
    for bit in range(7):
        if not rule.keep >> bit & 1:
            yield f"bit {bit} of a data byte always comes back as 0"
        if rule.set >> bit & 1:
            yield f"bit {bit} of a data byte always comes back as 1"
