"""What is printed beside a line: range, default, unit, choices, and how the value is shown.

Everything is kept raw, that is as sent. A range that no base or offset settles becomes a doubt;
a missing
range is no doubt (a data byte carries 00 to 7F).
"""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.reading.beside import is_beside, is_named
from knobwright.core.reading.built import Built
from knobwright.core.reading.choices import Choices, find_choices
from knobwright.core.reading.context import Context
from knobwright.core.reading.defaults import settle_default
from knobwright.core.reading.formulas import note_number, notes_numbered, read_formula
from knobwright.core.reading.found import Choice, Doubt, Found
from knobwright.core.reading.layout import Placed, is_data_word
from knobwright.core.reading.legends import clean_symbol
from knobwright.core.reading.numbers import DEC, HEX, Span, find_slip, spans
from knobwright.core.reading.prepared import prepare
from knobwright.core.reading.ranges import settle_range, settle_shown
from knobwright.core.reading.words import (
    DEFAULT_WORDS,
    FIELD_WORDS,
    UNITS,
    fold,
    fold_keep,
    has_word,
)

_SYMBOL_FACT = re.compile(
    r"(?<![\w$])(?P<sym>[a-z]{1,2}\d?|[a-z]{7}|[a-z]{4}|value|data|wert|valeur|valor|dato|"
    r"waarde)[hH]?"
    r"(?P<op>\s*[:=]\s*|\s+)(?=[\d$+\-−–(]|[0-9A-F]{2}\b|0x)"
)
_BEHIND_BRACKET = re.compile(r"(?:\)|;)\s*:\s+(?=\d)")
_LIST = re.compile(r"\d{1,3}(?:\s?[,/;]\s?\d{1,3}){1,20}")
_APART = re.compile(
    r"(?P<a>(?:\$|0x)?[0-9A-F]{1,4}[hH]?)\s*\((?P<x>[-+−–]?\d[^()]{0,12})\)\s*(?:to|bis|-|–|à|a)\s*"
    r"(?P<b>(?:\$|0x)?[0-9A-F]{1,4}[hH]?)\s*\((?P<y>[-+−–]?\d[^()]{0,12})\)"
)
_TWOS = (
    "two's complement",
    "twos complement",
    "2's complement",
    "zweierkomplement",
    "complement a deux",
    "complemento a dos",
    "complemento a due",
    "twee-complement",
)


class Facts:
    """What the texts beside a line say; ``doubts`` holds what they leave open."""

    def __init__(self) -> None:
        self.range: tuple[int, int] | None = None
        self.shown_range: tuple[float, float] | None = None
        self.default: int | None = None
        self.default_text = ""
        self.unit = ""
        self.shown_unit = ""
        self.choices: dict[int, str] = {}
        self.coding = ""
        self.formula = ""
        self.key_range: tuple[int, int] | None = None
        self.doubts: list[Doubt] = []
        self.notes: list[str] = []
        self.base = ""
        self.packed = False
        self.as_sent: bool | None = None
        self.derived = False
        self.chosen_base = False


class _Piece(NamedTuple):
    """A text with its cell's role and header, and the symbol that it is about (or nothing)."""

    role: str
    head: str
    text: str
    symbol: str = ""


def read_facts(found: Found, built: Built, context: Context) -> Facts:
    """Return what the texts of a row say of its value."""
    return _Reader(found, built, context).read()


