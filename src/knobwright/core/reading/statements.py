"""What single sentences say: hexadecimal or decimal, which part of a wide value comes first."""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.reading.numbers import DEC, HEX
from knobwright.core.reading.words import YES_WORDS, fold, has_word

HEX_WORDS = ("hex", "16進", "sedecimal", "jūroku", "juroku")


DEC_WORDS = (
    "decimal",
    "dezimal",
    "decimaux",
    "decimale",
    "decimales",
    "decimali",
    "10進",
    "jusshin",
    "decimaal",
    "decimaux",
    "(dec)",
    "jisshin",
    "in dec",
)


_UNMARKED = (
    "without",
    "other",
    "ohne",
    "sans",
    "sin ",
    "senza",
    "autres",
    "andere",
    "otros",
    "altri",
    "plain",
    "zonder",
    "else",
    "unmarked",
    "no mark",
    "no suffix",
    "others",
    "no h",
    "sonst",
    "ubrigen",
    "tsukanai",
    "nai suji",
    "rest",
)


_SPECIAL = (
    "running text",
    "fliesstext",
    "lauftext",
    "texte courant",
    "in the text",
    "in prose",
    "im text",
    "en el texto",
    "numbers with a unit",
    "key number",
    "channel number",
    "program number",
    "note number",
    "kanalnummer",
    "programmnummer",
    "notennummer",
    "tastennummer",
    "numero de canal",
    "numeros de canal",
    "numero de programme",
)


_COLUMN_WORDS = (
    "column",
    "spalte",
    "colonne",
    "columna",
    "colonna",
    "kolom",
    "欄",
    "retsu",
    "table",
    "under ",
)


OFFSET = re.compile(
    r"(?:add|plus|\+)\s*(?P<a>\d{2,3})\s*(?:before|to|vor|send|envoy|invi|env[ií]|verzend|"
    r"wo tashi)|"
    r"(?P<i>\d{2,3})\s*wo\s+(?:tashi|kuwae)|(?P<b>\d{2,3})\s*(?:is|are|"
    r"wird|werden|est|es|se)\s+"
    r"(?:added|addiert|ajouté\w*|suma\w*|añad\w*)|(?P<c>\d{2,3})\s*\+|"
    r"addier\w*\s+(?P<d>\d{2,3})|ajouter\s+(?P<e>\d{2,3})|sumar?\s+(?P<f>\d{2,3})|"
    r"aggiunger?e?\s+(?P<g>\d{2,3})|offset (?:of |by )?(?P<h>\d{2,3})|"
    r"(?:number|value|wert|valeur|valor|valore)\s+(?:plus|\+|mas|piu)\s*(?P<j>\d{2,3})",
    re.I,
)


_NUMBER_WORDS = (
    "number", "value", "zahl", "wert", "numero", "nombre", "valeur", "valor", "range", "figure",
    "data", "suji", "数", "angaben", "numeri",
)  # fmt: skip


class Statement(NamedTuple):
    """What one sentence says about number bases: for ``target`` (``all``, ``bytes`` or a
    header).
    """

    base: str
    target: str
    section: str
    local: bool = False


_HIGH = (
    r"(?:high|upper|msb|most significant|obere\w*|hoherwertig\w*|hohe\w*|poids fort|haut\w*|"
    r"superieur\w*|alta|superior\w*|mas significativ\w*)"
)


_LOW = (
    r"(?:low|lower|lsb|least significant|untere\w*|niederwertig\w*|niedrige\w*|poids faible|"
    r"bas\w*|inferieur\w*|baja|inferior\w*|menos significativ\w*)"
)


_FIRST = (
    r"(?:first|zuerst|zunachst|en premier|d'abord|primero|antes|per prim\w*|eerst|saki|"
    r"the highest first)"
)


_MID = r"(?:\W+\w+){0,4}?\W+"


_HIGH_FIRST = re.compile(
    rf"\b{_HIGH}\b{_MID}{_FIRST}|\b{_HIGH}\b(?:\W+\w+){{0,3}}?\W+(?:then|dann|puis|luego|"
    rf"before|followed by|poi)\W+(?:\w+\W+){{0,2}}?{_LOW}\b"
    rf"|the highest first"
)


_LOW_FIRST = re.compile(
    rf"\b{_LOW}\b{_MID}{_FIRST}|\b{_LOW}\b(?:\W+\w+){{0,3}}?\W+(?:then|dann|puis|luego|"
    rf"before|followed by|poi)\W+(?:\w+\W+){{0,2}}?{_HIGH}\b"
)


