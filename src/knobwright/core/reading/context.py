"""What a leaflet says once for many rows: number bases, channel, checksums, examples, offsets.

:class:`Context` is built in one pass over the placed rows and then only asked.
"""

from __future__ import annotations

import re
from typing import Any, NamedTuple

from knobwright.core.reading.found import Found
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.legends import Legends
from knobwright.core.reading.numbers import DEC, HEX, spans
from knobwright.core.reading.runs import Run, find_runs
from knobwright.core.reading.words import EXAMPLE_WORDS, YES_WORDS, fold, has_word

HEX_WORDS = ("hex", "16進", "sedecimal", "jūroku", "juroku")
DEC_WORDS = ("decimal", "dezimal", "decimaux", "decimale", "decimales", "decimali", "10進", "jusshin",
             "decimaal", "decimaux", "(dec)", "jisshin", "in dec")
_UNMARKED = ("without", "other", "ohne", "sans", "sin ", "senza", "autres", "andere", "otros", "altri",
             "plain", "zonder", "else", "unmarked", "no mark", "no suffix", "others", "no h",
             "sonst", "ubrigen", "tsukanai", "nai suji", "rest")
_SPECIAL = ("numbers with a unit", "key number", "channel number", "program number", "note number", "kanalnummer",
            "programmnummer", "notennummer", "tastennummer", "numero de canal", "numeros de canal", "numero de programme")
_NEGATED = re.compile(r"(?:no|not|kein\w*|nicht|non|pas|sin|sans|ohne|without|senza|geen|nashi|なし)\b")
_SENTENCE = re.compile(r"(?<=[.;。!?])\s+|(?<=。)")
_COLUMN_WORDS = ("column", "spalte", "colonne", "columna", "colonna", "kolom", "欄", "retsu", "table", "under ")
_OFFSET = re.compile(
    r"(?:add|plus|\+)\s*(?P<a>\d{2,3})\s*(?:before|to|vor)|(?P<b>\d{2,3})\s*(?:is|are|wird|werden|est|es|se)\s+"
    r"(?:added|addiert|ajouté\w*|suma\w*|añad\w*)|(?P<c>\d{2,3})\s*\+|"
    r"addier\w*\s+(?P<d>\d{2,3})|ajouter\s+(?P<e>\d{2,3})|sumar?\s+(?P<f>\d{2,3})|"
    r"aggiunger?e?\s+(?P<g>\d{2,3})|offset (?:of |by )?(?P<h>\d{2,3})", re.I,
)

_LOW_PART = re.compile(
    r"(?:CC|controller|control|contr[ôo]leur|controlador|regler)\s*#?\s*(?:38|26h|\$26|0x26)\b|\b(?:26h|\$26|0x26)\b", re.I)
_USE_NRPN = re.compile(r"(?:use|prefer|verwende|benutze|nehme|utiliser|utilisez|usar|use|usare|gebruik)\w*\s+(?:the |die |den |les |los |gli )?nrpn")
_ALWAYS = ("always", "immer", "toujours", "siempre", "sempre", "altijd", "tsune ni", "常に")


class Example(NamedTuple):
    """A message printed as an example: its bytes, the text beside it and where it stands."""

    data: tuple[int, ...]
    text: str
    index: int
    section: str
    in_words: bool


class Statement(NamedTuple):
    """What one sentence says about number bases: for ``target`` (``all``, ``bytes`` or a header)."""

    base: str
    target: str
    section: str


