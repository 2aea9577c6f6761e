"""Maps: which digit a leaflet gives each channel or part where the order is not plain."""

from __future__ import annotations

import re
import string

from knobwright.core.reading.found import Tree
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.words import fold, has_word

_WORDS = (
    "part",
    "channel",
    "kanal",
    "canal",
    "partie",
    "teil",
    "parte",
    "block",
    "channeru",
    "pato",
    "kanaal",
    "voice",
)
_PAIR = re.compile(
    r"(?<![\w.])(?P<a>\d{1,2})(?:\s*(?:-|–|\.\.|to|bis|à|a)\s*(?P<b>\d{1,2}))?\s*(?:=|:|"
    r"->|→|is|ist|has|takes|gets|uses)\s*"
    r"(?:block |digit |\$|0x)?(?P<x>[0-9A-F])[Hh]?(?:\s*(?:-|–|\.\.|to|bis|à|a)\s*(?:\$|"
    r"0x)?(?P<y>[0-9A-F])[Hh]?)?(?![\w])"
)
_TURNED = re.compile(
    r"(?<![\w.])(?:\$|0x)?(?P<x>[0-9A-F])[Hh]?(?:\s*(?:-|–|\.\.|to|bis|à|a)\s*(?:\$|"
    r"0x)?(?P<y>[0-9A-F])[Hh]?)?\s*"
    r"(?:for|für|pour|para|per|voor)\s+(?:the )?(?:channels?|kanal|kanäle|canal|canaux|"
    r"canales|canali|parts?|kanalen)\s+"
    r"(?P<a>\d{1,2})(?:\s*(?:-|–|\.\.|to|bis|à|a)\s*(?P<b>\d{1,2}))?"
)

_NOUN = (
    r"(?:midi[- ]?)?(?:channels?|kanal|kanäle|kanaele|canal|canaux|canales|canali|canale|parts?|"
    r"partie|parties|teil|teile|partes?|parti|kanalen|kanaal|voices?|ch\.?)"
)
_DIGIT_FIRST = re.compile(
    r"(?<![\w.])(?:\$|0x)?(?P<x>[0-9A-F])[Hh]?(?:\s*(?:-|–|\.\.|to|bis|à|a|through)\s*(?:\$|"
    r"0x)?(?P<y>[0-9A-F])[Hh]?)?\s*"
    r"(?:=|:|->|→|is|are|ist|sind|est|sont|es|son|è|sono|means?|for|stands? for|selects?|"
    r"addresse?s|belongs? to)\s*(?:the )?" + _NOUN + r"\s*"
    r"(?P<a>\d{1,2})(?:\s*(?:-|–|\.\.|to|bis|à|a|through)\s*(?P<b>\d{1,2}))?(?![\w])",
    re.I,
)
"""``block 0 is part 10, blocks 1 to 9 are parts 1 to 9``: the digit before the part."""


def read_maps(rows: list[Placed]) -> tuple[dict[str, str], Tree, set[int]]:
    """Return the map's name for each letter, the sheet's ``[map.*]`` tables and the rows that they
    take up."""
    for k, placed in enumerate(rows):
        if placed.kind == "blank" or not has_word(fold(placed.row.text), _WORDS):
            continue
        found = _from_grid(rows, k) or _from_columns(rows, k) or _from_text(rows, k)
        if found is not None:
            values, used = found
            if values == list(range(16)):
                continue
            table: Tree = {"part": {"of": "channel", "values": values}}
            return dict.fromkeys(_letters(rows, k), "part"), table, used
    return {}, {}, set()


_LETTER = re.compile(
    r"(?<![\w'’])([b-hj-uw-z])(?![\w'’])(?=\s*(?:=|:|is|ist|est|es|vaut|belongs|stands|"
    r"steht|in the|\Z))"
)


