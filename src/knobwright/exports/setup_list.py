"""The set-up of a song as a list to read: time, bytes, what it is for. Lines stay lines."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from knobwright.core.errors import printable
from knobwright.core.fitting.bar import Placed
from knobwright.exports.timed import Timed

#: The first line of every list: by it one is known.
SETUP_LIST_HEAD = "# ms from the start; bytes in hex; what it is for"


def write_setup_list(bars: Sequence[tuple[str, Sequence[Placed]]]) -> str:
    """Return the set-up as text: one message a line, in the order in which they are sent.

    Parameters
    ----------
    bars : sequence of (str, sequence of Placed)
        A heading (empty for none), and the messages of each set-up.
    """
    lines = [SETUP_LIST_HEAD]
    for heading, placed in bars:
        if heading:
            lines.append(f"# {printable(heading)}")
        for row in placed:
            rest = f"; then {row.rest_ms} ms rest" if row.rest_ms else ""
            words = printable(f"{row.words}{rest}")
            lines.append(f"{row.at_ns / 1e6:10.3f}  {row.message.hex(' ').upper()}  {words}")
    return "\n".join(lines) + "\n"


def read_setup_list(text: str) -> tuple[bytes, ...]:
    """Return the messages of :func:`write_setup_list`."""
    rows = (line.split("  ") for line in text.splitlines() if not line.startswith("#"))
    return tuple(bytes.fromhex([cell for cell in row if cell][1]) for row in rows)


def exclusive_of(placed: Iterable[Placed]) -> list[Timed]:
    """Return the exclusive messages of a set-up, as a .syx file can hold them."""
    return [Timed(row.message, row.rest_ms, row.words) for row in placed if row.message[0] == 0xF0]
