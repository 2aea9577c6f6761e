"""Checksum rules: one byte from 00 to 7F over the bytes that a line puts in brackets.

To add a rule, write its function (bytes in, one number 0 to 127 out) and add a row to
:data:`CHECKSUMS`; then add vectors to ``tests/core/codec/test_checksums.py`` and a row to
``docs/reference/sheet.md``.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce
from operator import xor
from typing import NamedTuple


class ChecksumRule(NamedTuple):
    """A rule: ``compute`` returns the checksum byte (0 to 127) over the covered bytes.

    ``steps`` writes the arithmetic out for a person, given the bytes.
    """

    name: str
    compute: Callable[[bytes], int]
    words: str
    steps: Callable[[bytes], str]


def negated_sum_7(data: bytes) -> int:
    """Return (128 - sum mod 128) mod 128; 0, never 128, where the sum is a multiple of 128."""
    return -sum(data) & 0x7F


def sum_7(data: bytes) -> int:
    """Return the sum mod 128."""
    return sum(data) & 0x7F


def xor_7(data: bytes) -> int:
    """Return the exclusive or of all bytes, low seven bits."""
    return reduce(xor, data, 0) & 0x7F


def ones_complement_7(data: bytes) -> int:
    """Return 127 - (sum mod 128)."""
    return ~sum(data) & 0x7F


def _sum_words(data: bytes) -> str:
    total = sum(data)
    terms = " + ".join(f"{byte:02X}" for byte in data) or "nothing"
    return f"{terms} = {total:X}h ({total}); {total} mod 128 = {total % 128}"


def _negated_steps(data: bytes) -> str:
    rest = sum(data) % 128
    result = negated_sum_7(data)
    end = "a multiple of 128 gives 00, never 80" if not rest else f"128 - {rest} = {result}"
    return f"{_sum_words(data)}; {end}: {result:02X}"


def _xor_steps(data: bytes) -> str:
    terms = " xor ".join(f"{byte:02X}" for byte in data) or "nothing"
    return f"{terms} = {xor_7(data):02X}"


CHECKSUMS: dict[str, ChecksumRule] = {
    row.name: row
    for row in (
        ChecksumRule(
            "negated-sum-7",
            negated_sum_7,
            "sum of the bytes and the checksum is a multiple of 128",
            _negated_steps,
        ),
        ChecksumRule(
            "sum-7",
            sum_7,
            "sum of the bytes, low seven bits",
            lambda data: f"{_sum_words(data)}: {sum_7(data):02X}",
        ),
        ChecksumRule("xor-7", xor_7, "exclusive or of the bytes, low seven bits", _xor_steps),
        ChecksumRule(
            "ones-complement-7",
            ones_complement_7,
            "127 less the low seven bits of the sum",
            lambda data: (
                f"{_sum_words(data)}; 127 - {sum(data) % 128} = {ones_complement_7(data):02X}h"
            ),
        ),
    )
}
