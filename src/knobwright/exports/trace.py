"""The trace of a link as JSON lines: one line of header, then one line for each piece of bytes.

The file is replayed by the port kind ``file``, so that a take can be heard again.
"""

from __future__ import annotations

import json
from typing import NamedTuple

from knobwright.core.errors import InputError

FORMAT = "knobwright-trace"
VERSION = 1
#: The first line of a trace.
HEADER = json.dumps({"format": FORMAT, "version": VERSION})

_WAYS = ("in", "out")


class TraceEntry(NamedTuple):
    """Bytes on a link: when (nanoseconds, monotonic clock), which way, which port, which bytes."""

    at_ns: int
    way: str
    port: str
    data: bytes


def write_entry(entry: TraceEntry) -> str:
    """Return one line of JSON without its line end; ``hex`` holds the bytes."""
    row = {
        "at_ns": entry.at_ns,
        "way": entry.way,
        "port": entry.port,
        "hex": entry.data.hex(" ").upper(),
    }
    return json.dumps(row, ensure_ascii=False)


def read_header(line: str) -> None:
    """Check the first line of a trace.

    Raises
    ------
    InputError
        It is no trace, or one of a later version.
    """
    row = _object(line)
    if row.get("format") != FORMAT:
        raise InputError(f'a trace begins with {{"format": "{FORMAT}"}}, and this does not')
    if row.get("version") != VERSION:
        raise InputError(
            f"this trace has version {row.get('version')!r}, and version {VERSION} is understood",
            hint="use the version of Knobwright that wrote it, or a later one",
        )


def read_entry(line: str) -> TraceEntry:
    """Return the entry that :func:`write_entry` wrote.

    Raises
    ------
    InputError
        The line is not an entry; the message says what is wrong with it.
    """
    row = _object(line)
    at_ns, way, port, text = (row.get(name) for name in ("at_ns", "way", "port", "hex"))
    if not isinstance(at_ns, int) or isinstance(at_ns, bool) or at_ns < 0:
        raise InputError(f"at_ns is a whole number of nanoseconds, 0 or more; found {at_ns!r}")
    if way not in _WAYS:
        raise InputError(f'way is "in" or "out"; found {way!r}')
    if not isinstance(port, str) or not isinstance(text, str):
        raise InputError("port and hex are texts")
    try:
        data = bytes.fromhex(text)
    except ValueError as error:
        raise InputError(f"hex holds pairs of hex digits; found {text[:40]!r}") from error
    return TraceEntry(at_ns, way, port, data)


def _object(line: str) -> dict[str, object]:
    try:
        row = json.loads(line)
    except (ValueError, RecursionError) as error:
        raise InputError(f"one JSON object a line is expected; found {line[:40]!r}") from error
    if not isinstance(row, dict):
        raise InputError(f"one JSON object a line is expected; found {line[:40]!r}")
    return row
