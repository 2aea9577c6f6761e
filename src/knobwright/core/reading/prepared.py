"""The texts of a row made ready for reading: columns joined, defaults in brackets cut off.

``Min`` and ``Max`` columns make one range; a single number in brackets behind a range is the
default (``0-127 (100)``); ``1.000`` and ``1,000`` are thousands where the leaflet does not use that
sign for fractions.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from knobwright.core.reading.numbers import spans

Texts = list[tuple[str, str, str]]

_BRACKET_DEFAULT = re.compile(r"(?P<range>.*\S)\s*\(\s*(?P<default>[+\-−]?[^()\s]+)\s*\)\s*\Z")
_BEHIND = re.compile(
    r"(?P<range>[^()\[\]]{2,60}?)\s*[(\[]\s*(?P<default>[+\-−]?(?:\$|0x)?[0-9A-F]{1,5}[hH]?)\s*[)\]]\s*"
    r"(?:[;,.]\s*(?P<more>.*))?\Z"
)
_ALONE = re.compile(r"\s*[(\[]\s*(?P<default>[+\-−]?(?:\$|0x)?[0-9A-F]{1,5}[hH]?)\s*[)\]]\s*\Z")
_GROUPED = {
    sign: re.compile(rf"(?<!\d)(?<!\d[.,])([1-9]\d{{0,2}})\{sign}(\d{{3}})(?!\d)(?!\{sign}\d)")
    for sign in ".,"
}
_FOOTNOTE = re.compile(r"\s*[(\[]?(?P<n>\d{1,2})[)\]]\s+\S")


def footnotes(texts: Iterable[str]) -> frozenset[str]:
    """Return the numbers of the footnotes: rows begin with them (``(1) since version 2``)."""
    return frozenset(m["n"] for t in texts if (m := _FOOTNOTE.match(t)))


def grouping(texts: Iterable[str]) -> str:
    """Return the sign that groups thousands: the full stop where commas make fractions, else the
    comma."""
    for text in texts:
        if re.search(
            r"(?<![\d,])\d{1,4},\d{1,2}\s?(?:s|ms|Hz|kHz|V|A|dB|%|mm|kg|\.{2,3})(?!\w)", text
        ):
            return "."
    return ","


def prepare(texts: tuple[tuple[str, str, str], ...], notes: frozenset[str], sign: str) -> Texts:
    """Return the texts beside a line, ready to be read.

    Parameters
    ----------
    texts : tuple of (role, header, text)
        What is printed beside the line.
    notes : frozenset of str
        Numbers of the leaflet's footnotes: in brackets they are no defaults.
    sign : str
        What groups thousands: ``.`` or ``,``.
    """
    low = next((t for r, _, t in texts if r == "min" and t.strip()), "")
    high = next((t for r, _, t in texts if r == "max" and t.strip()), "")
    out: Texts = []
    if low and high:
        head = next(h for r, h, t in texts if r == "min" and t.strip())
        out.append(("range", head, f"{_whole(low)} - {_whole(high)}"))
    has_default = any(r in ("default", "range+default") and t.strip() for r, _, t in texts)
    for role, head, text in texts:
        if role in ("min", "max"):
            continue
        text = _GROUPED[sign].sub(r"\1\2", text)
        match = _BRACKET_DEFAULT.match(text) if role == "range+default" else None
        if match:
            out.extend((("range", head, match["range"]), ("default", head, match["default"])))
        elif role in ("", "range") and not has_default:
            out.extend(_behind(role, head, text, notes, out))
        else:
            out.append(("range" if role == "range+default" else role, head, text))
    return out


def _behind(role: str, head: str, text: str, notes: frozenset[str], before: Texts) -> Texts:
    """Cut a default in brackets off the range that it stands behind."""
    match = _BEHIND.match(text)
    if match and match["default"] not in notes and _ends_in_range(match["range"]):
        out = [(role, head, match["range"]), ("default", head, match["default"])]
        return [*out, ("", head, match["more"])] if match["more"] else out
    alone = _ALONE.match(text)
    behind = bool(before) and before[-1][0] in ("", "range") and _ends_in_range(before[-1][2])
    if alone and behind and alone["default"] not in notes:
        return [("default", head, alone["default"])]
    return [(role, head, text)]


def _ends_in_range(text: str) -> bool:
    """Return whether a text holds one range and ends with it, or with its unit."""
    found = [s for s in spans(text) if s.is_range]
    return len(found) == 1 and len(text[found[0].end :].split()) <= 1


def _whole(text: str) -> str:
    """Return a number without the commas or blanks that group its thousands."""
    bare = text.strip()
    return (
        re.sub(r"[,.\u00a0 ](?=\d{3}\b)", "", bare)
        if re.fullmatch(r"\d{1,3}[,.\u00a0 ]\d{3}", bare)
        else bare
    )
