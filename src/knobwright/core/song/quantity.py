"""Variable-length quantities: seven bits a byte, highest first, bit 7 on all but the last.

Source: Standard MIDI Files 1.0 (RP-001), the table of examples and the largest number 0FFFFFFF.
"""

from __future__ import annotations

from knobwright.core.errors import EncodeError

#: Largest number that may be written: four bytes.
MAX_QUANTITY = 0x0FFFFFFF


def write_quantity(number: int) -> bytes:
    """Return a number as a variable-length quantity of 1 to 4 bytes.

    Raises
    ------
    EncodeError
        The number is negative or above 0FFFFFFF.
    """
    if not 0 <= number <= MAX_QUANTITY:
        raise EncodeError(
            f"a number from 0 to {MAX_QUANTITY} fits a variable-length quantity, {number} does not"
        )
    if number < 0x80:
        return bytes((number,))
    out = [number & 0x7F]
    while number := number >> 7:
        out.append(number & 0x7F | 0x80)
    return bytes(reversed(out))


def read_quantity(data: bytes, at: int, end: int) -> tuple[int, int, bool]:
    """Return a quantity's number, the place behind it, and whether it is a proper one.

    Of one with more than four bytes the last 28 bits count (so that leading ``80`` change nothing);
    one that is cut off by ``end`` has the bits that are there. Neither is proper.
    """
    number = 0
    start = at
    while at < end:
        byte = data[at]
        at += 1
        number = (number << 7 | byte & 0x7F) & MAX_QUANTITY
        if byte < 0x80:
            return number, at, at - start <= 4
    return number, at, False
