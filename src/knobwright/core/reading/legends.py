"""Legends: what a leaflet says its letters stand for (``vv = value``, ``dd is the device number``).

A :class:`Legend` keeps the symbol, the text and where it stands; :meth:`Legends.find` looks for the
nearest one: in the row itself, in its section, then anywhere.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.reading.layout import Placed
from knobwright.core.reading.runs import find_runs
from knobwright.core.reading.words import FIELD_WORDS, HIGH_WORDS, LOW_WORDS, fold, symbol_role

_NAMED = "|".join(sorted((w for w in FIELD_WORDS if len(w) > 2), key=len, reverse=True))
_RUNS = "|".join(c * n for n in (7, 4, 2) for c in "abcdefghijklmnopqrstuvwxyz")
_SYMBOL = (
    r"(?:[0-9a-f][g-z][hH]?|(?:" + _RUNS + r")[hH]?(?:\.\.)?|[a-z][hlm0-9][hH]?"
    r"|(?:" + _NAMED + r"|[bcdfghjklmnpqrstvwxz]{2}|id|lo|hi)[hH]?|[a-z])"
)
_WORDS = (
    r"closes|ends|schliesst|schließt|termine|cierra|stands? for|belongs to|depends on|"
    r"means?|carries|is|are|gives|holds|selects|ist|sind|steht für|stehen für|bedeutet|"
    r"trägt|"
    r"est|sont|vaut|représente|désigne|es|son|significa|quiere decir|è|sono|indica|"
    r"sta per|betekent|"
    r"wa|は"
)
_ENTRY = re.compile(
    r"(?<![\w$'’])(?P<syms>"
    + _SYMBOL
    + r"(?:(?:[ ,/]{1,2}| (?:and|und|et|y|e) )"
    + _SYMBOL
    + r")?)"
    r"\s*(?P<op>[=:＝：]|(?:" + _WORDS + r")\b)\s*"
)
_LEADING = re.compile(r"(?P<syms>(?:" + _SYMBOL + r"(?:[ ,/]{1,2}|\s*\Z)){1,3})(?P<text>\S.*)?\Z")
_ARTICLE = re.compile(
    r"\b(?:the|a|die|der|das|le|la|el|il|lo|ein|eine|une|un|una|is|ist|est|es)\s+\Z", re.I
)
_NOT_CHANNEL = re.compile(
    r"(?:not|nothing to do with|nicht|keineswegs|kein\w*|pas|no es|non è|niet|jamais|"
    r"nunca)\W+(?:\w+\W+){0,3}?"
    r"(?:channel|kanal|canal\w*|kanaal|channeru|チャンネル)\w*",
    re.I,
)
_TURNED = re.compile(r"\b(?:is|ist|est|es|è|means|sind)\s+(?P<syms>[a-z]|" + _RUNS + r")\s+(?=\w)")
_GOES_ON = re.compile(
    r"(?:,|\b(?:and|und|et|y|e|en)\b)\s+(?:(?:and|und|et|y|e|en)\s+)?(?P<syms>"
    + _SYMBOL
    + r")\s+(?=(?:the|der|die|das|den|le|la|l'|el|il|lo|de|het)\b)"
)
"""``v is the value, ch the channel``: an entry that leaves the verb out, behind one that has it."""
_STOP = re.compile(r"[;；。]|[.](?=\s+[A-ZÀ-Þ])|\s—\s|\.\Z")


class Legend(NamedTuple):
    """One explanation: ``symbol`` stands for ``role`` (may be empty), as ``text`` says.

    ``row_index`` is the number of the row that holds it.
    ``own`` marks one that stands in a row of bytes: it holds for that row only.
    """

    symbol: str
    role: str
    text: str
    row_index: int
    section: str
    own: bool = False


class Legends:
    """All legends of a leaflet."""

    def __init__(self, rows: list[Placed], paragraphs: list[tuple[int, str, str, int]]) -> None:
        self.by_symbol: dict[str, list[Legend]] = {}
        joined = {i: text for i, _, text, n in paragraphs if n > 1 and len(text) <= 4000}
        inside = {
            i + k for i, _, text, n in paragraphs if n > 1 and len(text) <= 4000 for k in range(n)
        }
        for placed in rows:
            if placed.kind == "blank" or len(placed.row.text) > 4000:
                continue
            found = read_legends(placed, inline=placed.row_index not in inside)
            if placed.row_index in joined:
                found = found + _inline(joined[placed.row_index], placed)
            for legend in found:
                self.by_symbol.setdefault(legend.symbol, []).append(legend)

    def find(self, symbol: str, index: int, section: str, span: int = 1) -> list[Legend]:
        """Return the legends of ``symbol`` from the nearest scope that has one.

        Scopes, nearest first: the row and the ``span`` rows that belong to it, the section, the
        matter before any section, the whole leaflet.
        """
        found = self.by_symbol.get(symbol, [])
        for scope in (
            [g for g in found if index <= g.row_index < index + span],
            [
                g
                for g in found
                if section
                and not g.own
                and (g.section == section or g.section == _first_word(section))
            ],
            [g for g in found if not g.own and g.section[:1] != "§"],
        ):
            with_role = [g for g in scope if g.role]
            if (
                len({g.role for g in with_role}) > 1
                and len({g.section for g in with_role}) > 1
                and not any(g.section == section or not g.section for g in with_role)
            ):
                return []
            if with_role:
                return with_role
        return []


def _first_word(section: str) -> str:
    """Return a section's letter or number as a legend names it."""
    return "§" + section.split()[0].rstrip(".)").lower() if section.split() else ""


