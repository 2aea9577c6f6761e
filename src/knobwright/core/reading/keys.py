"""Stable keys: a slug of section and label, unique in the sheet."""

from __future__ import annotations

import re

from knobwright.core.reading.words import fold

_CUT = re.compile(r"[^a-z0-9]+")
_NUMBERING = re.compile(r"\A(?:\d{1,2}(?:\.\d{1,2})*[.)]?|[a-z][.)]|[a-z]\.\d{1,2})\s+")
MAX_SLUG = 40


def slug(text: str) -> str:
    """Return ``text`` as small letters and digits parted by hyphens (may be empty)."""
    plain = fold(text).replace("ß", "ss").replace("œ", "oe").replace("æ", "ae").replace("ø", "o")
    return _CUT.sub("-", plain)[:MAX_SLUG].strip("-")


def section_slug(text: str) -> str:
    """Return a heading as a slug: without its number and what stands in brackets."""
    bare = re.sub(r"\s*[(\[][^)\]]*[)\]]", "", _NUMBERING.sub("", fold(text)))
    return slug(re.split(r"[:;,–—]", bare)[0]) or slug(text)


def key_of(section: str, label: str, fallback: str = "parameter") -> str:
    """Return the key for a label under a heading, not yet made unique."""
    head, tail = section_slug(section), slug(label) or fallback
    return f"{head}.{tail}" if head else tail


class Keys:
    """Gives out keys so that none comes twice."""

    def __init__(self) -> None:
        self.taken: set[str] = set()
        self.next: dict[str, int] = {}

    def take(self, section: str, label: str, fallback: str = "parameter") -> str:
        """Return a key that was not given out before; a number is added where needed."""
        base = key_of(section, label, fallback)
        key, n = base, self.next.get(base, 2)
        while key in self.taken:
            key, n = f"{base}-{n}", n + 1
        self.next[base] = n
        self.taken.add(key)
        return key
