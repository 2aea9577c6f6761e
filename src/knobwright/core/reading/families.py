"""Exclusive lines by maker: settle each family's checksum and put the brackets into its lines."""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.reading.built import Built
from knobwright.core.reading.collect import Collected
from knobwright.core.reading.context import Context
from knobwright.core.reading.found import Choice, Doubt, Found
from knobwright.core.reading.sums import Family, Solution, SumText, read_statements, solve, value_at
from knobwright.core.reading.words import fold

_NONE = r"\b(?:no|kein\w*|ohne|without|sans|sin|senza|geen|zonder|pas de|nashi)"
_SUM_WORDS = (
    "checksum", "check sum", "sum", "prufsumme", "somme de controle", "somme", "controlesom",
    "suma",
)  # fmt: skip


class Summed(NamedTuple):
    """A line with its brackets, the name of its checksum (empty: none) and what is in doubt about
    it."""

    line: str
    checksum: str
    doubts: tuple[Doubt, ...] = ()


class Checksums:
    """The checksums of a leaflet: one name for each rule, one solution for each maker and
    section.
    """

    def __init__(self, context: Context, collected: Collected) -> None:
        self.context = context
        self.texts: list[SumText] = []
        self.lines: dict[tuple[str, ...], list[tuple[Found, Built]]] = {}
        self.fixed: dict[tuple[str, ...], list[tuple[Found, Built]]] = {}
        self.solutions: dict[tuple[tuple[str, ...], str], Solution] = {}
        self.names: dict[str, str] = {}
        self.questions: dict[str, Solution] = {}
        for piece in collected.pieces:
            self._sort(piece.found, piece.built)
            if piece.built.likely is not None:
                self._sort(piece.found, piece.built.likely)
        for found, built in collected.others:
            if built.kind in ("dump", "request", "shape"):
                self._sort(found, built)
        self.texts = read_statements(context, self._symbols())

    def _symbols(self) -> frozenset[str]:
        """Return the words that are printed in the checksum's place."""
        return frozenset(
            next((t.word for t in reversed(f.toks) if t.kind == "field"), "")
            for rows in self.lines.values()
            for f, _ in rows
        ) - {""}

    def _sort(self, found: Found, built: Built) -> None:
        if not built.is_exclusive or built.words[0][1] in ("7E", "7F"):
            return
        key = maker_of(built)
        if built.check_at >= 0 and built.kind not in ("dump", "shape"):
            self.lines.setdefault(key, []).append((found, built))
        elif built.kind == "action":
            self.fixed.setdefault(key, []).append((found, built))

    def apply(self, found: Found, built: Built) -> Summed:
        """Return the line with brackets and what is in doubt about its checksum."""
        if not built.is_exclusive or built.words[0][1] in ("7E", "7F"):
            return Summed(built.line, "")
        words = built.words[0]
        if built.check_at < 0:
            return Summed(built.line, "", self._without(found, built))
        if built.kind == "dump":
            return self._dump(found, built)
        solution = self.solution(found, built)
        start = min(solution.start, built.check_at - 1)
        name = self.name_of(solution.rule)
        if solution.doubt:
            self.questions.setdefault(name, solution)
        text = " ".join(
            (*words[:start], "[", *words[start : built.check_at], "]", *words[built.check_at :])
        )
        return Summed(text, name)

    def _dump(self, found: Found, built: Built) -> Summed:
        """Return a dump's line: its checksum is over the data unless the leaflet says otherwise."""
        words = built.words[0]
        here = [t for t in self.texts if t.section == found.section and t.rule] or [
            t for t in self.texts if t.rule
        ]
        name = self.name_of(here[0].rule if here else "negated-sum-7")
        start = words.index("data*")
        text = " ".join(
            (*words[:start], "[", *words[start : built.check_at], "]", *words[built.check_at :])
        )
        if not here:
            self.questions.setdefault(
                name, Solution("negated-sum-7", start, "nothing says its rule")
            )
        return Summed(text, name)

    def name_of(self, rule: str) -> str:
        """Return the name of the sheet's table for a rule."""
        if rule not in self.names:
            self.names[rule] = "body" if not self.names else f"body-{len(self.names) + 1}"
        return self.names[rule]

    def solution(self, found: Found, built: Built) -> Solution:
        """Return the settled checksum of the line's family in its section."""
        key = maker_of(built)
        section = self._scope(found.section)
        at = (key, section)
        if at not in self.solutions:
            here = [(f, b) for f, b in self.lines.get(key, []) if self._scope(f.section) == section]
            lines = [b for _, b in here] or [built]
            lines = [b for b in lines if b.parts] or lines
            shaped = [int(f.shape[8:]) for f, _ in here if f.shape.startswith("address ")]
            family = Family(tuple(lines[:1]), self._proofs(key, lines), shaped[0] if shaped else 0)
            self.solutions[at] = solve(family, self.texts, section)
        return self.solutions[at]

    def _scope(self, section: str) -> str:
        """Return the section if it has a rule of its own, else nothing: the leaflet's rule
        holds.
        """
        own = [t for t in self.texts if t.section == section and t.rule]
        general = {t.section for t in self.texts if t.rule}
        return section if own and len(general) > 1 else ""

    def _proofs(self, key: tuple[str, ...], lines: list[Built]) -> tuple[tuple[int, ...], ...]:
        """Return the printed messages that one of the family's lines matches byte by byte."""
        out = [
            e.data for e in self.context.examples if any(matches(e.data, line) for line in lines)
        ]
        return tuple(dict.fromkeys(out))

    def _without(self, found: Found, built: Built) -> tuple[Doubt, ...]:
        """Ask about a line without a checksum among lines of the same maker that have one."""
        key = maker_of(built)
        family = self.lines.get(key, [])
        if not family or self.context.no_checksum(found.section) or self._says_none(found):
            return ()
        if built.kind == "action":
            return self._fixed_sum(found, built, family[0][1])
        if built.kind != "parameter":
            return ()
        return (
            Doubt(
                "",
                "the row prints no checksum, the maker's other messages have one: "
                "forgotten, or really none",
                (
                    Choice("none", "the message has no checksum", {"line": built.line}),
                    Choice("forgotten", "the checksum stands before F7", {"append": True}),
                ),
                only=True,
            ),
        )

    def _says_none(self, found: Found) -> bool:
        """Return whether the row itself says that it has no checksum (``no sum in this one``)."""
        own = fold(" ; ".join(t for _, _, t in found.texts))
        words = "|".join(map(re.escape, sorted({*_SUM_WORDS, *self._symbols()})))
        return re.search(rf"{_NONE}\s+(?:[a-z']{{2,4}}\s+)?(?:{words})(?![a-z])", own) is not None

    def _fixed_sum(self, found: Found, built: Built, other: Built) -> tuple[Doubt, ...]:
        """Verify a checksum that is printed as a fixed byte."""
        solution = self.solution(found, other)
        data = self._with_device(built)
        if data is None or solution.doubt or value_at(data, solution.rule, solution.start):
            return ()
        return (
            Doubt(
                "",
                "the message's last byte is not the checksum that the rule gives, and "
                "none is marked in the row",
                (Choice("as-printed", "the bytes are right as printed", {"line": built.line}),),
                only=True,
                takes="line",
            ),
        )

    def _with_device(self, built: Built) -> tuple[int, ...] | None:
        """Return the bytes of a fixed message, the device id being the one that examples show."""
        out: list[int] = []
        for cell, word in enumerate(built.words[0]):
            if word == "id" or word.endswith("i"):
                shown = {
                    e.data[cell]
                    for e in self.context.examples
                    if len(e.data) > cell and e.data[:2] == tuple(out[:2])
                }
                out.append(shown.pop() if len(shown) == 1 else 0)
            else:
                try:
                    out.append(int(word, 16))
                except ValueError:
                    return None
        return tuple(out)


def maker_of(built: Built) -> tuple[str, ...]:
    """Return the maker's id of an exclusive line."""
    words = built.words[0]
    return tuple(words[1:4]) if words[1] == "00" else (words[1],)


def matches(data: tuple[int, ...], line: Built) -> bool:
    """Return whether a printed message is one of the line's: same length, every fixed byte the
    same."""
    words = line.words[0]
    if len(words) != len(data):
        return False
    for word, byte in zip(words, data, strict=True):
        if word[0] in "0123456789ABCDEF" and len(word) == 2:
            if word[1] in "0123456789ABCDEF":
                if int(word, 16) != byte:
                    return False
            elif int(word[0], 16) != byte >> 4:
                return False
        elif byte > 0x7F:
            return False
    return True
