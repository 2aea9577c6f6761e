"""The device id: which byte goes where a line says ``id``, as examples show or the text says."""

from __future__ import annotations

import re

from knobwright.core.reading.built import Built
from knobwright.core.reading.context import Context
from knobwright.core.reading.found import Found
from knobwright.core.reading.numbers import DEC, HEX, spans
from knobwright.core.reading.words import SYMBOL_WORDS, fold, fold_keep, has_word

_AS_SHIPPED = (
    "as shipped",
    "default",
    "ab werk",
    "werkseitig",
    "aus dem werk",
    "a la livraison",
    "par defaut",
    "factory",
    "as delivered",
    "delivered",
    "cannot be changed",
    "fixed",
    "werk",
    "de fabrica",
    "por defecto",
    "preset",
    "di fabbrica",
    "shipped",
    "initial",
    "normally",
    "kojo",
    "shukka",
    "shokichi",
    "初期",
    "出荷",
    "always",
    "no se puede cambiar",
    "nicht anderbar",
    "livraison",
    "unchangeable",
    "set to",
    "vorgabe",
    "when new",
    "new ",
    "voreingestellt",
)
_LESS = (
    "less one", "less 1", "minus 1", "minus one", "weniger 1", "moins un", "moins 1", "menos 1",
)  # fmt: skip
_CHANNEL = ("channel", "kanal", "canal", "kanaal", "ch ")
DEVICE_WORDS = dict(SYMBOL_WORDS)["device"]


def device_ids(context: Context, lines: list[tuple[Found, Built]]) -> tuple[list[str], str, str]:
    """Return the device ids (first: as shipped), the doubt about them (empty: none) and its place.

    Only asked for where a line has a device field.
    """
    fields = [
        (f, b, cell, word)
        for f, b in lines
        if b.is_exclusive
        for cell, word in enumerate(b.words[0])
        if word == "id" or (len(word) == 2 and word[1] == "i")
    ]
    if not fields:
        return [], "", ""
    place = fields[0][0].place
    shown = {
        e.data[cell]
        for _, b, cell, _ in fields[:200]
        for e in context.examples
        if len(e.data) > cell
        and e.data[0] == 0xF0
        and e.data[1] == int(b.words[0][1], 16)
        and e.data[1] < 0x7E
    }
    said = _from_text(context, fields[0][3])
    if len(shown) == 1:
        value = shown.pop()
        other = int(str(said), 16) if said is not None and said < 100 else said
        if said is not None and other is not None and value & 0xF not in (said & 0xF, other & 0xF):
            return (
                [f"{value:02X}"],
                "the text and the printed example give different device numbers",
                place,
            )
        return [f"{value:02X}"], "", ""
    if said is not None:
        half = next((w for *_, w in fields if w != "id"), "")
        value = (int(half[0], 16) << 4) | (said & 0xF) if half else said
        return [f"{value:02X}"], "", ""
    return ["10"], "nothing says which device number the module has as shipped", place


def _from_text(context: Context, word: str) -> int | None:
    """Return the device number that the text calls the one as shipped, as a byte; None if it says
    none."""
    for _, section, text, _ in context.paragraphs:
        folded = fold(text)
        if (
            len(folded) > 3000
            or not has_word(folded, DEVICE_WORDS)
            or not has_word(folded, _AS_SHIPPED)
        ):
            continue
        value = _near_words(text, context, section)
        if value is not None:
            less = any(
                has_word(clause, _LESS)
                and (has_word(clause, DEVICE_WORDS) or not has_word(clause, _CHANNEL))
                for clause in re.split(r"[.;,]", folded)
            )
            sent = re.search(
                r"(?:sent|gesendet|envoy\w*|env[ií]a\w*)\D{0,20}(\$[0-9A-Fa-f]{2}|"
                r"0x[0-9A-Fa-f]{2}|[0-9A-Fa-f]{2}[hH])",
                text,
            )
            if sent:
                return spans(sent[1])[0].values(HEX)[0]
            return value - 1 if less and value > 0 else value
    return None


def _near_words(text: str, context: Context, section: str) -> int | None:
    """Return the number next to a word such as ``as shipped``: behind it, or else before it."""
    kept = fold_keep(text)
    device_at = min((kept.find(w) for w in DEVICE_WORDS if w in kept), default=-1)
    if device_at < 0:
        return None
    base = context.bytes_base(section) or DEC
    for word in _AS_SHIPPED:
        at = kept.find(word, max(0, device_at - 20))
        if at < 0 or at - device_at > 160:
            continue
        behind = text[at + len(word) : at + len(word) + 22]
        if bits := re.match(r"\W{0,3}([01]{4})\b", behind):
            return int(bits[1], 2)
        stop = re.search(r"[.;)]", behind)
        found = [s for s in spans(behind[: stop.start()] if stop else behind) if not s.is_range]
        if found and found[0].start < 14:
            return found[0].values(base)[0]
        before = [s for s in spans(text[max(0, at - 28) : at]) if not s.is_range]
        if before:
            return before[-1].values(base)[0]
    return None