def read_legends(placed: Placed, *, inline: bool = True) -> list[Legend]:
    """Return what one row explains."""
    out: list[Legend] = []
    cells = [c for c in placed.cells if c.strip()]
    n_words = len(placed.row.text.split())
    own = bool(find_runs(placed.row.text)) and (len(cells) > 1 or n_words <= 14)
    if (
        2 <= len(cells) <= 3
        and not own
        and (match := _LEADING.fullmatch(cells[0]))
        and match["text"] is None
    ):
        status = cells[0][0] in "89ABCDEabcde" and cells[0][1:2] == "n"
        if any(c.isalpha() for c in cells[1]) and placed.kind == "data" and not status:
            out.extend(_entry(match["syms"], "  ".join(cells[1:]), placed))
    elif placed.row.kind == "text" and len(cells) == 1 and (match := _LEADING.match(cells[0])):
        syms = match["syms"].split()
        text = match["text"] or ""
        if len(syms) > 1 and all(len(s) > 1 for s in syms) and text[:1].isupper():
            out.extend(_entry(match["syms"], text, placed))
    for cell in cells if inline else ():
        out.extend(_inline(cell, placed))
    return [legend._replace(own=True) for legend in out] if own else out


def _inline(text: str, placed: Placed) -> list[Legend]:
    """Return the legends printed in running text: ``n = channel, vv = value``."""
    matches = [
        m
        for m in _ENTRY.finditer(text)
        if _is_symbol(m["syms"], m["op"])
        and not (
            len(m["syms"]) > 3
            and m["syms"].isalpha()
            and _ARTICLE.search(text, max(0, m.start() - 6), m.start())
        )
    ]
    matches += [
        m
        for m in _TURNED.finditer(text)
        if m["syms"] not in ("a", "e", "y", "o", "à", "il", "el", "al")
    ]
    matches += _without_verb(text, matches)
    matches.sort(key=lambda m: m.start())
    out: list[Legend] = []
    for k, match in enumerate(matches):
        end = _start_of(matches[k + 1]) if k + 1 < len(matches) else len(text)
        body = text[match.end() : end]
        if stop := _STOP.search(body):
            body = body[: stop.start()]
        if "op" in match.groupdict() and match["op"] in (
            "closes",
            "ends",
            "schliesst",
            "schließt",
            "termine",
            "cierra",
        ):
            body = f"{match['op']} {body}"
        entries = _entry(match["syms"], body.strip(" ,"), placed)
        before = symbol_role(
            re.split(r"[.,;:(=]", text[max(0, match.start() - 26) : match.start()])[-1]
        )
        verb = "op" in match.groupdict() and match["op"] not in "=:＝："
        if verb and before in ("checksum", "device", "key", "channel") and len(entries) == 1:
            entries = [entries[0]._replace(role=before)]
        out.extend(_by_part(entries))
    return out


def _without_verb(text: str, matches: list[re.Match[str]]) -> list[re.Match[str]]:
    """Return the entries without a verb that go on in a sentence behind an entry with one."""
    verbs = [m for m in matches if "op" in m.groupdict() and m["op"] not in "=:＝："]
    ends = {m.start("syms") for m in matches}
    return [
        m
        for m in _GOES_ON.finditer(text)
        if m.start("syms") not in ends
        and m["syms"] not in ("a", "e", "y", "o", "il", "el", "al", "is", "as")
        and any(
            v.end() <= m.start() and not re.search(r"[.;。]", text[v.end() : m.start()])
            for v in verbs
        )
    ]


