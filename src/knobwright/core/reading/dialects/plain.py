"""Plain lists of controllers: ``74  Cutoff  0-127`` under a heading that speaks of controllers.

No column is named; the list is known by its heading and by ranges, or usual names, beside the
numbers.
"""

from __future__ import annotations

import re

from knobwright.core.reading.bases import named_base, usual_name
from knobwright.core.reading.context import Context
from knobwright.core.reading.dialects.bytelines import cut_label
from knobwright.core.reading.dialects.pairs import channel_status
from knobwright.core.reading.digits import read_number
from knobwright.core.reading.found import Found, field
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.numbers import DEC, HEX, spans
from knobwright.core.reading.words import fold, has_word

CC_WORDS = (
    "cc", "ccs", "control change", "controller", "continuous controller", "controladores",
    "controleurs", "regler", "steuer", "controllo",
)  # fmt: skip
_OTHER_LISTS = ("program", "patch", "preset", "tone list", "drum", "kit", "note", "klang", "sound")
_NUMBER = re.compile(r"(?:\$|0x|#)?[0-9][0-9A-F]{0,2}[hH]?")
_ENTRY = re.compile(
    r"\s*#?(?P<n>(?:\$|0x)?[0-9][0-9A-F]{0,2}[hH]?)(?:\s*[.:=)–-]\s+|\s+)(?P<label>[^\W\d].*)\Z"
)


def read(placed: Placed, context: Context) -> list[Found]:
    """Return the controller that a row of a plain list names."""
    entry = entry_of(placed)
    if entry is None:
        return []
    base = context.listed.get(placed.section)
    if base is None:
        return []
    digits, label, rest = entry
    own = context.number_base(placed.section) or named_base(digits, label) or base
    toks = (
        channel_status(placed.section, context),
        read_number(digits, own).tok,
        field("vv"),
    )
    texts = tuple(("", "", text) for text in rest)
    return [
        Found(label, placed.section, placed.row.place, placed.row_index, toks, texts, "columns")
    ]


def entry_of(placed: Placed) -> tuple[str, str, tuple[str, ...]] | None:
    """Return number, name and the rest of a row that may be an entry of a list, else None."""
    cells = tuple(c.strip() for c in placed.cells if c.strip())
    if not cells or placed.kind != "data" or any(placed.roles) or len(cells) > 6:
        return None
    if len(cells) > 1 and _NUMBER.fullmatch(cells[0]):
        if not any(c.isalpha() for c in cells[1]):
            return None
        label, tail = cut_label(cells[1])
        return cells[0], label, (*((tail,) if tail else ()), *cells[2:])
    match = _ENTRY.match(cells[0])
    if match is None or len(cells[0]) > 80 or cells[0].endswith("."):
        return None
    label, tail = cut_label(match["label"])
    return match["n"], label, (*((tail,) if tail else ()), *cells[1:])


def controller_lists(rows: list[Placed]) -> dict[str, str]:
    """Return the sections that list controllers, each with the base of their numbers.

    A section is one if its heading, or the leaflet's title, speaks of controllers and at least two
    of its rows print a range behind number and name, or a number with its usual name.
    """
    title = fold(" ".join(p.row.text for p in rows[:3])[:300])
    counts: dict[str, list[int]] = {}
    for placed in rows:
        entry = entry_of(placed)
        if entry is None:
            continue
        digits, label, rest = entry
        own = counts.setdefault(placed.section, [0, 0, 0])
        has_range = any(s.is_range for text in rest for s in spans(text[:200]))
        own[0] += int(has_range or usual_name(digits, label) or "=" in " ".join(rest))
        bare = digits.lstrip("$#").removeprefix("0x").rstrip("hH")
        own[1] += int(bare == digits and not bare.isdigit())
        own[2] += int(bare != digits and digits[0] != "#")
    out: dict[str, str] = {}
    for section, (n_sure, n_letters, n_marked) in counts.items():
        folded = fold(section)
        named = has_word(folded, CC_WORDS)
        if n_sure < 2 or not (named or has_word(title, CC_WORDS)):
            continue
        if not named and has_word(folded, _OTHER_LISTS):
            continue
        out[section] = HEX if n_letters else "" if n_marked else DEC
    return out
