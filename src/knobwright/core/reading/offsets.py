"""What a text says of the number sent for 0: ``40H = 0``, ``0 = 64``, ``64 + semitones``."""

from __future__ import annotations

import re

from knobwright.core.reading.numbers import DEC, HEX, spans

_ADDS = re.compile(
    r"(?P<n>\d{1,3})\s*\+\s*(?:v|sem|val|wert|st|n\b|x\b|halb|demi|the|the value|step|cent|ton)"
    r"|(?:add|addiere\w*|ajouter|sumar?|plus|\+)\s+(?P<m>\d{1,3})\b(?!\s*(?:s|ms|%|db))",
    re.I,
)
_ZERO_AT = re.compile(
    r"(?P<n>\$?(?:0x)?[0-9A-Fa-f]{1,3}[Hh]?)\s*(?:=|ergibt|is|gives|means|ist|entspricht|"
    r"donne|equivale a|:)\s*"
    r"(?:±\s*)?0(?![\d.,xA-Fa-fHh])"
)


def zero_point(text: str) -> int | None:
    """Return the raw value that a text says stands for 0 (``40H = 0``, ``64 ergibt 0``), or
    None.
    """
    for match in _ZERO_AT.finditer(text):
        span = spans(match["n"])
        if span:
            value = span[0].values(HEX if span[0].base == HEX else DEC)[0]
            if value > 0:
                return value
    return None


_ZERO_SENT = re.compile(
    r"(?<![\w.,+\-−–])[±]?0\s*(?:=|->|→|is sent as|wird als|is)\s*"
    r"(?P<n>\$?(?:0x)?[0-9A-Fa-f]{2,3}[Hh]?)"
    r"(?![\w.]|\s*(?:ms|s|hz|db|%))"
)


def sent_for_zero(text: str) -> int | None:
    """Return the raw value that a text says is sent for 0 (``0 = 64``), or None."""
    if match := _ZERO_SENT.search(text):
        span = spans(match["n"])
        if span:
            return span[0].values(HEX if span[0].base == HEX else DEC)[0]
    return None


def added(text: str) -> int | None:
    """Return the number that a text says is added before sending (``64 + semitones``), or None."""
    if match := _ADDS.search(text):
        return int(match["n"] or match["m"])
    return None