def _letters(rows: list[Placed], k: int) -> list[str]:
    """Return the letters that stand for the mapped digit: the ones that the rows around the map
    name."""
    found: list[str] = []
    for placed in rows[max(0, k - 3) : k + 4]:
        for cell in placed.cells:
            found.extend(_LETTER.findall(cell.strip()))
    letters = [c for c in dict.fromkeys(found) if c != "n"]
    return letters or [c for c in string.ascii_lowercase if c not in "nvi"]


def _digit(text: str) -> int | None:
    bare = (
        text.strip().strip("`").removeprefix("$").removeprefix("0x").rstrip("hH").lstrip("0") or "0"
    )
    return int(bare, 16) if len(bare) == 1 and bare in string.hexdigits else None


def _from_grid(rows: list[Placed], k: int) -> tuple[list[int], set[int]] | None:
    """Read two rows of seventeen cells: the channels above, the digits below."""
    above = [c.strip() for c in rows[k].cells if c.strip()]
    numbers = above[-16:]
    if len(above) < 17 or numbers != [str(n) for n in range(1, 17)]:
        return None
    for below in rows[k + 1 : k + 4]:
        cells = [c.strip() for c in below.cells if c.strip()]
        if len(cells) >= 17:
            digits = [_digit(c) for c in cells[-16:]]
            values = [d for d in digits if d is not None]
            if len(values) == 16 and len(set(values)) == 16:
                return values, {k, below.row_index}
    return None


def _from_columns(rows: list[Placed], k: int) -> tuple[list[int], set[int]] | None:
    """Read a table with a channel (or a range of channels) and a digit in each row."""
    if rows[k].kind != "header" or len([c for c in rows[k].cells if c.strip()]) not in (2, 3, 4):
        return None
    values: dict[int, int] = {}
    used: set[int] = set()
    for placed in rows[k + 1 : k + 22]:
        cells = [c.strip() for c in placed.cells if c.strip()]
        if placed.kind == "blank":
            continue
        if len(cells) not in (2, 3, 4) or len(cells) % 2:
            break
        for left, right in zip(cells[::2], cells[1::2], strict=True):
            if not _span(left, right, values):
                return None
        used.add(placed.row_index)
    return ([values[n] for n in range(1, 17)], used) if _is_whole(values) else None


def _span(left: str, right: str, values: dict[int, int]) -> bool:
    """Add one entry or one run of entries; return whether it could be read."""
    a = re.fullmatch(
        r"(?:ch\w*\.?\s*|part\s*|kanal\s*)?(\d{1,2})(?:\s*(?:-|–|\.\.|to|bis|à)\s*(\d{1,2}))?",
        left,
        re.I,
    )
    b = re.fullmatch(r"(\$?[0-9A-F][Hh]?)(?:\s*(?:-|–|\.\.|to|bis|à)\s*(\$?[0-9A-F][Hh]?))?", right)
    if a is None or b is None:
        return False
    first, last = int(a[1]), int(a[2] or a[1])
    low, high = _digit(b[1]), _digit(b[2] or b[1])
    if low is None or high is None or last - first != high - low:
        return False
    for n in range(first, last + 1):
        values[n] = low + n - first
    return True


def _from_text(rows: list[Placed], k: int) -> tuple[list[int], set[int]] | None:
    """Read a sentence such as ``channel 10 = 0, channels 1-9 = 1-9, 11-16 = A-F``."""
    text = " ".join(p.row.text for p in rows[k : k + 5] if p.kind != "blank")[:600]
    for pattern in (_TURNED, _DIGIT_FIRST, _PAIR):
        values: dict[int, int] = {}
        for match in pattern.finditer(text):
            right = match["x"].upper() + (f"-{match['y'].upper()}" if match["y"] else "")
            left = match["a"] + (f"-{match['b']}" if match["b"] else "")
            if not _span(left, right, values):
                break
        if _is_whole(values):
            return [values[n] for n in range(1, 17)], set()
    return None


def _is_whole(values: dict[int, int]) -> bool:
    return set(values) == set(range(1, 17)) and len(set(values.values())) == 16