def said_order(text: str) -> set[str]:
    """Return which parts of a wide value a text says come first (``high``, ``low``, both or
    none).
    """
    folded = fold(text)[:3000]
    out: set[str] = set()
    for sentence in re.split(r"[.;]", folded):
        if has_word(
            sentence, ("pitch bend", "bender", "channel message", "kanalmeldung", "data entry")
        ):
            continue
        if _HIGH_FIRST.search(sentence):
            out.add("high")
        elif _LOW_FIRST.search(sentence):
            out.add("low")
    return out


def base_statements(sentence: str, section: str, heads: set[str]) -> list[Statement]:
    """Return what one sentence says about bases."""
    folded = fold(sentence)
    is_hex = has_word(folded, HEX_WORDS)
    is_dec = has_word(folded, DEC_WORDS)
    if not (is_hex or is_dec) or len(folded) > 400:
        return []
    named = [h for h in heads if len(h) > 3 and has_word(folded, (h,))]
    general = has_word(
        folded,
        ("all", "number", "value", "alle", "zahl", "tous", "nombre", "todos", "numero", "tutti"),
    )
    if named and is_hex != is_dec and (has_word(folded, _COLUMN_WORDS) or not general):
        return [Statement(HEX if is_hex else DEC, h, section) for h in named]
    if is_hex and is_dec:
        return _both(folded, section)
    base = HEX if is_hex else DEC
    if (
        base == DEC
        and has_word(folded, _SPECIAL)
        and not has_word(folded, ("all numbers", "other", "all other"))
    ):
        return []
    if "=" in folded and "vv" not in folded and not has_word(folded, YES_WORDS):
        return []
    if base == DEC and has_word(folded, _UNMARKED):
        return [Statement(DEC, "all", section)]
    if (
        base == HEX
        and ("$" in sentence or "0x" in folded or " h " in f" {folded} ")
        and not has_word(
            folded, ("all ", "alle ", "tous", "toutes", "todos", "tutti", "every", "subete")
        )
    ):
        return []
    if not has_word(folded, YES_WORDS) and not has_word(
        folded, ("msb", "lsb", "range", "bereich", "address", "data", "adress")
    ):
        return []
    if has_word(
        folded[:24], ("range", "bereich", "plage", "rango", "intervall", "ranges")
    ) and not has_word(folded, ("number", "zahl", "numero", "nombre")):
        return [Statement(base, "ranges", section)]
    only_bytes = has_word(folded, ("byte", "octet", "message", "nachricht", "status", "meldung"))
    numbers = has_word(folded, _NUMBER_WORDS)
    target = "bytes" if only_bytes and not numbers else "all"
    return [Statement(base, target, section)]


_MARKS = re.compile(
    r"(?:0x|\$|#|\bh\b).{0,40}\b(?:front|before|prefix|mark|behind|after|suffix|vor|hinter|devant|"
    r"apres|delante|prima|dopo|write|steh)"
)
"""A sentence that says how hexadecimal numbers are marked: the others are what it says last."""


def _both(folded: str, section: str) -> list[Statement]:
    """Return the statements of a sentence that names both bases."""
    at_hex = min((folded.find(w) for w in HEX_WORDS if w in folded), default=-1)
    at_dec = min((folded.find(w) for w in DEC_WORDS if w in folded), default=-1)
    unmarked = min((folded.find(w) for w in _UNMARKED if has_word(folded, (w,))), default=-1)
    if (
        has_word(folded, ("except", "ausser", "excepto", "eccetto"))
        or "unless" in folded
        or "sofern" in folded
        or "sauf" in folded
        or "salvo" in folded
    ):
        return [Statement(HEX if at_hex < at_dec else DEC, "all", section)]
    if _MARKS.search(folded) and at_hex < at_dec:
        return [Statement(DEC, "all", section)]
    if unmarked >= 0:
        near_dec = abs(at_dec - unmarked) <= abs(at_hex - unmarked) or at_dec > unmarked > at_hex
        return [Statement(DEC if near_dec else HEX, "all", section)]
    first_hex = at_hex < at_dec
    head, tail = (
        (folded[:at_hex], folded[at_hex:]) if first_hex else (folded[:at_dec], folded[at_dec:])
    )
    first, second = (HEX, DEC) if first_hex else (DEC, HEX)
    out: list[Statement] = []
    for part, base in ((head, first), (tail, second)):
        if has_word(part, ("byte", "octet", "message", "status")):
            out.append(Statement(base, "bytes", section))
        if has_word(
            part, ("number", "value", "range", "zahl", "wert", "figure", "valeur", "valor")
        ):
            out.append(Statement(base, "all", section))
    return out
