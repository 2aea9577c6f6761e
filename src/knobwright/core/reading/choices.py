"""Lists of choices in a leaflet's text: ``0 = room, 1 = stage``, ``00H: off``, ``off (0), on
(1)``."""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.reading.numbers import DEC, HEX
from knobwright.core.reading.words import fold, has_word

_NUM = r"\d{3}|(?:\$|0x|#)?[0-9A-Fa-f]{1,2}[Hh]?|\d{1,3}"
_ITEM = re.compile(
    r"(?:^|[;/(\[•\n]|(?<=\.)\s|,(?=\s)|,(?=[0-9A-Fa-f]{1,3}[Hh]?\s*[=:])|\s[-–—](?=\s)|\s{2,}|"
    r"(?<=[\w)'])\s(?=(?:\$|0x)?[0-9A-F]{1,2}[Hh]?\s?[=:]\s?[^\W\d]))\s*"
    r"(?P<num>" + _NUM + r")\s*(?P<op>[=:＝：]|\)|→|[-–—](?=\s*[^\W\d]))?\s*(?=[^\s,;=:\-–—.)\]])"
)
_BACK = re.compile(
    r"(?:^|[,;/(\n]\s*)(?P<name>[^\W\d][^,;=:()\n]{0,30}?)\s*(?P<op>[=:(]|\s)\s*(?P<num>"
    + _NUM
    + r")\)?(?=\s*(?:[,;/)\n]|$))"
)
_RANGE_WORD = re.compile(
    r"(?:to|bis|a|à|al|tot|hasta|kara|thru|through|から|~)\s*[\d(+$-]|(?:data\s)?bytes?\b|"
    r"octets?\b|[x*]\s",
    re.I,
)
_STOP = re.compile(r"\.(?:\s+[A-ZÀ-Þ]|\s*\Z)")
MAX_NAME = 60


class Choices(NamedTuple):
    """Names for raw values as printed: (number as printed, name) in order, and what is left of the
    text."""

    items: tuple[tuple[str, str], ...]
    rest: str

    def resolve(self, base: str) -> dict[int, str] | None:
        """Return the names by raw value; None where the base matters and is not known."""
        base = self.base() or base
        out: dict[int, str] = {}
        for num, name in self.items:
            value = _value(num, base)
            if value is None or value in out:
                return None
            out[value] = name
        return out

    def base(self) -> str:
        """Return the base that the numbers themselves prove, or nothing."""
        nums = [num for num, _ in self.items]
        bare = [n for n in nums if n.isdigit()]
        if any(re.search(r"[A-Fa-f]", n) for n in nums if _is_bare(n)):
            return HEX
        if any(len(n) == 3 for n in bare) or (any(n in ("8", "9") for n in bare) and "10" in bare):
            return DEC
        values = [int(n) for n in bare]
        if (
            bare
            and len(bare) == len(nums)
            and values == list(range(values[0], values[0] + len(values)))
        ):
            return DEC if values[-1] > 9 else ""
        return ""


def _is_bare(num: str) -> bool:
    return num[0] not in "$#" and not num.startswith("0x") and num[-1] not in "Hh"


def _value(num: str, base: str) -> int | None:
    """Return the value of a printed number."""
    if num[0] in "$#":
        return int(num[1:], 16)
    if num.startswith("0x"):
        return int(num[2:], 16)
    if num[-1] in "Hh":
        return int(num[:-1], 16)
    if num.isdigit() and int(num) < 10:
        return int(num)
    if base == HEX:
        return int(num, 16)
    if num.isdigit() and (base == DEC or len(num) == 3):
        return int(num)
    return None


def find_choices(text: str) -> Choices | None:
    """Return the choices that a text lists, None where it lists none."""
    flat = re.sub(r"\s*\n\s*", lambda m: "\n", text)
    flat = re.sub(r"\A\s*[=:]\s*(?=\d)", "", flat)
    return _forward(flat) or _backward(flat) or _counted(flat)


_COUNTED = re.compile(r"(?:\A|(?<=\s))(\d{1,2})\s?=?\s?(?=[^\W\d])")


def _counted(text: str) -> Choices | None:
    """Read lists without separators that count up by one: ``0 room 1 hall 2 plate``."""
    matches = list(_COUNTED.finditer(text[:400]))
    nums = [int(m[1]) for m in matches]
    if len(nums) < 2 or matches[0].start() > 0 or nums[0] > 1:
        return None
    if nums != list(range(nums[0], nums[0] + len(nums))):
        return None
    ends = [m.start() for m in matches[1:]] + [len(text)]
    names = [text[m.end() : end].strip(" ,;/") for m, end in zip(matches, ends, strict=True)]
    if any(not n or len(n) > MAX_NAME or any(c.isdigit() for c in n) for n in names):
        return None
    if any(_is_unit(text, m.end()) for m in matches):
        return None
    return Choices(tuple(zip([m[1] for m in matches], names, strict=True)), "")