class Context:
    """The leaflet's statements and evidence, for the dialects and the facts to ask."""

    def __init__(self, rows: list[Placed]) -> None:
        self.rows = rows
        self.lines = {
            p.index for p in rows if sum(1 for c in p.cells if c.strip()) > 1 and len(p.row.text) < 2000
            and any(fixed_bytes(run) is None for run in find_runs(p.row.text))
        }
        self.first_section = next((p.section for p in rows if p.kind == "heading"), "")
        self.paragraphs = _paragraphs(rows)
        self.legends = Legends(rows, self.paragraphs)
        self.statements = self._read_statements()
        self.evidence = self._read_evidence()
        self.has_defaults = any("default" in p.roles for p in rows)
        self.examples: list[Example] = []
        self.consumed: set[int] = set()
        self.map_letters: frozenset[str] = frozenset()
        self.shapes: list[tuple[Found, Any]] = []
        self.last: Found | None = None

    def paragraph_at(self, index: int) -> str:
        """Return the paragraph of running text that row ``index`` is part of."""
        return next((t for i, _, t, n in self.paragraphs if i <= index < i + n), "")

    def texts(self, section: str | None = None) -> list[tuple[int, str, str]]:
        """Return (row index, section, text) of the paragraphs, of one section or of all."""
        return [(i, s, t) for i, s, t, _ in self.paragraphs
                if i not in self.lines and (section is None or s == section)]

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
            if role == "range" and (
                ranges := {s.base for s in self.statements if s.target == "ranges" and wanted in (None, s.section)}
            ) and len(ranges) == 1:
                return ranges.pop()
            found = {
                s.base for s in self.statements
                if s.target == "all" and (wanted is None or (s.section == wanted and wanted))
            }
            if len(found) == 1:
                return found.pop()
        return self._weigh(placed, role)

    def number_base(self, section: str) -> str:
        """Return the base of controller and parameter numbers that are printed without a mark."""
        return self.bytes_base(section, ("all",))

    def bytes_base(self, section: str, targets: tuple[str, ...] = ("bytes", "all")) -> str:
        """Return the base of the bytes of messages that are printed without a mark."""
        for target in targets:
            for wanted in (section, None):
                found = {s.base for s in self.statements
                         if s.target == target and (wanted is None or s.section == wanted)}
                if len(found) == 1:
                    return found.pop()
        return ""

    def _weigh(self, placed: Placed, role: str) -> str:
        """Return what the other numbers of the column say."""
        for key in ((placed.grid, placed.section, role), (placed.grid, "", role), (-1, "", role)):
            n_hex, n_dec = self.evidence.get(key, (0, 0))
            if n_hex and not n_dec:
                return HEX
            if n_dec and not n_hex:
                return DEC
            if n_hex or n_dec:
                return ""
        return ""

    def _read_evidence(self) -> dict[tuple[int, str, str], tuple[int, int]]:
        """Count, for each column and role, the numbers that prove hex and those that prove decimal."""
        counts: dict[tuple[int, str, str], tuple[int, int]] = {}
        for placed in self.rows:
            if placed.kind != "data" or not any(placed.roles):
                continue
            for cell, role in zip(placed.cells, placed.roles, strict=False):
                if role not in ("range", "default", "cc", "number", "address", "size") or not cell:
                    continue
                for span in spans(cell):
                    n_hex = int(span.base == HEX and not all(n.marked for n in span.nums if n.base))
                    n_dec = int(span.base == DEC and not span.is_signed)
                    if not (n_hex or n_dec) and any(
                        len(n.parts[0]) == 1 and not n.base for n in span.nums
                    ) and not any(n.is_padded for n in span.nums) and len(span.nums) > 1:
                        n_dec = 1
                    if not (n_hex or n_dec):
                        continue
                    for key in ((placed.grid, placed.section, role), (placed.grid, "", role), (-1, "", role)):
                        h, d = counts.get(key, (0, 0))
                        counts[key] = (h + n_hex, d + n_dec)
        return counts

    def _read_statements(self) -> list[Statement]:
        heads = {fold(h) for p in self.rows for h in p.heads if h}
        heads |= {fold(c) for p in self.rows if p.kind == "header" for c in p.cells if c}
        out: list[Statement] = []
        for placed in self.rows:
            if placed.kind == "heading":
                folded = fold(placed.section)
                is_hex, is_dec = has_word(folded, HEX_WORDS), has_word(folded, DEC_WORDS)
                if is_hex != is_dec and placed.section != self.first_section:
                    base = HEX if is_hex else DEC
                    out.extend((Statement(base, "all", placed.section), Statement(base, "bytes", placed.section)))
        for index, section, text, _ in self.paragraphs:
            filled = sum(1 for c in self.rows[index].cells if c.strip())
            if len(text) > 3000 or self.rows[index].kind == "header" or filled > 2:
                continue
            where = "" if section == self.first_section or not section else section
            for sentence in _SENTENCE.split(text):
                out.extend(_base_statements(sentence, where, heads))
        return out

    def says(self, words: tuple[str, ...], section: str) -> bool:
        """Return whether the section, or the matter before all sections, holds one of the words."""
        for _, own, text in self.texts():
            if own in (section, self.first_section, "") and has_word(fold(text), words):
                return True
        return False

    def says_anywhere(self, words: tuple[str, ...]) -> bool:
        """Return whether any running text of the leaflet holds one of the words."""
        return any(has_word(fold(text), words) for _, _, text in self.texts())

    def order(self, section: str) -> str:
        """Return ``high`` or ``low``: which part of a wide value the section (or the leaflet) says comes first."""
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

    def no_checksum(self, section: str) -> bool:
        """Return whether the leaflet says that there is no checksum (here or anywhere)."""
        for _, _own, text, _ in self.paragraphs:
            folded = fold(text)
            for word in ("checksum", "prufsumme", "somme de controle", "suma de ", "checkusamu",
                         "chekkusamu", "sum check", "check byte", "チェックサム", "controlesom"):
                at = folded.find(word)
                while at >= 0:
                    before = folded[max(0, at - 24) : at]
                    after = folded[at : at + 40]
                    if _NEGATED.search(before) or re.search(r"(?:wa )?(?:nai|nashi|arimasen|なし)", after):
                        return True
                    at = folded.find(word, at + 1)
        return False

    def mentions_low_part(self) -> bool:
        """Return whether the leaflet says that controller 38 carries the low part of a value."""
        return any(_LOW_PART.search(text) for _, _, text, _ in self.paragraphs)

    def always_two(self) -> bool:
        """Return whether the leaflet says that parameter numbers always take two data bytes."""
        return any(
            _LOW_PART.search(sentence) and has_word(fold(sentence), _ALWAYS)
            for _, _, text in self.texts() for sentence in _SENTENCE.split(text)
        )

    def prefers_nrpn(self) -> bool:
        """Return whether the leaflet says that the NRPN is the way to use."""
        return any(_USE_NRPN.search(fold(text)) for _, _, text, _ in self.paragraphs)

    def offset(self, section: str) -> int | None:
        """Return the number that signed values are sent with added, where the text says one."""
        for wanted in (section, None):
            for _, own, text, _ in self.paragraphs:
                if wanted is not None and own != wanted:
                    continue
                folded = text
                if not has_word(fold(text), ("sign", "vorzeichen", "negativ", "signe", "signo", "segno",
                                             "added", "addiert", "ajoute", "add ", "sumar", "offset")):
                    continue
                if match := _OFFSET.search(folded):
                    return int(next(g for g in match.groups() if g))
        return None


