"""Ranges that stand beside a value's range: keys, channels, pages, parts of a range."""

from __future__ import annotations

import re

from knobwright.core.reading.built import Built
from knobwright.core.reading.numbers import DEC, Span, spans
from knobwright.core.reading.words import KEY_WORDS, fold, has_word


def is_named(text: str, span: Span) -> bool:
    """Return whether a name stands behind a range: a part of the range (``64..127 = on``)."""
    named = re.compile(r"\s*[=:]\s*[^\W\d_]{2,}")
    if not named.match(text, span.end):
        return False
    others = [s for s in spans(text) if s.is_range and named.match(text, s.end)]
    return len(others) > 1 or span.nums[0].resolve(DEC) > 0


def is_beside(text: str, span: Span, built: Built) -> bool:
    """Return whether a range speaks of something else than the value: keys, channels, pages,
    parts of a range."""
    if is_named(text, span):
        return True
    before = fold(text[max(0, span.start - 22) : span.start])
    if "key" in built.per and has_word(before.rsplit(".", 1)[-1], KEY_WORDS):
        return True
    if re.search(r"\bbits?\s*:?\s*\Z", before):
        return True
    after = fold(text[span.end : span.end + 22])
    if has_word(
        before,
        (
            "channel",
            "kanal",
            "canal",
            "page",
            "seite",
            "bits",
            "voices ",
            "row",
            "kanale",
            "program",
            "note",
            "section",
        ),
    ):
        return True
    return bool(
        re.match(
            r"\s*(?:off|aus\b|on\b|ein\b|arret|marche|no\b|ab\b|apag|encend|spento|acceso)",
            after,
        )
    ) or bool(
        re.match(r"\s*(?:=|:)\s*[a-z]", after)
        and not re.match(r"\s*=\s*(?:[lr]\d|-)", after)
        and span.is_range
        and any(s.is_range and s is not span and s.start > span.start for s in spans(text))
    )