class _Reader:
    """Reads the texts of one row in the order of their weight."""

    def __init__(self, found: Found, built: Built, context: Context) -> None:
        self.found = found
        self.built = built
        self.context = context
        self.placed: Placed = context.rows[found.row_index]
        self.facts = Facts()
        self.capacity = (1 << built.n_bits) - 1 if built.n_bits else 0
        self.pairs = built.n_bits >= 14 and all(bits == 7 for *_, bits in built.parts)
        self.own = {clean_symbol(word) for _, _, word, _ in built.parts}
        self.whole = " ; ".join(t for _, _, t in found.texts)
        self.has_range = any(
            r == "range" and is_data_word(t) is False for r, _, t in found.texts
        ) or "range" in (self.placed.roles)
        self.shown: list[Span] = []
        self.listed = False
        self.named = False
        self.words_only = ""
        self.ranges: list[tuple[Span, _Piece, bool]] = []
        self.values: tuple[str, list[int]] = ("", [])

    def read(self) -> Facts:
        pieces = self._pieces()
        rest: list[_Piece] = []
        for piece in pieces:
            if piece.role == "unit":
                self.facts.unit = self.facts.unit or (
                    "" if is_data_word(piece.text) else piece.text.strip()
                )
            elif piece.role == "default":
                self._default_cell(piece)
            else:
                rest.append(piece)
        for piece in rest:
            self._text(piece)
        if not self.listed:
            self._settle_range()
        if self.words_only and not (self.facts.range or self.facts.choices or self.named):
            self.facts.doubts.append(
                Doubt(
                    "range", f"the range is printed as {self.words_only}", takes="range", only=False
                )
            )
        if self.values[0] and sorted(self.facts.choices) == sorted(self.values[1]):
            self.facts.range = None
        elif self.values[0]:
            understood = f"the values {self.values[0]} are no range"
            self.facts.doubts.append(Doubt("range", understood, takes="range", only=False))
        self._settle_default()
        self._check()
        self._unread()
        self._formula()
        return self.facts

    def _formula(self) -> None:
        """Take the formula of the note that the row refers to, or prints itself."""
        facts = self.facts
        if facts.formula or facts.choices or facts.range is None:
            return
        all_hex = self.context.base_of(self.placed, "", "range") == HEX
        for _, _, text in self.found.texts:
            number = note_number(text)
            notes = [text]
            if number is not None:
                texts = [t for _, _, t in self.context.texts()]
                notes = [note for t in texts for note in notes_numbered(t, number)]
            for note in notes:
                if read := read_formula(note, all_hex=all_hex):
                    facts.formula, facts.shown_unit = read
                    return

    def _unread(self) -> None:
        """Ask where several numbers are printed beside a line and none of them was understood."""
        facts = self.facts
        if self.built.kind != "parameter" or facts.range or facts.choices or facts.doubts:
            return
        numbers = [
            t.strip()
            for r, _, t in self.found.texts
            if r in ("", "unit", "range", "bytes") and re.fullmatch(r"\s*[+\-−]?\d{1,5}\s*", t)
        ]
        if len(numbers) > 1:
            understood = f"the numbers {', '.join(numbers)} stand beside it, but not what they mean"
            facts.doubts.append(Doubt("range", understood, takes="range", only=False))

    def _pieces(self) -> list[_Piece]:
        """Return the texts that matter, cut where they speak of another field than the value."""
        out: list[_Piece] = []
        for role, head, text in prepare(
            self.found.texts, self.context.footnotes, self.context.grouping
        ):
            if role == "bytes" and spans(text)[:1] and spans(text)[0].is_range:
                role = "range"
            if role in (
                "twin",
                "ignore",
                "number",
                "cc",
                "bytes",
                "address",
                "size",
                "label",
                "cc_msb",
                "cc_lsb",
                "nrpn_msb",
                "nrpn_lsb",
                "rpn_msb",
                "rpn_lsb",
                "nrpn",
                "rpn",
            ):
                continue
            if not text.strip() or len(text) > 1200:
                continue
            text = self._plain(text)
            if (
                out
                and role
                and out[-1].role == role
                and out[-1].head == head
                and not out[-1].symbol
            ):
                joined = out.pop()
                text = f"{joined.text} {text}"
            out.extend(self._by_symbol(role, head, text))
        order = {"range": 0, "hex": 1, "": 2, "dec": 3, "note": 4}
        return sorted(out, key=lambda p: order.get(p.role, 2))

    def _plain(self, text: str) -> str:
        """Return a text without the value's own symbol, ``28h (-24) to 58h (+24)`` put in order."""
        text = _APART.sub(r"\g<a> to \g<b> (\g<x> to \g<y>)", text)
        for symbol in self.own:
            if len(symbol) > 1 or symbol == "v":
                text = re.sub(
                    rf"\b(?:{re.escape(symbol)}\s+)?(?:v[hl]\s+)?{re.escape(symbol)}[hH]?\s*(?:=|:|from|von|de|da|van)\s*(?=[\d$]|0x)",
                    "",
                    text,
                )
        return text

    def _by_symbol(self, role: str, head: str, text: str) -> list[_Piece]:
        """Cut a text at symbols such as ``vv = 00-7F, kk = 15-6C``."""
        marks = []
        for match in _SYMBOL_FACT.finditer(text):
            symbol = clean_symbol(match["sym"])
            if (
                len(match["sym"]) in (4, 7)
                and len(set(match["sym"])) > 1
                and match["sym"] not in FIELD_WORDS
            ):
                continue
            if symbol in (
                "to",
                "a",
                "al",
                "of",
                "s",
                "ms",
                "v",
                "is",
                "st",
                "be",
                "or",
                "no",
                "at",
                "de",
                "by",
                "et",
            ) and (symbol not in self.own or "=" not in match["op"]):
                continue
            if (
                not match["op"].strip()
                and symbol not in self.own
                and symbol not in ("kk", "tt", "rr", "nn", "pp")
            ):
                continue
            marks.append((match.start(), match.end(), symbol))
        if not marks:
            return [_Piece(role, head, text)]
        out = []
        if text[: marks[0][0]].strip(" ,;("):
            out.append(_Piece(role, head, text[: marks[0][0]]))
        for k, (_, end, symbol) in enumerate(marks):
            stop = marks[k + 1][0] if k + 1 < len(marks) else len(text)
            body = text[end:stop].strip(" ,;")
            out.append(_Piece("range" if symbol in self.own else role, head, body, symbol))
        return out

    def _text(self, piece: _Piece) -> None:
        """Read default, choices and ranges out of one text."""
        if piece.symbol and piece.symbol not in self.own:
            self._other_symbol(piece)
            return
        slip = find_slip(piece.text) if piece.role in ("range", "default", "dec", "hex") else ""
        if slip:
            self.facts.doubts.append(
                Doubt("range", f"{piece.text}: {slip} is no number", takes="range")
            )
            return
        text = self._cut_default(piece)
        if has_word(fold(text), _TWOS):
            self.facts.coding = "twos"
        text = _BEHIND_BRACKET.sub(" ; ", text)
        listed = find_choices(text) if self.built.kind == "parameter" else None
        if listed is not None and self._take_choices(listed, piece):
            text = listed.rest
        found_spans = spans(text, pairs=self.pairs)
        self._bare_default(text, found_spans, piece)
        if piece.role == "range" and not piece.symbol and not self.facts.choices:
            self._odd_range(text, found_spans)
        if (
            piece.role == "range"
            and not piece.symbol
            and len(found_spans) == 1
            and not found_spans[0].is_range
            and (
                text.strip(" ;") == text[found_spans[0].start : found_spans[0].end]
                and not self.facts.choices
            )
        ):
            self.facts.doubts.append(
                Doubt(
                    "range",
                    f"only the number {text.strip(' ;')} is printed for the range",
                    takes="range",
                    only=False,
                )
            )
        for span in found_spans:
            self.named = self.named or (span.is_range and is_named(text, span))
            if span.is_range and piece.role == "note" and span.is_signed and self.has_range:
                self.shown.append(span)
            elif span.is_range and not is_beside(text, span, self.built):
                self.ranges.append((span, piece, piece.role in ("range", "hex", "dec", "")))
                self._unit_behind(text, span)
        if not self.facts.unit and not spans(text) and fold(text).strip(" .()") in UNITS:
            self.facts.unit = text.strip(" .()")

    def _bare_default(self, text: str, found: list[Span], piece: _Piece) -> None:
        """Take a lone number behind a range as the default, where the leaflet has a column of
        defaults."""
        if (
            self.facts.default_text
            or not self.context.has_defaults
            or piece.role not in ("", "range")
        ):
            return
        if (
            len(found) == 1
            and not found[0].is_range
            and text.strip() == text[found[0].start : found[0].end]
        ):
            if self.ranges and piece.role == "":
                self._default_text(text, piece)
        elif len(found) == 2 and found[0].is_range and not found[1].is_range:
            between = text[found[0].end : found[1].start]
            if between.strip() == "" and not text[found[1].end :].strip() and between:
                self._default_text(text[found[1].start : found[1].end], piece)

    def _odd_range(self, text: str, found: list[Span]) -> None:
        """Read a range printed as a list of numbers; ask about one printed in words only."""
        if match := _LIST.fullmatch(text.strip(" ;")):
            numbers = [int(n) for n in re.findall(r"\d+", match.group())]
            if numbers == list(range(numbers[0], numbers[0] + len(numbers))) and numbers[-1] < 10:
                self.facts.range = (numbers[0], numbers[-1])
                self.listed = True
                return
            self.values = (text.strip(), numbers)
        elif not found and any(c.isalpha() for c in text) and not is_data_word(text):
            self.words_only = text.strip()

    def _other_symbol(self, piece: _Piece) -> None:
        """Keep the range of a key number; what is said of other fields means nothing here."""
        for span in spans(piece.text):
            if span.is_range and piece.symbol in ("kk", "rr", "tt", "nn", "key"):
                low, high = span.values(self._base(piece))[0], span.values(self._base(piece))[-1]
                self.facts.key_range = (low, high)
                return

    def _unit_behind(self, text: str, span: Span) -> None:
        """Take the unit that stands behind a range."""
        match = re.match(r"\s*([^\W\d]+(?:[- ][^\W\d]+){0,2}|%|°)", text[span.end :])
        if match is None:
            return
        words = match[1].split(" ")
        for n in range(len(words), 0, -1):
            unit = " ".join(words[:n])
            if fold(unit).rstrip(".") in UNITS:
                if span.is_signed:
                    self.facts.shown_unit = self.facts.shown_unit or unit
                else:
                    self.facts.unit = self.facts.unit or unit
                return

    def _base(self, piece: _Piece) -> str:
        return self.context.base_of(self.placed, piece.head, piece.role)

    def _take_choices(self, found: Choices, piece: _Piece) -> bool:
        """Take a list of choices; return whether it was one."""
        base = self.facts.base or self._base(piece)
        names = found.resolve(base)
        if names is None:
            self.facts.doubts.append(
                Doubt(
                    "choices",
                    "the numbers of the choices may be hexadecimal or decimal",
                    tuple(
                        Choice(b, f"they are {w}", {"choices": {str(k): v for k, v in got.items()}})
                        for b, w in ((HEX, "hexadecimal"), (DEC, "decimal"))
                        if (got := found.resolve(b))
                    ),
                    only=False,
                )
            )
            return True
        if max(names) > self.capacity:
            if "=" in piece.text and len(names) > 1 and min(names) <= self.capacity:
                self.facts.doubts.append(
                    Doubt("choices", "a choice does not fit the value's bytes", only=True)
                )
            return False
        if not set(names) & set(self.facts.choices):
            self.facts.choices = {**self.facts.choices, **names}
        return True

    def _cut_default(self, piece: _Piece) -> str:
        """Take a default out of a text and return what is left."""
        text = piece.text
        mark = self.context.default_mark
        if mark and (
            match := re.search(re.escape(mark) + r"\s*((?:[0-9A-F]{2}\b\s?){1,2}|[$\w]+)", text)
        ):
            self._default_text(match[1], piece)
            return text[: match.start()].rstrip(" ;,") + " ; " + text[match.end() :]
        kept = fold_keep(text)
        for word in DEFAULT_WORDS:
            at = kept.find(word)
            if at < 0 or (at > 0 and kept[at - 1].isalnum() and word[0].isascii()):
                continue
            behind = re.match(
                r"[\w.]*\s*(?:(?:value|wert|setting|is|ist|est|es|wa|は)\b|:|=|\s)*\s*",
                kept[at + len(word) :],
            )
            start = at + len(word) + (behind.end() if behind else 0)
            number = spans(text[start : start + 24], pairs=self.pairs)
            if number and number[0].start <= 1 + (text[start : start + 1] in "+-−–"):
                end = start + number[0].nums[0].end
                self._default_text(text[start:end], piece)
                return text[:at].rstrip(" ,;(") + " ; " + text[end:].lstrip(" )")
            name = re.match(r"[^\s,;.)]+", text[start:])
            if name and not self.facts.default_text:
                self._default_text(name.group(), piece)
                return text[:at] + " ; " + text[start + name.end() :]
        return text

    def _default_text(self, text: str, piece: _Piece) -> None:
        if not self.facts.default_text:
            self.facts.default_text = text.strip()
            self.default_piece = piece

    def _default_cell(self, piece: _Piece) -> None:
        if not is_data_word(piece.text):
            self._default_text(piece.text, piece)

    def _settle_range(self) -> None:
        """Decide which range is sent, which is shown, and in which base."""
        settle_range(
            self.found, self.built, self.context, self.facts, self.ranges, self.placed, self.whole
        )
        if self.shown:
            settle_shown(self.facts, self.shown[0])

    def _settle_default(self) -> None:
        if self.facts.default_text:
            settle_default(
                self.built,
                self.context,
                self.facts,
                self.placed,
                self.default_piece.role,
                self.default_piece.head,
                self.pairs,
            )

    def _check(self) -> None:
        """Note what does not fit together."""
        facts = self.facts
        names = sorted(facts.choices)
        if len(names) > 2 and not facts.range and names[0] == 0 and names[-1] == self.capacity:
            facts.range = (
                0,
                self.capacity,
            )  # names for points of the whole range: left, centre, right
        if facts.choices and facts.range:
            low, high = facts.range
            outside = [k for k in facts.choices if not low <= k <= high]
            if outside:
                facts.doubts.append(
                    Doubt(
                        "choices",
                        f"the choice {outside[0]} lies outside the printed range {low} to {high}",
                        only=False,
                        takes="range",
                    )
                )