_HIGH = r"(?:high|upper|msb|most significant|obere\w*|hoherwertig\w*|hohe\w*|poids fort|haut\w*|superieur\w*|alta|superior\w*|mas significativ\w*)"
_LOW = r"(?:low|lower|lsb|least significant|untere\w*|niederwertig\w*|niedrige\w*|poids faible|bas\w*|inferieur\w*|baja|inferior\w*|menos significativ\w*)"
_FIRST = r"(?:first|zuerst|zunachst|en premier|d'abord|primero|antes|per prim\w*|eerst|saki|the highest first)"
_MID = r"(?:\W+\w+){0,4}?\W+"
_HIGH_FIRST = re.compile(
    rf"\b{_HIGH}\b{_MID}{_FIRST}|\b{_HIGH}\b(?:\W+\w+){{0,3}}?\W+(?:then|dann|puis|luego|before|followed by|poi)\W+(?:\w+\W+){{0,2}}?{_LOW}\b"
    rf"|the highest first")
_LOW_FIRST = re.compile(
    rf"\b{_LOW}\b{_MID}{_FIRST}|\b{_LOW}\b(?:\W+\w+){{0,3}}?\W+(?:then|dann|puis|luego|before|followed by|poi)\W+(?:\w+\W+){{0,2}}?{_HIGH}\b")


def said_order(text: str) -> set[str]:
    """Return which parts of a wide value a text says come first (``high``, ``low``, both or none)."""
    folded = fold(text)[:3000]
    out: set[str] = set()
    for sentence in re.split(r"[.;]", folded):
        if has_word(sentence, ("pitch bend", "bender", "channel message", "kanalmeldung", "data entry")):
            continue
        if _HIGH_FIRST.search(sentence):
            out.add("high")
        elif _LOW_FIRST.search(sentence):
            out.add("low")
    return out


