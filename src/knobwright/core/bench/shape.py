"""Which keys each table of a ``bench.toml`` has, and what kind of value each takes.

To add a key, add a row here, read it in ``build.py`` and describe it in
``docs/reference/bench.md``.
"""

from __future__ import annotations

from knobwright.core.bench.records import (
    EXCLUSIVES,
    QUIET_CHANNELS,
    QUIET_WAYS,
    RUNNING_STATUS,
    SELECTIONS,
)
from knobwright.core.sheet.shape import (
    Key,
    anything,
    one_of,
    table,
    tables,
    text,
    texts,
    truth,
    whole,
    wholes,
)

_MAX_BAUD = 4_000_000


def number(value: object) -> str:
    """Check for a number, whole or not."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return "must be a number"
    return "" if abs(value) < 1e9 else "is too large"


def some_text(value: object) -> str:
    """Check for a text that is not empty."""
    return text(value) or ("" if str(value).strip() else "must not be empty")


def ways(value: object) -> str:
    """Check for a list of words of ``QUIET_WAYS``."""
    if wrong := texts(value):
        return wrong
    known = ", ".join(QUIET_WAYS)
    unknown = [word for word in value if word not in QUIET_WAYS] if isinstance(value, list) else []
    return f"holds {unknown[0]!r}, and the ways are {known}" if unknown else ""


_PORT = {"api": Key(text), "senders": Key(texts), "baud": Key(whole(0, _MAX_BAUD))}

#: Table name to its keys.
TABLES: dict[str, dict[str, Key]] = {
    "": {
        "format": Key(whole(1, 1), required=True),
        "sheet": Key(some_text, required=True),
        "name": Key(text),
        "note": Key(text),
        "device": Key(text),
        "link": Key(tables, required=True, inner="link"),
        "input": Key(tables, inner="input"),
        "assignment": Key(tables, inner="assignment"),
        "keys": Key(tables, inner="keys"),
        "pass": Key(table, inner="pass"),
        "quiet": Key(table, inner="quiet"),
    },
    "link": {
        "out": Key(some_text, required=True),
        "in": Key(text),
        "running_status": Key(one_of(*RUNNING_STATUS)),
        "selections": Key(one_of(*SELECTIONS)),
        "modelled": Key(truth),
        "proven": Key(table, inner="proven"),
        **_PORT,
    },
    "proven": {
        "running_status": Key(truth),
        "longest_exclusive": Key(whole(0, 1 << 24)),
        "rest_ms": Key(whole(0, 60_000)),
        "at": Key(text),
    },
    "input": {
        "name": Key(some_text, required=True),
        "port": Key(some_text, required=True),
        "out": Key(text),
        "surface": Key(text),
        "link": Key(whole(1, 2)),
        "passes": Key(truth),
        **_PORT,
    },
    "assignment": {
        "input": Key(text),
        "control": Key(some_text, required=True),
        "parameter": Key(some_text, required=True),
        "channels": Key(anything),
        "note": Key(whole(0, 127)),
        "meet": Key(text),
        "curve": Key(text),
        "amount": Key(number),
        "points": Key(anything),
        "low": Key(anything),
        "high": Key(anything),
        "invert": Key(truth),
        "mode": Key(text),
        "steps": Key(anything),
        "step": Key(whole(0, 1 << 20)),
        "value": Key(anything),
        "wrap": Key(truth),
        "layer": Key(text),
    },
    "keys": {
        "input": Key(text),
        "name": Key(text),
        "keys": Key(wholes(0, 127)),
        "velocities": Key(wholes(1, 127)),
        "listens": Key(anything),
        "channels": Key(anything),
        "transpose": Key(whole(-127, 127)),
        "curve": Key(text),
        "amount": Key(number),
        "points": Key(anything),
        "fixed": Key(whole(0, 127)),
        "loudness": Key(wholes(1, 127)),
        "takes": Key(texts),
    },
    "pass": {
        "notes": Key(truth),
        "controls": Key(truth),
        "programs": Key(truth),
        "bend": Key(truth),
        "pressure": Key(truth),
        "exclusive": Key(one_of(*EXCLUSIVES)),
        "allow": Key(texts),
        "clock": Key(truth),
        "common": Key(truth),
        "reset": Key(truth),
    },
    "quiet": {"ways": Key(ways), "channels": Key(one_of(*QUIET_CHANNELS))},
}
