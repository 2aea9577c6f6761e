"""What a leaflet says once for many rows: number bases, channel, checksums, examples, offsets.

:class:`Context` is built in one pass over the placed rows and then only asked.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any, Concatenate, NamedTuple, ParamSpec, TypeVar

from knobwright.core.reading.bases import Bases
from knobwright.core.reading.channels import Channels
from knobwright.core.reading.found import Found
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.legends import Legends
from knobwright.core.reading.numbers import DEC, HEX, Span, spans
from knobwright.core.reading.prepared import footnotes, grouping
from knobwright.core.reading.runs import Run, find_runs
from knobwright.core.reading.statements import (
    DEC_WORDS,
    HEX_WORDS,
    OFFSET,
    Statement,
    base_statements,
    said_order,
)
from knobwright.core.reading.tokens import Tok
from knobwright.core.reading.words import DEFAULT_WORDS, EXAMPLE_WORDS, fold, has_word

_NEGATED = re.compile(
    r"(?<!\w)(?:no|not|kein\w*|nicht|non|pas|sin|sans|ohne|without|senza|geen|nashi|なし)\b"
)
_SENTENCE = re.compile(r"(?<=[.;。!?])\s+|(?<=。)")

_LOW_PART = re.compile(
    r"(?:CC|controller|control|contr[ôo]leur|controlador|regler)\s*#?\s*(?:38|26h|\$26|"
    r"0x26)\b|\b(?:26h|\$26|0x26)\b",
    re.I,
)
_USE_NRPN = re.compile(
    r"(?:use|prefer|verwende|benutze|nehme|utiliser|utilisez|usar|use|usare|"
    r"gebruik)\w*\s+(?:the |die |den |les |los |gli )?nrpn"
)
_MARK = re.compile(
    r"(?:marked|with|behind|mit|marqu\w+|hinter)\s+(?:a |an |the |einem )?([#*§@!])\s|"
    r"([#*§@!])\s+(?:marks|means|is|=|bedeutet|ist)\s",
    re.I,
)
_BEYOND = (
    "beyond", "above", "over 127", "more than", "wider", "exceed", "larger", "greater", "grosser",
    "uber 127", "au-dela", "superieur", "mayor", "maggiore", "boven",
)  # fmt: skip
_ALWAYS = ("always", "immer", "toujours", "siempre", "sempre", "altijd", "tsune ni", "常に")


_COUNTED = (
    "range", "default", "cc", "number", "address", "size", "nrpn", "rpn", "nrpn_msb", "nrpn_lsb",
    "rpn_msb", "rpn_lsb", "cc_msb", "cc_lsb",
)  # fmt: skip


class Example(NamedTuple):
    """A message printed as an example: its bytes, the text beside it and where it stands."""

    data: tuple[int, ...]
    text: str
    row_index: int
    section: str
    in_words: bool


_Asked = ParamSpec("_Asked")
_Answer = TypeVar("_Answer")


def _kept(
    method: Callable[Concatenate[Context, _Asked], _Answer],
) -> Callable[Concatenate[Context, _Asked], _Answer]:
    """Keep what a method of :class:`Context` answers: the texts of a leaflet do not change."""

    def asked(context: Context, /, *question: _Asked.args, **named: _Asked.kwargs) -> _Answer:
        key = (method.__name__, question)
        if key not in context.answers:
            context.answers[key] = method(context, *question, **named)
        answer: _Answer = context.answers[key]
        return answer

    asked.__doc__ = method.__doc__
    return asked


class Context:
    """The leaflet's statements and evidence, for the dialects and the facts to ask."""

    def __init__(self, rows: list[Placed]) -> None:
        self.rows = rows
        self.answers: dict[tuple[str, tuple[Any, ...]], Any] = {}
        self.lines = {
            p.row_index
            for p in rows
            if sum(1 for c in p.cells if c.strip()) > 1
            and len(p.row.text) < 2000
            and any(fixed_bytes(run) is None for run in find_runs(p.row.text))
        }
        self.first_section = next((p.section for p in rows if p.kind == "heading"), "")
        self.paragraphs = _paragraphs(rows)
        self.legends = Legends(rows, self.paragraphs)
        self.statements = self._read_statements()
        self.evidence = self._read_evidence()
        self.bases = Bases(rows)
        self.footnotes = footnotes(p.row.text for p in rows if p.kind == "data")
        self.grouping = grouping(p.row.text[:400] for p in rows)
        self.channels = Channels(self.texts(), self.first_section)
        self.default_mark = next(
            (
                m[1] or m[2]
                for _, _, text, _ in self.paragraphs
                if (m := _MARK.search(text))
                and has_word(fold(text[m.start() : m.start() + 120]), DEFAULT_WORDS)
            ),
            "",
        )
        self.has_defaults = any("default" in p.roles for p in rows)
        self.listed: dict[str, str] = {}
        self.examples: list[Example] = []
        self.consumed: set[int] = set()
        self.map_letters: frozenset[str] = frozenset()
        self.heading_numbers: dict[str, Tok] = {}
        self.shapes: list[tuple[Found, Any]] = []
        self.last: Found | None = None

    def paragraph_at(self, index: int) -> str:
        """Return the paragraph of running text that row ``row_index`` is part of."""
        return next((t for i, _, t, n in self.paragraphs if i <= index < i + n), "")

    @_kept
    def texts(self, section: str | None = None) -> list[tuple[int, str, str]]:
        """Return (row index, section, text) of the paragraphs, of one section or of all."""
        return [
            (i, s, t)
            for i, s, t, _ in self.paragraphs
            if i not in self.lines and (section is None or s == section)
        ]

    def says_above(self, letter: str, section: str) -> bool:
        """Return whether a section says that a letter means what it did above (``n as above``)."""
        said = re.compile(
            rf"(?<!\w){re.escape(letter)}\s*(?:=|:|is)?\s*(?:as (?:above|before)|see above|"
            r"wie oben|siehe oben|comme ci-dessus|come sopra|como arriba|als boven)\b",
            re.I,
        )
        return any(
            said.search(p.row.text[:400]) is not None
            for p in self.rows
            if p.section == section and p.kind != "blank"
        )

    def base_of(self, placed: Placed, head: str, role: str) -> str:
        """Return the base of unmarked numbers in a cell: ``hex``, ``dec`` or empty for not known.

        Asked in this order: the column's header, what the leaflet states of the column, of the
        section, of everything; then the other numbers of the same column.
        """
        folded = fold(head)
        if folded:
            if has_word(folded, ("hex", "(h)", "hexa")):
                return HEX
            if has_word(folded, ("dec", "dez", "(d)", "decimal")):
                return DEC
            named = [s.base for s in self.statements if s.target == folded]
            if named:
                return named[0]
        for wanted in (placed.section, None):
            if (
                role == "range"
                and (
                    ranges := {
                        s.base
                        for s in self.statements
                        if s.target == "ranges" and wanted in (None, s.section)
                    }
                )
                and len(ranges) == 1
            ):
                return ranges.pop()
            found = {
                s.base
                for s in self.statements
                if s.target == "all"
                and ((s.section == wanted and wanted) or (wanted is None and not s.local))
            }
            if len(found) == 1:
                return found.pop()
        return self._weigh(placed, role)

    def number_base(self, section: str) -> str:
        """Return the base of controller and parameter numbers that are printed without a mark."""
        return self.bytes_base(section, ("all",))

    def controller_base(self, section: str) -> str:
        """Return the base of a controller's number in words: stated, proved, or tens."""
        return self.number_base(section) or self.bases.of(section)

    def bytes_base(self, section: str, targets: tuple[str, ...] = ("bytes", "all")) -> str:
        """Return the base of the bytes of messages that are printed without a mark."""
        for target in targets:
            for wanted in (section, None):
                found = {
                    s.base
                    for s in self.statements
                    if s.target == target
                    and (s.section == wanted or (wanted is None and not s.local))
                }
                if len(found) == 1:
                    return found.pop()
        return ""

    def _weigh(self, placed: Placed, role: str) -> str:
        """Return what the other numbers of the column say; leading zeros count where nothing is
        marked."""
        for key in ((placed.grid, placed.section, role), (placed.grid, "", role), (-1, "", role)):
            n_hex, n_dec, n_padded, n_marked = self.evidence.get(key, (0, 0, 0, 0))
            n_hex += 0 if n_marked else n_padded
            if n_hex and not n_dec:
                return HEX
            if n_dec and not n_hex:
                return DEC
            if n_hex or n_dec:
                return ""
        return ""

    def _read_evidence(self) -> dict[tuple[int, str, str], tuple[int, int, int, int]]:
        """Count, for each column and role, the numbers that prove hex, that prove decimal, with
        leading zeros, with marks."""
        counts: dict[tuple[int, str, str], tuple[int, int, int, int]] = {}
        for placed in self.rows:
            if placed.kind != "data" or not any(placed.roles):
                continue
            for cell, role in zip(placed.cells, placed.roles, strict=False):
                role = "range" if role in ("min", "max") else role
                if role not in _COUNTED or not cell:
                    continue
                for span in spans(cell):
                    self._count(span, placed, role, counts)
        return counts

    def _count(
        self,
        span: Span,
        placed: Placed,
        role: str,
        counts: dict[tuple[int, str, str], tuple[int, int, int, int]],
    ) -> None:
        """Add what one number or range of a column proves."""
        n_marked = int(any(n.marked for n in span.nums))
        n_hex = int(span.base == HEX and not n_marked)
        n_dec = int(span.base == DEC and not span.is_signed)
        n_padded = int(not n_hex and any(n.is_padded and not n.marked for n in span.nums))
        plain = any(len(n.parts[0]) == 1 and not n.base for n in span.nums)
        if (
            not (n_hex or n_dec or n_padded)
            and plain
            and (len(span.nums) > 1 or role[:2] in ("cc", "nr", "rp"))
        ):
            n_dec = 1
        new = (n_hex, n_dec, n_padded, n_marked)
        for key in ((placed.grid, placed.section, role), (placed.grid, "", role), (-1, "", role)):
            old = counts.get(key, (0, 0, 0, 0))
            counts[key] = tuple(a + b for a, b in zip(old, new, strict=True))  # type: ignore[assignment]

    def _read_statements(self) -> list[Statement]:
        heads = {fold(h) for p in self.rows for h in p.heads if h}
        heads |= {fold(c) for p in self.rows if p.kind == "header" for c in p.cells if c}
        out: list[Statement] = []
        for placed in self.rows:
            if placed.kind == "heading":
                folded = fold(placed.section)
                is_hex, is_dec = has_word(folded, HEX_WORDS), has_word(folded, DEC_WORDS)
                is_dec = is_dec or re.search(r"\bde[cz]\b", folded) is not None
                if is_hex != is_dec and placed.section != self.first_section:
                    base = HEX if is_hex else DEC
                    out.extend(Statement(base, t, placed.section, True) for t in ("all", "bytes"))
        for index, section, text, _ in self.paragraphs:
            filled = sum(1 for c in self.rows[index].cells if c.strip())
            if len(text) > 3000 or self.rows[index].kind == "header" or filled > 2:
                continue
            where = "" if section == self.first_section or not section else section
            for sentence in _SENTENCE.split(text):
                if not any(fixed_bytes(r) is not None for r in find_runs(sentence)):
                    out.extend(base_statements(sentence, where, heads))
        busy = {
            p.section
            for p in self.rows
            if p.row_index in self.lines or any(r in ("cc", "nrpn_lsb", "address") for r in p.roles)
        }
        return [s._replace(local=s.local or s.section in busy) for s in out]

    @_kept
    def says_anywhere(self, words: tuple[str, ...]) -> bool:
        """Return whether any running text of the leaflet holds one of the words."""
        return any(has_word(fold(text), words) for _, _, text in self.texts())

    @_kept
    def order(self, section: str) -> str:
        """Return ``high`` or ``low``: which part of a wide value the section (or the leaflet) says
        comes first."""
        for wanted in (section, None):
            found: set[str] = set()
            for _, own, text in self.texts():
                if wanted is None or own == wanted:
                    found |= said_order(text)
            if len(found) == 1:
                return found.pop()
            if found:
                return ""
        return ""

    @_kept
    def no_checksum(self, section: str) -> bool:
        """Return whether the leaflet says that there is no checksum (here or anywhere)."""
        for _, _own, text in self.texts():  # a row's own note holds for that row alone
            folded = fold(text)
            for word in (
                "checksum",
                "prufsumme",
                "somme de controle",
                "suma de ",
                "checkusamu",
                "chekkusamu",
                "sum check",
                "check byte",
                "チェックサム",
                "controlesom",
            ):
                at = folded.find(word)
                while at >= 0:
                    before = re.split(r"[.;:]", folded[max(0, at - 24) : at])[-1]
                    after = folded[at : at + 40]
                    if _NEGATED.search(before) or re.search(
                        r"(?:wa )?(?:nai|nashi|arimasen|なし)", after
                    ):
                        return True
                    at = folded.find(word, at + 1)
        return False

    @_kept
    def mentions_low_part(self) -> bool:
        """Return whether the leaflet says that controller 38 carries the low part of a value."""
        return any(_LOW_PART.search(text) for _, _, text, _ in self.paragraphs)

    @_kept
    def always_two(self) -> bool:
        """Return whether the leaflet says that parameter numbers always take two data bytes."""
        return any(
            _LOW_PART.search(sentence)
            and has_word(fold(sentence), _ALWAYS)
            and not has_word(fold(sentence), _BEYOND)
            for _, _, text in self.texts()
            for sentence in _SENTENCE.split(text)
        )

    @_kept
    def prefers_nrpn(self) -> bool:
        """Return whether the leaflet says that the NRPN is the way to use."""
        return any(_USE_NRPN.search(fold(text)) for _, _, text, _ in self.paragraphs)

    @_kept
    def offset(self, section: str) -> int | None:
        """Return the number that signed values are sent with added, where the text says one."""
        for wanted in (section, None):
            for _, own, text, _ in self.paragraphs:
                if wanted is not None and own != wanted:
                    continue
                folded = text
                if not has_word(
                    fold(text),
                    (
                        "sign",
                        "vorzeichen",
                        "negativ",
                        "signe",
                        "signo",
                        "segno",
                        "added",
                        "addiert",
                        "ajoute",
                        "add ",
                        "sumar",
                        "offset",
                    ),
                ):
                    continue
                if match := OFFSET.search(folded):
                    return int(next(g for g in match.groups() if g))
        return None


