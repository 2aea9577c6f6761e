"""The channel that a leaflet names for its controllers: ``only on channel 16``, ``All channel 1``.

A channel named in a heading holds for the heading's rows, one named in a section's text for the
section, one named before all sections for the whole leaflet.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from knobwright.core.reading.words import fold, has_word

_CHANNEL = r"(?:midi[- ]?)?(?:channel|kanal|canal|canale|kanaal|channeru|kanaru|ch\.?)"
_ONLY_CHANNEL = re.compile(
    r"(?:only|nur|seulement|uniquement|solo|únicamente|unicamente|soltanto|alleen|nomi|"
    r"のみ)\W+(?:\w+\W+){0,3}?" + _CHANNEL + r"\s*(?P<a>\d{1,2})"
    r"|" + _CHANNEL + r"\s*(?P<b>\d{1,2})\s+(?:only|nur|"
    r"seulement|uniquement|solo|nomi|dake)\b",
    re.I,
)
_ONE_CHANNEL = re.compile(
    r"\b(?:channel|kanal|canal|canale|kanaal|channeru)\s*(?P<a>\d{1,2})\b(?!\s*(?:-|–|to|"
    r"bis|à|a|al|und|and|et|y|,|\.\.)\s*\d)",
    re.I,
)
_ALL_ON = re.compile(
    r"\b(?:all|everything|always|fixed|alles?|tout|tous|todo|tutto|immer|toujours|siempre|sempre|fest)\b"
    r"(?:\s+(?!notes?\b|drums?\b)[^\W\d]+){0,4}?\s+" + _CHANNEL + r"\s*(?P<a>\d{1,2})\b"
    r"(?!\s*(?:-|–|to|bis|à|a|al|und|and|et|y|,|\.\.)\s*\d)",
    re.I,
)
_NRPN_ON = re.compile(
    r"NRPN\b[^.;]{0,200}?\b(?:only |all |nur |alle |always )+(?:on|auf|sur|en|"
    r"su) (?:channel|kanal|le canal|canal|canale) (?P<n>\d{1,2})\b",
    re.I,
)
_ANY = re.compile(
    r"\bB0H?\b[^.;]{0,120}?(?:[.;]\s+)?[^.;]{0,80}?" + _CHANNEL + r"?s?[^.;]{0,60}?\bB1H?\b"
    r"[^.;]{0,20}?\bBFH?\b",
    re.I,
)
"""``printed for channel 1 (B0H). For channels 2 to 16 use B1H to BFH``."""

_ELSEWHERE = (
    "note", "drum", "rhythm", "percuss", "schlag", "batter", "kit", "section", "abschnitt",
    "chapter", "kapitel", "table", "program", "example", "beispiel", "when new", "factory",
    "default", "all off", "sho",
)  # fmt: skip
"""Words that say that a sentence speaks of less than everything, or of a first setting."""


class Channels:
    """The only channels that headings and running text name, found once for a leaflet.

    Parameters
    ----------
    texts : sequence of (row, section, text)
        The paragraphs of running text.
    first_section : str
        The first heading: what stands under it holds for the whole leaflet.
    """

    def __init__(self, texts: Sequence[tuple[int, str, str]], first_section: str) -> None:
        self.nrpn: list[tuple[str, int]] = []
        self.stated: dict[str, int] = {}
        self.first_section = first_section
        self.is_any = any(_ANY.search(text[:2000]) for _, _, text in texts)
        for _, section, text in texts:
            if match := _NRPN_ON.search(text[:2000]):
                self.nrpn.append((section, int(match["n"])))
            for sentence in re.split(r"(?<=[.;。])\s+", text[:2000]):
                self._sentence(sentence, section)

    def _sentence(self, sentence: str, section: str) -> None:
        """Keep the channel that one sentence names for all that its section prints."""
        match = _ONLY_CHANNEL.search(sentence) or _ALL_ON.search(sentence)
        if match is None or has_word(fold(sentence), _ELSEWHERE):
            return
        channel = int(match["a"] or match.groupdict().get("b") or 0)
        if 1 <= channel <= 16:
            self.stated.setdefault(section, channel)

    def of(self, section: str, *, nrpn: bool = False) -> int:
        """Return the only channel (1 to 16) of a section's controllers, 0 where it is free."""
        if match := _ONLY_CHANNEL.search(section) or _ONE_CHANNEL.search(section):
            channel = int(match["a"] or match.groupdict().get("b") or 0)
            if 1 <= channel <= 16:
                return channel
        for key in (section, self.first_section, ""):
            if key in self.stated:
                return self.stated[key]
        for own, channel in self.nrpn if nrpn else ():
            near = own in (section, self.first_section, "") or (own and section.startswith(own))
            if near and 1 <= channel <= 16:
                return channel
        return 0
