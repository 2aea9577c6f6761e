"""Codings: how a raw number, which may be negative, becomes the bits of the value bytes.

To add a coding, write its three functions and add a row to :data:`CODINGS`; then add rows to
``tests/core/codec/test_codings.py`` and to ``docs/reference/sheet.md``.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple


class Coding(NamedTuple):
    """A coding over ``n`` value bits.

    ``limits(n, zero)`` gives the lowest and highest raw value, ``to_bits(raw, n, zero)`` the bits
    as a number 0 to 2**n - 1 and ``to_raw(bits, n, zero)`` the way back. ``zero`` matters to
    offset only.
    """

    name: str
    limits: Callable[[int, int | None], tuple[int, int]]
    to_bits: Callable[[int, int, int | None], int]
    to_raw: Callable[[int, int, int | None], int]
    words: str


def _plain_limits(n: int, zero: int | None) -> tuple[int, int]:
    return 0, (1 << n) - 1


def _twos_limits(n: int, zero: int | None) -> tuple[int, int]:
    return -(1 << n >> 1), (1 << n >> 1) - 1


def _twos_bits(raw: int, n: int, zero: int | None) -> int:
    return raw & (1 << n) - 1


def _twos_raw(bits: int, n: int, zero: int | None) -> int:
    return bits - (1 << n) if bits >> (n - 1) else bits


def _sign_limits(n: int, zero: int | None) -> tuple[int, int]:
    top = (1 << n >> 1) - 1
    return -top, top


def _sign_bits(raw: int, n: int, zero: int | None) -> int:
    return -raw | 1 << (n - 1) if raw < 0 else raw


def _sign_raw(bits: int, n: int, zero: int | None) -> int:
    sign = 1 << (n - 1)
    return -(bits ^ sign) if bits & sign else bits


def _offset(n: int, zero: int | None) -> int:
    return 1 << n >> 1 if zero is None else zero


def _offset_limits(n: int, zero: int | None) -> tuple[int, int]:
    offset = _offset(n, zero)
    return -offset, (1 << n) - 1 - offset


def _offset_bits(raw: int, n: int, zero: int | None) -> int:
    return raw + _offset(n, zero)


def _offset_raw(bits: int, n: int, zero: int | None) -> int:
    return bits - _offset(n, zero)


CODINGS: dict[str, Coding] = {
    row.name: row
    for row in (
        Coding(
            "plain",
            _plain_limits,
            lambda raw, n, zero: raw,
            lambda bits, n, zero: bits,
            "the number itself",
        ),
        Coding("twos", _twos_limits, _twos_bits, _twos_raw, "two's complement"),
        Coding(
            "sign-magnitude",
            _sign_limits,
            _sign_bits,
            _sign_raw,
            "the highest bit is the sign, the others the number without it",
        ),
        Coding(
            "offset",
            _offset_limits,
            _offset_bits,
            _offset_raw,
            "the number and `zero` added together",
        ),
    )
}