def _paragraphs(rows: list[Placed]) -> list[tuple[int, str, str, int]]:
    """Return running text joined over its rows: (first row, section, text, number of rows)."""
    out: list[tuple[int, str, str, int]] = []
    for placed in rows:
        if placed.kind == "blank":
            continue
        text = "  ".join(c for c in placed.cells if c.strip())
        single = sum(1 for c in placed.cells if c.strip()) == 1 and placed.kind == "data"
        if (
            single
            and out
            and not placed.gap
            and out[-1][3] < 40
            and out[-1][0] + out[-1][3] == placed.row_index
            and placed.row.kind == "text"
            and rows[placed.row_index - 1].kind == "data"
            and sum(1 for c in rows[placed.row_index - 1].cells if c.strip()) == 1
        ):
            first, section, before, n = out[-1]
            out[-1] = (first, section, f"{before} {text}", n + 1)
        else:
            out.append((placed.row_index, placed.section, text, 1))
    return out


def has_example_word(text: str) -> bool:
    """Return whether a text says that what it prints is an example."""
    return has_word(fold(text), EXAMPLE_WORDS)


def fixed_bytes(run: Run) -> tuple[int, ...] | None:
    """Return the bytes of a run that holds nothing but bytes, None where a field stands in it."""
    data: list[int] = []
    decimal = run.toks[0].kind == "number"
    for tok in run.toks:
        if decimal and tok.text.isdigit():
            value = int(tok.text)
        elif tok.kind in ("byte", "twin") or (tok.kind == "number" and len(tok.text) == 1):
            value = tok.value
        else:
            return None
        if not 0 <= value <= 255:
            return None
        data.append(value)
    return tuple(data)
