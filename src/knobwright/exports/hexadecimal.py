"""Messages as hex or decimal numbers, one message a line."""

from __future__ import annotations

from collections.abc import Sequence

from knobwright.exports.timed import Timed


def write_hex(messages: Sequence[Timed]) -> bytes:
    """Return one line a message: two upper-case hex digits a byte, parted by blanks."""
    return "".join(f"{m.data.hex(' ').upper()}\n" for m in messages).encode("ascii")


def read_hex(text: bytes) -> tuple[bytes, ...]:
    """Return the messages of :func:`write_hex`."""
    return tuple(bytes.fromhex(line) for line in text.decode("ascii").splitlines() if line)


def write_decimal(messages: Sequence[Timed]) -> bytes:
    """Return one line a message: decimal numbers 0 to 255, parted by blanks."""
    return "".join(f"{' '.join(map(str, m.data))}\n" for m in messages).encode("ascii")


def read_decimal(text: bytes) -> tuple[bytes, ...]:
    """Return the messages of :func:`write_decimal`."""
    return tuple(
        bytes(int(word) for word in line.split())
        for line in text.decode("ascii").splitlines()
        if line
    )
