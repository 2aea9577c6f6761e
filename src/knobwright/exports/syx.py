"""A .syx file: exclusive messages one behind the other, raw (common practice, no source)."""

from __future__ import annotations

from collections.abc import Sequence

from knobwright.core.errors import EncodeError
from knobwright.exports.timed import Timed


def write_syx(messages: Sequence[Timed]) -> bytes:
    """Return the exclusive messages as raw bytes.

    Raises
    ------
    EncodeError
        A message is not exclusive: programs that read .syx files would pass over it silently.
    """
    for message in messages:
        if not message.data.startswith(b"\xf0"):
            raise EncodeError(
                f"{message.data.hex(' ').upper()} is no exclusive message, "
                "and a .syx file holds only those",
                hint="use --form smf, which holds any message",
            )
    return b"".join(message.data for message in messages)


def read_syx(data: bytes) -> tuple[bytes, ...]:
    """Return the messages of :func:`write_syx`."""
    return tuple(part + b"\xf7" for part in data.split(b"\xf7") if part)
