"""Messages as JSON: a list of objects with hex, numbers, rest and words."""

from __future__ import annotations

import json
from collections.abc import Sequence

from knobwright.exports.json_text import json_text
from knobwright.exports.timed import Timed


def write_json(messages: Sequence[Timed]) -> bytes:
    """Return a JSON list; each object has ``hex``, ``bytes``, ``rest_ms`` and ``sets``."""
    rows = [
        {
            "hex": m.data.hex(" ").upper(),
            "bytes": list(m.data),
            "rest_ms": m.rest_ms,
            "sets": m.words,
        }
        for m in messages
    ]
    return f"{json_text(rows)}\n".encode()


def read_json(text: bytes) -> tuple[bytes, ...]:
    """Return the messages of :func:`write_json`."""
    return tuple(bytes(row["bytes"]) for row in json.loads(text))