def _start_of(match: re.Match[str]) -> int:
    """Return where a legend's own symbol begins: a word of the sentence before it is none."""
    parts = re.split(r"( and | und | et | y | e |[ ,/]{1,2})", match["syms"])
    if len(parts) == 3 and len(parts[0]) > 2:
        return match.start("syms") + len(parts[0]) + len(parts[1])
    return match.start()


_IN_SECTION = re.compile(
    r"(?P<text>[^,;]*?)\b(?:in|for|im|dans|en|in der)\s+(?:section|abschnitt|part|chapter|"
    r"sección|seccion|"
    r"kapitel|sezione|tabelle|table|teil)\s+(?P<name>[A-Z]|\d{1,2}(?:\.\d)?)\b(?:\s*(?:,|"
    r"and|und|et|y|e)\s*)?",
    re.I,
)


def _by_part(entries: list[Legend]) -> list[Legend]:
    """Cut a legend that says what its symbol stands for in each of several sections."""
    if len(entries) != 1:
        return entries
    pieces = list(_IN_SECTION.finditer(entries[0].text))
    if len(pieces) < 2:
        return entries
    return [
        entries[0]._replace(
            text=p["text"].strip(), role=symbol_role(p["text"]), section="§" + p["name"].lower()
        )
        for p in pieces
    ]


def _is_symbol(syms: str, op: str) -> bool:
    """Return whether what stands before a verb can be a symbol and no word of the language."""
    first = syms.split()[0]
    if op in "=:＝：":
        return True
    return (len(first) > 1 and first not in ("as", "is", "it", "so", "al", "el", "am", "du")) or (
        first in ("n", "k", "p", "x", "c", "v", "d", "m", "r", "t", "i")
    )


def _entry(syms: str, text: str, placed: Placed) -> list[Legend]:
    """Return the legends of one or two symbols that share a text."""
    names = [
        clean_symbol(s)
        for s in re.split(r"[ ,/]+", syms.strip())
        if s.strip() not in ("", "and", "und", "et", "y", "e")
    ]
    if len(names) == 2 and len(names[0]) > 2 and names[0] != names[1]:
        names = names[1:]
    cleaned = _NOT_CHANNEL.sub(" ", text)
    if len(names) == 2 and names[0] != names[1]:
        roles = _pair_roles(names, cleaned)
    else:
        roles = [symbol_role(cleaned)] * len(names)
    if len(names) >= 2 and fold(text)[:7] in ("address", "adresse", "indiriz", "direcci"):
        roles = ["address"] * len(names)
    return [
        Legend(name, role, text, placed.row_index, placed.section)
        for name, role in zip(names, roles, strict=True)
    ]


def _pair_roles(names: list[str], text: str) -> list[str]:
    """Return the roles of two symbols explained together (``hh ll``: high and low part)."""
    folded = fold(text)
    role = symbol_role(text)
    if role in ("address", "key", "channel", "device", "checksum"):
        return [role, role]
    parts = [folded.find(name + " ") for name in names]
    if all(at >= 0 for at in parts) and parts[0] < parts[1]:
        own = [symbol_role(folded[parts[0] : parts[1]]), symbol_role(folded[parts[1] :])]
        if {"high", "low"} == set(own):
            return own
    first = symbol_role(folded)
    order = _first_of(folded)
    if order:
        return order
    return [first or "value", first or "value"]


def _first_of(folded: str) -> list[str]:
    """Return high/low in the order in which the text names them, or nothing."""
    high = min((folded.find(w) for w in HIGH_WORDS if w in folded), default=-1)
    low = min((folded.find(w) for w in LOW_WORDS if w in folded), default=-1)
    if high < 0 or low < 0:
        return []
    return ["high", "low"] if high < low else ["low", "high"]


def clean_symbol(text: str) -> str:
    """Return a symbol in its short form: ``vvH`` and ``vvvvvvv`` are ``vv``, ``nnnn`` is ``n``."""
    word = text.strip(" .,")
    if len(word) >= 3 and word[-1] in "hH" and (word[-1] == "H" or word[:-1] in FIELD_WORDS):
        word = word[:-1]
    word = word.lower()
    if len(word) == 7 and len(set(word)) == 1:
        return word[:2]
    if len(word) == 4 and len(set(word)) == 1:
        return word[:1]
    return word