def _base_statements(sentence: str, section: str, heads: set[str]) -> list[Statement]:
    """Return what one sentence says about bases."""
    folded = fold(sentence)
    is_hex = has_word(folded, HEX_WORDS)
    is_dec = has_word(folded, DEC_WORDS)
    if not (is_hex or is_dec) or len(folded) > 400:
        return []
    if has_word(folded, _COLUMN_WORDS):
        named = [h for h in heads if len(h) > 2 and has_word(folded, (h,))]
        if named and is_hex != is_dec:
            return [Statement(HEX if is_hex else DEC, h, section) for h in named]
    if is_hex and is_dec:
        return _both(folded, section)
    base = HEX if is_hex else DEC
    if base == DEC and has_word(folded, _SPECIAL) and not has_word(folded, ("all numbers", "other", "all other")):
        return []
    if "=" in folded and "vv" not in folded and not has_word(folded, YES_WORDS):
        return []
    if base == DEC and has_word(folded, _UNMARKED):
        return [Statement(DEC, "all", section)]
    if base == HEX and ("$" in sentence or "0x" in folded or " h " in f" {folded} ") and not has_word(
        folded, ("all ", "alle ", "tous", "toutes", "todos", "tutti", "every", "subete")
    ):
        return []
    if not has_word(folded, YES_WORDS) and not has_word(folded, ("msb", "lsb", "range", "bereich",
                                                                "address", "data", "adress")):
        return []
    if has_word(folded[:24], ("range", "bereich", "plage", "rango", "intervall", "ranges")) and not has_word(
        folded, ("number", "zahl", "numero", "nombre")
    ):
        return [Statement(base, "ranges", section)]
    only_bytes = has_word(folded, ("byte", "octet", "message", "nachricht", "status", "meldung"))
    numbers = has_word(folded, ("number", "value", "zahl", "wert", "numero", "nombre", "valeur", "valor",
                                "range", "figure", "data", "suji", "数", "angaben", "numeri"))
    target = "bytes" if only_bytes and not numbers else "all"
    return [Statement(base, target, section)]


def _both(folded: str, section: str) -> list[Statement]:
    """Return the statements of a sentence that names both bases."""
    at_hex = min((folded.find(w) for w in HEX_WORDS if w in folded), default=-1)
    at_dec = min((folded.find(w) for w in DEC_WORDS if w in folded), default=-1)
    unmarked = min((folded.find(w) for w in _UNMARKED if has_word(folded, (w,))), default=-1)
    if "unless" in folded or "sofern" in folded or "sauf" in folded or "salvo" in folded:
        return [Statement(HEX if at_hex < at_dec else DEC, "all", section)]
    if unmarked >= 0:
        near_dec = abs(at_dec - unmarked) <= abs(at_hex - unmarked) or at_dec > unmarked > at_hex
        return [Statement(DEC if near_dec else HEX, "all", section)]
    first_hex = at_hex < at_dec
    head, tail = (folded[:at_hex], folded[at_hex:]) if first_hex else (folded[:at_dec], folded[at_dec:])
    first, second = (HEX, DEC) if first_hex else (DEC, HEX)
    out: list[Statement] = []
    for part, base in ((head, first), (tail, second)):
        if has_word(part, ("byte", "octet", "message", "status")):
            out.append(Statement(base, "bytes", section))
        if has_word(part, ("number", "value", "range", "zahl", "wert", "figure", "valeur", "valor")):
            out.append(Statement(base, "all", section))
    return out


def _paragraphs(rows: list[Placed]) -> list[tuple[int, str, str, int]]:
    """Return running text joined over its rows: (first row, section, text, number of rows)."""
    out: list[tuple[int, str, str, int]] = []
    for placed in rows:
        if placed.kind == "blank":
            continue
        text = "  ".join(c for c in placed.cells if c.strip())
        single = sum(1 for c in placed.cells if c.strip()) == 1 and placed.kind == "data"
        if (
            single and out and not placed.gap and out[-1][3] < 40
            and out[-1][0] + out[-1][3] == placed.index
            and placed.row.kind == "text" and rows[placed.index - 1].kind == "data"
            and sum(1 for c in rows[placed.index - 1].cells if c.strip()) == 1
        ):
            first, section, before, n = out[-1]
            out[-1] = (first, section, f"{before} {text}", n + 1)
        else:
            out.append((placed.index, placed.section, text, 1))
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


def runs_of(text: str) -> list[Run]:
    """Return the byte runs of a text (an alias kept for the dialects)."""
    return find_runs(text)
