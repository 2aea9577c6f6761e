"""Controller and value pairs: ``CC 99 = 5, CC 98 = 18, CC 6 = value``, ``CC#7: 0-127``.

The messages are sent in the order of print. A heading that names the only channel fixes it.
"""

from __future__ import annotations

import re

from knobwright.core.reading.context import Context
from knobwright.core.reading.dialects.bytelines import describe, joined
from knobwright.core.reading.digits import NUMBERS, explains, read_number
from knobwright.core.reading.found import Found, field, fixed, half
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.legends import clean_symbol
from knobwright.core.reading.numbers import DEC
from knobwright.core.reading.runs import field_role
from knobwright.core.reading.tokens import Tok
from knobwright.core.reading.words import fold, has_word

_N = r"(?:\$|0x)?[0-9A-Za-z]{1,4}"
_PAIR = re.compile(
    r"\b(?:CC|cc|Ctrl|ctrl|Ctl|Controller|controller|Contrôleur|Control|Regler)\s*(?:#|"
    r"no\.?|nr\.?)?\s*(?P<cc>" + _N + r")\s*"
    r"(?:=|:|→|->|gleich|wa)\s*(?P<value>[^\s,;()=]+(?:\s*\+\s*[^\s,;()=]+)?(?:\s+(?:alta|"
    r"baja|haute|basse|high|low|hoch|"
    r"niedrig|msb|lsb|fort|faible|alto|basso|part)\b)?)"
)
_KEY = (
    "key",
    "note",
    "taste",
    "tastennummer",
    "tecla",
    "nota",
    "touche",
    "toets",
    "tasto",
    "kagi",
    "noto",
)
_VALUE = ("value", "val", "wert", "valor", "valeur", "valore", "waarde", "atai", "data", "daten")
_HIGH = ("alta", "poids fort", "alto", "haute", "high", "hoch", "msb", "obere", "upper", "hi")
_LOW = ("baja", "poids faible", "basso", "basse", "low", "niedrig", "lsb", "untere", "lower", "lo")


def read(placed: Placed, context: Context) -> list[Found]:
    """Return the parameter that a row of controller and value pairs sets."""
    text, cuts = joined(placed)
    matches = list(_PAIR.finditer(text))
    if not matches:
        return []
    if NUMBERS.search(text) and all(m["cc"] in ("6", "38", "06", "26h", "06h") for m in matches):
        return []
    if explains(text):
        return []
    if len(matches) == 1 and _is_name(matches[0]["value"], placed, context):
        return []
    base = context.number_base(placed.section) or DEC
    status = channel_status(placed.section, context)
    toks: list[Tok] = []
    for match in matches:
        toks.extend(
            (
                status,
                read_number(match["cc"], base).tok,
                _value(match["value"], base, placed, context),
            )
        )
    used = [(matches[0].start(), matches[-1].end())]
    label, texts, prose = describe(placed, text, cuts, used, context)
    if prose or (not label and len(matches) > 1 and all(t.kind == "field" for t in toks[2::3])):
        return []
    added = [(("range", "", m["value"])) for m in matches if "+" in m["value"]]
    return [
        Found(
            label,
            placed.section,
            placed.row.place,
            placed.row_index,
            tuple(toks),
            (*texts, *added),
            "pairs",
        )
    ]


def channel_status(section: str, context: Context, *, nrpn: bool = False) -> Tok:
    """Return the status of a control change: on the only channel that heading or text names, or
    any."""
    channel = context.channels.of(section, nrpn=nrpn)
    if channel:
        return fixed(0xB0 + channel - 1)
    return half(0xB, "n")


def _is_name(text: str, placed: Placed, context: Context) -> bool:
    """Return whether the word behind a controller's number is its name (``CC#7: Volume``)."""
    word = fold(text)
    bare = word.strip(".*†")
    if len(bare) < 3 or not bare.replace("-", "").isalpha() or len(set(bare)) == 1:
        return False
    words = (*_VALUE, *_HIGH, *_LOW, *_KEY)
    if bare in words or any(len(w) > 4 and bare.startswith(w) for w in words):
        return False
    symbol = clean_symbol(text)
    legend = context.legends.find(symbol, placed.row_index, placed.section)
    return not (legend and legend[0].role) and not field_role(symbol)


def _value(text: str, base: str, placed: Placed, context: Context) -> Tok:
    """Return the token for what is printed behind the equals sign."""
    word = fold(text)
    if "+" in text:
        return field("vv", text)
    if text[0].isdigit() or text[0] == "$":
        if re.search(r"-|\.\.|–", text):
            return field("vv", text)
        return read_number(text, base).tok
    if has_word(word, _HIGH):
        return field("vh", text)
    if has_word(word, _LOW):
        return field("vl", text)
    symbol = clean_symbol(text)
    role = field_role(symbol)
    legend = context.legends.find(symbol, placed.row_index, placed.section)
    if legend and legend[0].role:
        role = legend[0].role
    if has_word(word, _KEY) or role == "key":
        return field("kk", text)
    if has_word(word, _VALUE) or role in ("value", "value?", "high", "low"):
        return field(symbol if role in ("high", "low", "value?") else "vv", text)
    return field("vv", text)
