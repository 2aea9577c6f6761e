"""The line notation read a second time, from docs/reference/sheet.md alone.

A line becomes messages, a message becomes words. Every word is one byte on the wire, except the
brackets (none), a run and a dump's data. Nothing here imports the program.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from functools import reduce
from operator import xor
from typing import NamedTuple

from tests.oracle.stream import n_data

#: The name that a word gives to the value of its own parameter.
OWN = ""


class Word(NamedTuple):
    """One word of a line: what it is, the bits that are fixed in it, and what it holds."""

    kind: str  # fixed field channel key device device-low map sum open close run data bank-high ...
    base: int = 0  # the fixed bits: the whole byte, or the first half byte
    who: str = OWN  # of a field: whose value; of a map: its name
    high: int = 0  # of a field: its bits
    low: int = 0
    size: int = 1  # bytes on the wire


Message = tuple[Word, ...]

_VALUE_WORDS = {
    "vv": (6, 0),
    "vh": (13, 7),
    "vl": (6, 0),
    "v3": (15, 12),
    "v2": (11, 8),
    "v1": (7, 4),
    "v0": (3, 0),
}
_PLAIN_WORDS = {
    "nn": Word("channel"),
    "kk": Word("key"),
    "id": Word("device"),
    "cs": Word("sum"),
    "[": Word("open", size=0),
    "]": Word("close", size=0),
    "data*": Word("data", size=-1),
}
_PROGRAM_WORDS = {"pp": Word("program"), "bh": Word("bank-high"), "bl": Word("bank-low")}
_HALVES = {"n": "channel", "i": "device-low"}


def read_word(text: str, maps: dict[str, str], *, of_programs: bool = False) -> Word:
    """Return the meaning of one word; ``maps`` gives the map for each letter."""
    if of_programs and text in _PROGRAM_WORDS:
        return _PROGRAM_WORDS[text]
    if re.fullmatch("[0-9A-Fa-f]{2}", text):
        return Word("fixed", int(text, 16))
    if text in _PLAIN_WORDS:
        return _PLAIN_WORDS[text]
    if text in _VALUE_WORDS:
        high, low = _VALUE_WORDS[text]
        return Word("field", 0, OWN, high, low)
    if found := re.fullmatch(r"v:(\d+)-(\d+)", text):
        return Word("field", 0, OWN, int(found[1]), int(found[2]))
    if found := re.fullmatch(r"\{([^:}]+)(?::(\d+)-(\d+))?\}", text):
        high, low = (int(found[2]), int(found[3])) if found[2] else (6, 0)
        return Word("field", 0, found[1], high, low)
    if found := re.fullmatch(r"t\*(\d+)", text):
        return Word("run", size=int(found[1]))
    if found := re.fullmatch("([0-9A-Fa-f])([a-z])", text):
        base, letter = int(found[1], 16) << 4, found[2]
        if letter == "v":
            return Word("field", base, OWN, 3, 0)
        if letter in _HALVES:
            return Word(_HALVES[letter], base)
        return Word("map", base, maps[letter])
    if (found := re.fullmatch(r"([a-z])\1", text)) and found[1] in maps:
        return Word("map", 0, maps[found[1]])
    raise ValueError(f"no word of the notation: {text!r}")


def _is_status(word: Word) -> bool:
    return word.kind in ("fixed", "channel", "map") and word.base >= 0x80


def read_line(
    line: str | list[str], maps: dict[str, str], *, of_programs: bool = False
) -> tuple[Message, ...]:
    """Return the messages of a line, each with its status."""
    messages: list[Message] = []
    for text in [line] if isinstance(line, str) else line:
        words = [read_word(word, maps, of_programs=of_programs) for word in text.split()]
        messages += _cut(words)
    return tuple(messages)


def _cut(words: list[Word]) -> Iterator[Message]:
    """Cut one string's words into messages; a status left out is the one before it."""
    status: Word | None = None
    while words:
        if _is_status(words[0]):
            status = words.pop(0)
        if status is None:
            raise ValueError("a line begins with a status")
        if status.base == 0xF0:
            end = next(i for i, word in enumerate(words) if word == Word("fixed", 0xF7))
            yield (status, *words[: end + 1])
            words, status = words[end + 1 :], None
        else:
            size = n_data(status.base)
            yield (status, *words[:size])
            words = words[size:]


# ---- checksums and packings, as the tables of the reference say


def checksum(rule: str, data: bytes) -> int:
    """Return the checksum byte of a rule over the covered bytes."""
    if rule == "negated-sum-7":
        return (128 - sum(data) % 128) % 128
    if rule == "sum-7":
        return sum(data) % 128
    if rule == "xor-7":
        return reduce(xor, data, 0) % 128
    if rule == "ones-complement-7":
        return 127 - sum(data) % 128
    raise ValueError(f"no checksum rule {rule!r}")


def _unpack_7_in_8(sent: bytes) -> bytes:
    """Undo the File Dump coding (MIDI 1.0 Detailed Specification 4.2.1, p. 43)."""
    plain = bytearray()
    for start in range(0, len(sent), 8):
        tops, *lows = sent[start : start + 8]
        for i, low in enumerate(lows):
            top = (tops >> (6 - i)) & 1  # the first byte's top bit stands in bit 6
            plain.append(top * 128 + low)
    return bytes(plain)


def _pairs(sent: bytes) -> list[tuple[int, int]]:
    if len(sent) % 2 or max(sent, default=0) > 15:
        raise ValueError("no nibbles")
    return list(zip(sent[::2], sent[1::2], strict=True))


UNPACK: dict[str, Callable[[bytes], bytes]] = {
    "none": bytes,
    "7-in-8": _unpack_7_in_8,
    "nibbles": lambda sent: bytes(first * 16 + second for first, second in _pairs(sent)),
    "nibbles-low-first": lambda sent: bytes(second * 16 + first for first, second in _pairs(sent)),
}


# ---- numbers


def decode_number(coding: str, bits: int, n_bits: int, zero: int | None) -> int:
    """Return the raw number that ``n_bits`` value bits stand for."""
    if coding == "plain":
        return bits
    top = 1 << (n_bits - 1)
    if coding == "twos":
        return bits - 2 * top if bits & top else bits
    if coding == "sign-magnitude":
        return -(bits - top) if bits & top else bits
    if coding == "offset":
        return bits - (top if zero is None else zero)
    raise ValueError(f"no coding {coding!r}")


def read_run(kind: str, sent: bytes) -> str | tuple[int, ...]:
    """Return the value of a run of bytes: a text without its filling, a list, or a mask."""
    if kind == "text":
        return sent.decode("ascii").rstrip(" ")
    if kind == "list":
        return tuple(sent)
    on: list[int] = []
    for place, byte in enumerate(reversed(sent)):  # number 1 is the lowest bit of the last byte
        on += [7 * place + bit + 1 for bit in range(7) if byte >> bit & 1]
    return tuple(on)
