"""Numbers and ranges in a leaflet's text, with what is known of their base.

A :class:`Num` keeps how it was printed; :meth:`Num.resolve` turns it into an integer once the
base is
known. :func:`spans` finds numbers and ranges (``00-7FH``, ``-64..+63``, ``28h-40h-58h``, ``0 to
127``,
``00 00-07 68``) in one linear pass.
"""

from __future__ import annotations

import re
from typing import NamedTuple

HEX = "hex"
DEC = "dec"

_NUM = re.compile(
    r"(?:0x|\$|&h|#)(?P<mark>[0-9A-Fa-f]{1,4})(?![0-9A-Za-z])"
    r"|(?P<suffix>[0-9A-Fa-f]{1,4})[Hh](?:ex)?(?![0-9A-Za-z])"
    r"|(?P<frac>\d{1,6}[.,]\d{1,4})(?![0-9.,]*\d)(?:[A-Za-z%]*)"
    r"|(?P<bare>[0-9A-F]{2})(?![0-9A-Za-z])"
    r"|(?P<wide>[0-9A-F]{4})(?![0-9A-Za-z])"
    r"|(?P<dec>\d{1,6})(?P<decmark>[dD](?![0-9A-Za-z]))?"
)
_BEFORE = re.compile(r"[0-9A-Za-z$]\Z")
_SEP_WORDS = (
    "to",
    "bis",
    "a",
    "à",
    "al",
    "tot",
    "hasta",
    "kara",
    "から",
    "thru",
    "through",
    "up to",
    "til",
    "t/m",
    "fino a",
    "jusqu'à",
)
_DASHES = "-–—~〜−～‐‑‒"
_GAP_SEP = re.compile(
    r"\s*(?P<unit>[A-Za-z%°']{0,6}?)\s*(?P<sep>\.{2,3}|…|[-–—~〜−～‐‑‒]{1,2}|→|/|"
    r"to|bis|a|à|al|tot|hasta|kara|から|thru|through|until|t/m|fino a)\s*(?P<sign>[+\-−–±]?)\s*\Z"
)


class Num(NamedTuple):
    """One printed number.

    ``parts`` are the digits of each byte (one for a plain number, two where two hex pairs stand
    side by
    side), ``base`` is ``hex`` or ``dec`` where the print itself says so and empty where it doesn't.
    """

    parts: tuple[str, ...]
    base: str
    sign: str
    start: int
    end: int
    marked: bool = False
    fraction: str = ""

    @property
    def is_open(self) -> bool:
        """Return whether hex and decimal readings differ and the print doesn't decide."""
        return not self.base and (len(self.parts) > 1 or int(self.parts[0]) > 9)

    @property
    def is_padded(self) -> bool:
        """Return whether the number is printed as ``00`` to ``09``: the way of hex columns."""
        return len(self.parts[0]) == 2 and self.parts[0][0] == "0"

    @property
    def is_wide(self) -> bool:
        """Return whether four hex digits are printed together: one number, or the two bytes of
        one."""
        return len(self.parts[0]) == 4 and self.base == HEX

    def packed(self) -> int:
        """Return the number whose two data bytes the four digits are."""
        return (int(self.parts[0][:2], 16) << 7) | int(self.parts[0][2:], 16)

    def resolve(self, base: str) -> int:
        """Return the integer, read in its own base or else in ``base`` (``hex`` or ``dec``)."""
        base = self.base or base or DEC
        radix = 16 if base == HEX else 10
        value = 0
        for part in self.parts:
            value = (value << 7) + int(part, radix)
        return -value if self.sign == "-" else value


class Span(NamedTuple):
    """One number, or the two or three numbers of a range in order of print."""

    nums: tuple[Num, ...]
    start: int
    end: int

    @property
    def is_range(self) -> bool:
        """Return whether the span holds a lowest and a highest number."""
        return len(self.nums) > 1

    @property
    def base(self) -> str:
        """Return the base that one of the numbers proves for all, or nothing."""
        bases = {num.base for num in self.nums if num.base}
        if HEX in bases and DEC in bases:
            return "mixed"
        return bases.pop() if bases else ""

    @property
    def is_open(self) -> bool:
        """Return whether the base matters and is not printed."""
        return self.base not in (HEX, DEC) and any(num.is_open for num in self.nums)

    @property
    def is_signed(self) -> bool:
        """Return whether a number carries a sign or a fraction: what is shown, not what is sent."""
        return any(num.sign or num.fraction for num in self.nums)

    def values(self, base: str) -> tuple[int, ...]:
        """Return the integers, open ones read in ``base``."""
        own = self.base
        return tuple(num.resolve(own if own in (HEX, DEC) else base) for num in self.nums)