_ENDS_RANGE = re.compile(r"\d[Hh]?\s*[-–—]\s*(?:\$|0x|#)?[0-9A-Fa-f]{1,3}[Hh]?\s*\Z")
_MORE = re.compile(r"(?:and|or|und|oder|et|ou|y|o|e|en|of)\s", re.I)
"""How a text goes on that splits a range in words: ``64 and more is on``."""


def _forward(text: str) -> Choices | None:
    """Read lists that print the number first."""
    matches = [m for m in _ITEM.finditer(text) if not _RANGE_WORD.match(text, m.end())]
    matches = [
        m for m in matches if m["op"] or (text[m.end()].isalpha() and not _is_unit(text, m.end()))
    ]
    matches = [m for m in matches if not _ENDS_RANGE.search(text[: m.end()])]
    if len(matches) < 2:
        return None
    ops = [m["op"] or "" for m in matches]
    if "=" in ops or ":" in ops:
        matches = [m for m in matches if m["op"] in ("=", ":", "＝", "：")]
        if len(matches) < 2:
            return None
    items: list[tuple[str, str]] = []
    end = 0
    for k, match in enumerate(matches):
        stop = matches[k + 1].start() if k + 1 < len(matches) else len(text)
        name = text[match.end() : stop]
        if k + 1 == len(matches):
            name, stop = _last_name(name, match.end())
        name = " ".join(name.split()).strip(" ,;/-–—•([")
        if name.count(")") > name.count("("):
            name = name.rstrip(") ")
        if not name or len(name) > MAX_NAME or name[0] in "-–=" or _MORE.match(name):
            return None
        items.append((match["num"], name))
        end = stop
    nums = [num for num, _ in items]
    if len(set(nums)) != len(nums) or not _rises(nums):
        return None
    return Choices(tuple(items), text[: matches[0].start()] + " " + text[end:])


def _last_name(name: str, start: int) -> tuple[str, int]:
    """Cut the last name where its sentence, its brackets or its column ends."""
    cut = len(name)
    for pattern in (_STOP, re.compile(r"[;)\]]"), re.compile(r"\s{3,}")):
        if match := pattern.search(name):
            if match.group().startswith(")") and "(" in name[: match.start()]:
                continue
            cut = min(cut, match.start())
    return name[:cut], start + cut


def _rises(nums: list[str]) -> bool:
    """Return whether the numbers go up: a list of choices does, other text hardly."""
    values = [_value(n, HEX) for n in nums]
    known = [v for v in values if v is not None]
    if len(known) != len(values):
        return False
    decimals = [int(n) for n in nums if n.isdigit()]
    return known == sorted(known) or (len(decimals) == len(nums) and decimals == sorted(decimals))


def _is_unit(text: str, at: int) -> bool:
    """Return whether a unit and no name follows a number."""
    word = re.match(r"[A-Za-zµ%°]+", text[at : at + 12])
    return (
        bool(word)
        and word is not None
        and word.group().lower()
        in (
            "ms",
            "s",
            "sec",
            "hz",
            "khz",
            "db",
            "bit",
            "bits",
            "st",
            "bpm",
            "cent",
            "cents",
            "h",
            "hex",
            "semitones",
            "voices",
            "bytes",
            "byte",
            "octets",
        )
    )


def _backward(text: str) -> Choices | None:
    """Read lists that print the name first: ``off = 0, on = 1``, ``mono (0), poly (1)``."""
    items: list[tuple[str, str]] = []
    matches = [m for m in _BACK.finditer(text) if m["op"] in ("=", ":", "(")]
    if len(matches) < 2 or len({m["op"] for m in matches}) > 1:
        return None
    for match in matches:
        name = " ".join(match["name"].split())
        if len(name) < 2 or has_word(
            fold(name),
            (
                "default",
                "init",
                "range",
                "value",
                "wert",
                "bereich",
                "max",
                "min",
                "cc",
                "nrpn",
                "msb",
                "lsb",
                "centre",
                "center",
            ),
        ):
            return None
        items.append((match["num"], name))
    if len({n for n, _ in items}) != len(items):
        return None
    items.sort(key=lambda item: _value(item[0], HEX) or 0)
    return Choices(tuple(items), text[: matches[0].start()] + " " + text[matches[-1].end() :])
