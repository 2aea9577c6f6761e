"""The words of the line notation: what each word of a line stands for.

To add a word, add a row to :data:`WORDS` (a fixed spelling) or a branch to :func:`read_word` (a
family of spellings), and a row to ``docs/reference/sheet.md``. Every field word holds a letter
that is no hex digit, so that it can never be read as a number.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.errors import LineError, printable

FIXED = "fixed"
CHANNEL = "channel"
VALUE = "value"
KEY = "key"
DEVICE = "device"
PROGRAM = "program"
BANK_HIGH = "bank-high"
BANK_LOW = "bank-low"
CHECKSUM = "checksum"
MAP = "map"
OTHER = "other"
RUN = "run"
DATA = "data"

#: Longest run ``t*N`` in bytes; a longer one is a slip of the pen.
MAX_RUN_BYTES = 4096


class Cell(NamedTuple):
    """One byte of a line, or one run of bytes.

    ``fixed`` holds the bits that never change and ``mask`` tells which ones they are (FF for a
    fixed byte, F0 for a half byte, 80 for a whole field byte, whose top bit is always 0).
    ``kind`` is one of the constants of this module. ``high`` and ``low`` are the value bits
    carried (``VALUE`` and ``OTHER``). ``name`` is the letter of a map, the key of another
    parameter, or the letter of a run; ``n_bytes`` is 1 but for a run (its length) and data (0:
    any number).
    """

    word: str
    kind: str
    fixed: int = 0
    mask: int = 0x80
    high: int = 0
    low: int = 0
    name: str = ""
    n_bytes: int = 1

    @property
    def is_status(self) -> bool:
        """Return whether the byte is a status byte (top bit set)."""
        return bool(self.fixed & 0x80)


WORDS: dict[str, Cell] = {
    cell.word: cell
    for cell in (
        Cell("vv", VALUE, high=6),
        Cell("vh", VALUE, high=13, low=7),
        Cell("vl", VALUE, high=6),
        *(Cell(f"v{k}", VALUE, mask=0xF0, high=4 * k + 3, low=4 * k) for k in range(8)),
        Cell("nn", CHANNEL, mask=0xF0),
        Cell("kk", KEY),
        Cell("id", DEVICE),
        Cell("pp", PROGRAM),
        Cell("bh", BANK_HIGH),
        Cell("bl", BANK_LOW),
        Cell("cs", CHECKSUM),
        Cell("data*", DATA, n_bytes=0),
    )
}

_HALF_KINDS = {"n": CHANNEL, "v": VALUE, "i": DEVICE}
_HEX_BYTE = re.compile(r"[0-9A-Fa-f]{2}\Z")
_HALF = re.compile(r"([0-9A-Fa-f])([g-z])\Z")
_SLICE = re.compile(r"v:([0-9]{1,2})-([0-9]{1,2})\Z")
_OTHER = re.compile(r"\{([a-z0-9][a-z0-9.\-]{0,99})(?::([0-9]{1,2})-([0-9]{1,2}))?\}\Z")
_RUN = re.compile(r"([g-z])\*([0-9]{1,5})\Z")
_DOUBLED = re.compile(r"([g-z])\1\Z")


def read_word(word: str, where: str = "") -> Cell:
    """Return what one word of a line stands for.

    Raises
    ------
    LineError
        The word is none of the notation's.
    """
    if _HEX_BYTE.match(word):
        return Cell(word.upper(), FIXED, fixed=int(word, 16), mask=0xFF)
    known = WORDS.get(word)
    if known is not None:
        return known
    if match := _HALF.match(word):
        return _half_byte(word, match[1], match[2])
    if match := _SLICE.match(word):
        high, low = _bits(match[1], match[2], word, where)
        return Cell(word, VALUE, mask=_still(high, low), high=high, low=low)
    if match := _OTHER.match(word):
        high, low = _bits(match[2] or "6", match[3] or "0", word, where)
        return Cell(word, OTHER, mask=_still(high, low), high=high, low=low, name=match[1])
    if match := _RUN.match(word):
        n_bytes = int(match[2])
        if not 1 <= n_bytes <= MAX_RUN_BYTES:
            raise LineError(f"a run has 1 to {MAX_RUN_BYTES} bytes, not {n_bytes}", where=where)
        return Cell(word, RUN, name=match[1], n_bytes=n_bytes)
    if match := _DOUBLED.match(word):
        return Cell(word, MAP, name=match[1])
    raise LineError(f"{printable(word)!r} is no word of a line", where=where, hint=_advice(word))


def _half_byte(word: str, digit: str, letter: str) -> Cell:
    kind = _HALF_KINDS.get(letter, MAP)
    name = letter if kind == MAP else ""
    fixed = int(digit, 16) << 4
    return Cell(digit.upper() + letter, kind, fixed=fixed, mask=0xF0, high=3, name=name)


def _bits(high_text: str, low_text: str, word: str, where: str) -> tuple[int, int]:
    high, low = int(high_text), int(low_text)
    if not low <= high <= 31:
        raise LineError(
            f"{word!r}: bits are written highest first and run from 31 to 0", where=where
        )
    if high - low > 6:
        raise LineError(
            f"{word!r} takes {high - low + 1} bits, and a data byte carries seven",
            where=where,
            hint="split the value over several bytes, such as v:13-7 v:6-0",
        )
    return high, low


def _still(high: int, low: int) -> int:
    """Return the mask of the bits of a byte that a slice leaves at 0."""
    return 0xFF & ~((1 << (high - low + 1)) - 1)


def _advice(word: str) -> str:
    bare = word.rstrip("hH").removeprefix("0x").removeprefix("$")
    if _HEX_BYTE.match(bare) and bare != word:
        return f"write the byte as {bare.upper()}"
    if word.isdigit():
        return "a fixed byte is two hex digits"
    return "docs/reference/sheet.md lists the words"
