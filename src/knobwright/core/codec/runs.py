"""Runs of bytes as one value: a text, a list of numbers, or a mask of numbered bits."""

from __future__ import annotations

from knobwright.core.codec.codings import CODINGS
from knobwright.core.errors import DecodeError, EncodeError
from knobwright.core.sheet.parameters import spell
from knobwright.core.sheet.records import Parameter, Raw


def run_length(parameter: Parameter) -> int:
    """Return the number of bytes of the parameter's run; 0 where it has none."""
    run = parameter.routes[0].template.line.run
    return run.n_bytes if run else 0


def run_to_bytes(parameter: Parameter, value: Raw) -> bytes:
    """Return the bytes of a run; each number of a list is coded over the seven bits of its byte.

    Raises
    ------
    EncodeError
        A text with characters outside ASCII 20 to 7E or too long, a list of the wrong length or
        with a number out of range, a mask with a number that has no bit.
    """
    n_bytes = run_length(parameter)
    if parameter.type == "text":
        if not isinstance(value, str):
            raise EncodeError(f"{parameter.key} takes a text of at most {n_bytes} characters")
        return _text(parameter.key, value, n_bytes)
    if not isinstance(value, tuple | list):
        raise EncodeError(f"{parameter.key} takes a list of numbers")
    numbers = tuple(value)
    if not all(type(number) is int for number in numbers):
        raise EncodeError(f"{parameter.key} takes whole numbers, not {numbers!r}")
    if parameter.type == "mask":
        return _mask(parameter.key, numbers, n_bytes)
    if len(numbers) != n_bytes:
        raise EncodeError(f"{parameter.key} takes {n_bytes} numbers, not {len(numbers)}")
    wrong = [number for number in numbers if not parameter.allows(number)]
    if wrong:
        raise EncodeError(
            f"{parameter.key}: {wrong[0]} is outside the range {spell(parameter.ranges)}"
        )
    coding = CODINGS[parameter.coding]
    return bytes(coding.to_bits(number, 7, parameter.zero) for number in numbers)


def _text(key: str, value: str, n_bytes: int) -> bytes:
    if len(value) > n_bytes:
        raise EncodeError(f"{key}: the text has {len(value)} characters, and {n_bytes} fit")
    wrong = next((c for c in value if not " " <= c <= "~"), None)
    if wrong is not None:
        raise EncodeError(f"{key}: the character {wrong!r} can't be sent", hint="use plain ASCII")
    return value.ljust(n_bytes).encode("ascii")


def _mask(key: str, numbers: tuple[int, ...], n_bytes: int) -> bytes:
    bits = 0
    for number in numbers:
        if not 1 <= number <= 7 * n_bytes:
            raise EncodeError(f"{key}: {number} is outside the range 1 to {7 * n_bytes}")
        bits |= 1 << (number - 1)
    return bytes(bits >> (7 * i) & 0x7F for i in reversed(range(n_bytes)))


def bytes_to_run(parameter: Parameter, data: bytes) -> Raw:
    """Return the value of a run's bytes: the way back from :func:`run_to_bytes`.

    Raises
    ------
    DecodeError
        A list with a number out of range, or a text with a character outside ASCII 20 to 7E.
    """
    if parameter.type == "text":
        if any(not 0x20 <= byte <= 0x7E for byte in data):
            raise DecodeError("the text holds a byte that is no ASCII character")
        return data.decode("ascii").rstrip(" ")
    if parameter.type == "mask":
        bits = 0
        for byte in data:
            bits = bits << 7 | byte
        return tuple(i + 1 for i in range(7 * len(data)) if bits >> i & 1)
    coding = CODINGS[parameter.coding]
    numbers = tuple(coding.to_raw(byte, 7, parameter.zero) for byte in data)
    wrong = [number for number in numbers if not parameter.allows(number)]
    if wrong:
        raise DecodeError(f"{wrong[0]} is outside the range {spell(parameter.ranges)}")
    return numbers
