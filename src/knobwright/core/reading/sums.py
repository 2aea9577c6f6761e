"""Checksums: which rule a leaflet means, which bytes it covers, and whether its examples agree.

The rule comes from the text or from printed messages whose last byte proves it; the start of the
covered bytes likewise. What text and examples contradict each other on is asked about.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.codec.checksums import CHECKSUMS
from knobwright.core.reading.built import Built
from knobwright.core.reading.context import Context
from knobwright.core.reading.words import SYMBOL_WORDS, fold, has_word

CHECK_WORDS = dict(SYMBOL_WORDS)["checksum"] + (
    "sum",
    "summe",
    "somme",
    "suma",
    "somma",
    "som",
    "wa",
)
_RULES: tuple[tuple[str, tuple[str, ...]], ...] = (
    (
        "xor-7",
        (
            "xor",
            "exclusive or",
            "exclusive-or",
            "exklusiv-oder",
            "exklusiv oder",
            "exklusiv-oder-",
            "exklusives oder",
            "ou exclusif",
            "ou-exclusif",
            "o exclusivo",
            "or esclusivo",
            "exclusieve of",
            "haitateki",
            "排他",
        ),
    ),
    (
        "ones-complement-7",
        (
            "one's complement",
            "ones' complement",
            "ones complement",
            "einerkomplement",
            "complement a un",
            "complemento a uno",
            "complemento a 1",
            "inverted",
            "invertier",
            "127 -",
            "127 minus",
            "127 moins",
            "127 menos",
            "127 meno",
            "from 127",
            "von 127",
            "de 127",
            "da 127",
            "7fh -",
            "7f -",
            "7fh minus",
            "from 7f",
            "von $7f",
            "von 7f",
            "127 kara",
        ),
    ),
    (
        "negated-sum-7",
        (
            "two's complement",
            "twos complement",
            "zweierkomplement",
            "complement a deux",
            "complemento a dos",
            "complemento a due",
            "128 -",
            "128 minus",
            "128 moins",
            "128 menos",
            "128 meno",
            "80h -",
            "80 -",
            "80h minus",
            "80 minus",
            "from 128",
            "from 80",
            "von 128",
            "von $80",
            "de 128",
            "da 128",
            "negated",
            "negative of",
            "multiple of",
            "multiple de",
            "vielfaches",
            "multiplo",
            "128 kara",
            "128から",
            "80h kara",
            "0x80 -",
            "$80 -",
            "0x80 minus",
            "0x80 moins",
        ),
    ),
)
_ZERO = re.compile(
    r"(?:is|are|be|becomes?|gives?|makes?|equals?|ergibt|ergeben|gibt|werden|wird|null|"
    r"donne|fait|soit|egale?|"
    r"sea|da|resulte|sia|ni naru|to|zu|=)\W+(?:\w+\W+){0,3}?(?:0|00|00h|zero|null|nul|cero|0h)\b"
)
_ZEROS = re.compile(
    r"(?:zeros?|null\w*|zeros|ceros?) (?:in|bits|bit)\b|(?:seven|7|sieben|sept|siete) (?:zero|null)"
)
_SEVEN = (
    "seven bits",
    "7 bits",
    "7 bit",
    "7f",
    "modulo 128",
    "mod 128",
    "sieben bit",
    "sept bits",
    "siete bits",
    "sette bit",
    "7-bit",
    "zeven bits",
    "127",
    "modulo 80",
    "mod 80",
    "shichi bit",
    "7ビット",
    "7bit",
    "rest bei",
    "low seven",
    "sieben",
)
_ALL = re.compile(
    r"(?:after|behind|following|nach|hinter|apres|despues de|tras|dopo|na|between|"
    r"zwischen|entre|tra)\W+(?:the |dem |der |le |el |l')?"
    r"(?:leading |first )?\W*(?:\$|0x)?f0h?\b"
    r"|(?:all|alle|tous|todos|tutti) (?:the )?bytes? (?:except|ausser|sauf|salvo|but|"
    r"between)\W+(?:\w+\W+){0,3}?(?:\$|0x)?f0"
)
_AFTER = re.compile(
    r"(?:after|behind|following|between|nach|hinter|zwischen|apres|entre|despues de|tras|"
    r"tra|dopo|na)\W+(?:(?!f0)\w+\W+){0,5}?\(?(?P<byte>(?:\$|0x)?[0-9a-f]{2}h?|[01]{8})\b"
)
_BEFORE_IT = re.compile(
    r"\b(?P<n>one|two|three|four|five|zwei|drei|deux|trois|dos|tres|"
    r"\d)\s+(?:data\s)?(?:bytes?|octets?)\s+"
    r"(?:before|davor|vor |qui precedent|precedentes|anteriores|that precede)"
)
_ADDRESS = ("address", "adress", "direccion", "indirizz", "adres", "adoresu", "アドレス")
_TWO = (
    "two",
    "zwei",
    "deux",
    "dos",
    "due",
    "twee",
    "both",
    "beide",
    "2 ",
    "les deux",
    "los dos",
    "ni ",
)
_THREE = ("three", "drei", "trois", "tres", "tre ", "drie", "3 ")
_DATA_ONLY = (
    "data bytes",
    "datenbytes",
    "the data",
    "alle daten",
    "octets de donnees",
    "bytes de datos",
    "data only",
)


class SumText(NamedTuple):
    """What a paragraph says of a checksum: rule (may be empty), where the span begins, section."""

    rule: str
    start: str
    n_address: int
    text: str
    row_index: int
    section: str


class Solution(NamedTuple):
    """A settled checksum: rule, first covered cell, what is in doubt (empty: nothing)."""

    rule: str
    start: int
    doubt: str = ""
    row_index: int = -1


def read_statements(context: Context, symbols: frozenset[str] = frozenset()) -> list[SumText]:
    """Return what the leaflet says about checksums, in order of print.

    ``symbols`` are the words that stand in the checksum's place in its lines.
    """
    out: list[SumText] = []
    for index, section, text in context.texts():
        folded = fold(text)
        if len(folded) > 3000:
            continue
        named = any(re.search(rf"\b{re.escape(symbol)}h?\b", folded) for symbol in symbols)
        if not (
            named or has_word(folded, CHECK_WORDS) or "checksum" in folded or "summe" in folded
        ):
            continue
        folded = folded[_begin(folded, symbols) :][:700]
        rule = rule_of(folded)
        start, n_address = start_of(folded)
        if rule or start:
            out.append(SumText(rule, start, n_address, text, index, section))
    return out


def _begin(folded: str, symbols: frozenset[str]) -> int:
    """Return where the sentence that speaks of the checksum begins."""
    places = [folded.find(w) for w in dict(SYMBOL_WORDS)["checksum"] if w in folded]
    for symbol in symbols:
        if match := re.search(rf"\b{re.escape(symbol)}h?\b", folded):
            places.append(match.start())
    if not places:
        return 0
    at = min(places)
    return max((folded.rfind(mark, 0, at) + 2 for mark in (". ", "; ")), default=0) if at else 0


def rule_of(folded: str) -> str:
    """Return the rule that a folded text describes, or nothing."""
    for rule, words in _RULES:
        if has_word(folded, words):
            return rule
    if (
        has_word(
            folded,
            ("sum", "summe", "somme", "suma", "somma", "add", "goukei", "合計", "total", "wa "),
        )
        or "summe" in folded
    ):
        if _ZERO.search(folded) or _ZEROS.search(folded):
            return "negated-sum-7"
        if has_word(folded, _SEVEN):
            return "sum-7"
    return ""


def start_of(folded: str) -> tuple[str, int]:
    """Return where the covered bytes begin (``all``, ``after XX``, ``address``, ``data``) and how
    many
    bytes the address has (0: not said)."""
    if _ALL.search(folded):
        return "all", 0
    if match := _BEFORE_IT.search(folded):
        number = match["n"]
        named = {
            "one": 1,
            "two": 2,
            "three": 3,
            "four": 4,
            "five": 5,
            "zwei": 2,
            "drei": 3,
            "deux": 2,
            "trois": 3,
            "dos": 2,
            "tres": 3,
        }
        return "last", int(number) if number.isdigit() else named.get(number, 0)
    if match := _AFTER.search(folded):
        text = match["byte"].lstrip("$").removeprefix("0x").rstrip("h")
        value = int(text, 2) if len(text) == 8 else int(text, 16)
        if value < 0x80:
            return f"after {value:02X}", 0
    if has_word(folded, _ADDRESS):
        at = min(folded.find(w) for w in _ADDRESS if w in folded)
        before = folded[max(0, at - 24) : at + 2]
        n = 2 if has_word(before, _TWO) else 3 if has_word(before, _THREE) else 0
        return "address", n
    plus = re.search(
        r"([a-z]\d|[a-z]{2}h?)\s*(?:\+|,|and|und|et|y)\s*([a-z]\d|[a-z]{2}h?)\s*(?:\+|,|"
        r"and|und|et|y)",
        folded,
    )
    if plus and plus[1] != plus[2]:
        return "address", 2
    if has_word(folded, _DATA_ONLY):
        return "data", 0
    return "", 0


class Family(NamedTuple):
    """The exclusive lines of one maker that end in a checksum, and the messages that prove a
    rule.
    """

    lines: tuple[Built, ...]
    proofs: tuple[tuple[int, ...], ...]
    address_at: int = 0


def solve(family: Family, texts: list[SumText], section: str) -> Solution:
    """Return rule and span for the lines of one family in one section.

    Every printed message must agree with what the text says; where the text leaves something open
    the printed messages decide if only one reading agrees with them all.
    """
    here = [t for t in texts if t.section == section] or texts
    if not any(t.rule for t in here):
        here = [*here, *(t for t in texts if t.rule)]
    rules = list(dict.fromkeys(t.rule for t in here if t.rule))
    hints = [t for t in here if t.start]
    line = family.lines[0]
    starts = _hinted(hints, line, family.address_at)
    if len(rules) > 1:
        rules = rules[:1] if here[0].rule else rules
    tried_rules = rules or list(CHECKSUMS)
    tried_starts = starts or list(range(1, line.check_at))
    proofs = [p for p in family.proofs if len(p) > 4]
    agreeing = [
        (rule, start)
        for rule in tried_rules
        for start in tried_starts
        if all(_agrees(p, rule, start) for p in proofs)
    ]
    index = here[0].row_index if here else -1
    if proofs and not agreeing:
        rule, start = (tried_rules[0], (starts or [_guess(line)])[0])
        return Solution(
            rule, start, "a printed message does not agree with the rule as it was read", index
        )
    if len(agreeing) == 1 and (rules or proofs):
        return Solution(*agreeing[0], row_index=index)
    if rules and starts:
        return Solution(
            rules[0],
            starts[0],
            "" if len(starts) == 1 else "the span may begin in two places",
            index,
        )
    if proofs and agreeing:
        return _narrow(agreeing, rules, line, index)
    rule = rules[0] if rules else "negated-sum-7"
    what = "which bytes it covers" if rules else "its rule and which bytes it covers"
    return Solution(rule, _guess(line), f"nothing says {what}", index)


def _narrow(agreeing: list[tuple[str, int]], rules: list[str], line: Built, index: int) -> Solution:
    """Pick among readings that all agree with the examples: certain only if they differ in no
    line."""
    guess = _guess(line)
    rule = agreeing[0][0] if rules else next((r for r, s in agreeing if s == guess), agreeing[0][0])
    starts = [s for r, s in agreeing if r == rule]
    start = guess if guess in starts else starts[-1]
    plain = {r for r, _ in agreeing} == {rule} and _all_zero(line, min(starts), max(starts))
    return Solution(
        rule, start, "" if plain else "more than one reading agrees with the printed message", index
    )


def _all_zero(line: Built, start: int, stop: int) -> bool:
    return all(word == "00" for word in line.words[0][start:stop])


def _hinted(hints: list[SumText], line: Built, address_at: int = 0) -> list[int]:
    """Return the cells at which the covered bytes begin, as the text says."""
    out: list[int] = []
    for hint in hints:
        if hint.start == "all":
            out.append(1)
        elif hint.start.startswith("after "):
            byte = hint.start[6:]
            cells = [k for k, w in enumerate(line.words[0]) if w == byte and k < _first_value(line)]
            if cells:
                out.append(cells[0] + 1)
        elif hint.start == "last" and hint.n_address:
            out.append(line.check_at - hint.n_address)
        elif hint.start == "address" and address_at:
            out.append(address_at)
        elif hint.start == "address" and hint.n_address:
            out.append(_first_value(line) - hint.n_address)
        elif hint.start == "data" and len(hints) == 1:
            out.append(_first_value(line))
    return list(dict.fromkeys(s for s in out if 0 < s < line.check_at))


def _first_value(line: Built) -> int:
    """Return the cell of the first value byte (or the checksum where there is none)."""
    return min((cell for m, cell, *_ in line.parts if m == 0), default=line.check_at)


def _guess(line: Built) -> int:
    """Return the likely start: the two bytes before the value, behind maker, device and model."""
    return max(2, _first_value(line) - 2)


def _agrees(message: tuple[int, ...], rule: str, start: int) -> bool:
    """Return whether the last byte before F7 is the rule's over the bytes from ``start``."""
    covered = message[start:-2]
    return bool(covered) and CHECKSUMS[rule].compute(bytes(covered)) == message[-2]


def value_at(message: tuple[int, ...], rule: str, start: int) -> bool:
    """Return whether a printed message agrees with a rule."""
    return _agrees(message, rule, start)