def _numbers(text: str) -> list[Num]:
    """Return every number of ``text``; digits inside words are left out."""
    found: list[Num] = []
    at = 0
    while match := _NUM.search(text, at):
        at = match.end()
        if _BEFORE.search(text, max(0, match.start() - 1), match.start()):
            at = max(match.start() + 1, at if not match["bare"] else match.start() + 2)
            continue
        num = _as_num(match)
        if num is not None:
            found.append(num)
    return found


def _as_num(match: re.Match[str]) -> Num | None:
    """Return the number that one match of the pattern stands for."""
    start, end = match.start(), match.end()
    hexed = match["mark"] or match["suffix"]
    if hexed:
        return Num((hexed,), HEX, "", start, end, marked=True)
    if match["frac"]:
        digits = match["frac"].replace(",", ".")
        whole = digits.split(".")[0]
        return Num((whole,), DEC, "", start, match.end("frac"), fraction=digits)
    if match["bare"]:
        bare = match["bare"]
        return Num((bare,), "" if bare.isdigit() else HEX, "", start, end)
    if match["wide"]:
        wide = match["wide"]
        if wide.isdigit() and wide[0] != "0":
            return Num((wide,), DEC, "", start, end)
        return Num((wide,), HEX, "", start, end)
    digits = match["dec"]
    base = DEC if len(digits) > 2 or match["decmark"] else ""
    return Num((digits,), base, "", start, end, marked=bool(match["decmark"]))


def _join_pairs(text: str, nums: list[Num]) -> list[Num]:
    """Join two hex pairs that stand side by side with one blank: a number of two data bytes."""
    out: list[Num] = []
    for num in nums:
        before = out[-1] if out else None
        if (
            before is not None
            and len(before.parts) == 1
            and len(num.parts) == 1
            and _is_pair(before)
            and _is_pair(num)
            and text[before.end : num.start].strip("H h") == ""
            and 1 <= num.start - before.end <= 2
            and not num.fraction
        ):
            out[-1] = Num(before.parts + num.parts, HEX, before.sign, before.start, num.end)
        else:
            out.append(num)
    return out


def _is_pair(num: Num) -> bool:
    """Return whether the number is printed with two digits below 80 hexadecimal."""
    return len(num.parts[0]) == 2 and num.parts[0][0] in "01234567" and num.base != DEC


def spans(text: str, *, pairs: bool = False) -> list[Span]:
    """Return the numbers and ranges of ``text`` in order.

    Parameters
    ----------
    text : str
        At most a few thousand characters of one cell.
    pairs : bool
        Whether two hex pairs side by side are one number of two data bytes.
    """
    nums = _numbers(text)
    if pairs:
        nums = _join_pairs(text, nums)
    out: list[Span] = []
    group: list[Num] = []
    for num in nums:
        sign = _leading_sign(text, num.start)
        if group:
            gap = text[group[-1].end : num.start]
            match = _GAP_SEP.match(gap) if len(gap) <= 24 else None
            if match is not None and len(group) < 3:
                sign = {"−": "-", "–": "-", "±": "+"}.get(match["sign"], match["sign"])
                group.append(_signed(num, sign))
                continue
            out.append(_span(group))
        group = [_signed(num, sign)]
    if group:
        out.append(_span(group))
    return out


def _signed(num: Num, sign: str) -> Num:
    """Return the number with its sign; a sign makes a bare number decimal."""
    if not sign:
        return num
    if num.marked and num.base == HEX:
        return num._replace(sign=sign)
    return num._replace(sign=sign, base=DEC if num.base != HEX else HEX)


def _leading_sign(text: str, start: int) -> str:
    """Return the sign printed directly before a number that begins a span."""
    at = start - 1
    if at >= 0 and text[at] == " ":
        at -= 1
    if at < 0 or text[at] not in "+-−–±":
        return ""
    if at > 0 and text[at - 1].isalnum():
        return ""
    if at < start - 1 and text[at] not in "+−±":
        return ""
    return "+" if text[at] in "+±" else "-"


def _span(group: list[Num]) -> Span:
    """Return the record of numbers that belong together; a zero between signed ones is decimal."""
    return Span(tuple(group), group[0].start, group[-1].end)


_LOOKALIKE = re.compile(r"(?<![A-Za-z0-9])(?:\d+[OoIl]+\d*|[OIl]\d+|\d+[OIl]\d*)(?![A-Za-z0-9])")


def find_slip(text: str) -> str:
    """Return a number of ``text`` in which a letter stands for a digit (``1OO``), or nothing."""
    match = _LOOKALIKE.search(text)
    return match.group() if match else ""
