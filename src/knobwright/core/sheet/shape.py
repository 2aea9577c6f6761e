"""Which keys each table of a sheet has, and what kind of value each takes.

To add a key, add a row here, read it in ``build.py`` and describe it in
``docs/reference/sheet.md``.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import NamedTuple

#: Says what is wrong with a value, or returns an empty string.
Check = Callable[[object], str]

MAX_TEXT = 2000
KEY = re.compile(r"[a-z0-9]+(?:[.-][a-z0-9]+)*\Z")
_NAME = re.compile(r"[A-Za-z0-9_-]{1,64}\Z")


def text(value: object) -> str:
    """Check for a string of at most :data:`MAX_TEXT` characters."""
    if not isinstance(value, str):
        return f"must be a text in quotes, not {kind_of(value)}"
    return "" if len(value) <= MAX_TEXT else f"is longer than {MAX_TEXT} characters"


def key(value: object) -> str:
    """Check for a stable name: lower-case letters and digits, parted by points or hyphens."""
    if not isinstance(value, str) or len(value) > 100 or not KEY.match(value):
        return "must be lower-case letters and digits, parted by points or hyphens (hall.time)"
    return ""


def one_of(*names: str) -> Check:
    """Return a check for one of several words."""

    def check(value: object) -> str:
        return "" if value in names else f"must be one of {', '.join(names)}"

    return check


def whole(low: int, high: int) -> Check:
    """Return a check for a whole number from ``low`` to ``high``."""

    def check(value: object) -> str:
        if isinstance(value, bool) or not isinstance(value, int):
            return f"must be a whole number, not {kind_of(value)}"
        return "" if low <= value <= high else f"must lie between {low} and {high}, not {value}"

    return check


def truth(value: object) -> str:
    """Check for true or false."""
    return "" if isinstance(value, bool) else f"must be true or false, not {kind_of(value)}"


def texts(value: object) -> str:
    """Check for a list of strings."""
    if not isinstance(value, list):
        return f"must be a list of texts, not {kind_of(value)}"
    return next((fault for item in value if (fault := text(item))), "")


def text_or_texts(value: object) -> str:
    """Check for a string or a non-empty list of strings."""
    if isinstance(value, list):
        return texts(value) if value else "must not be an empty list"
    return text(value)


def wholes(low: int, high: int) -> Check:
    """Return a check for a list of whole numbers from ``low`` to ``high``."""
    item_check = whole(low, high)

    def check(value: object) -> str:
        if not isinstance(value, list):
            return f"must be a list of whole numbers, not {kind_of(value)}"
        return next((fault for item in value if (fault := item_check(item))), "")

    return check


def anything(value: object) -> str:
    """Accept any value: ``build`` looks at it more closely."""
    return ""


def table(value: object) -> str:
    """Check for a table."""
    return "" if isinstance(value, dict) else f"must be a table, not {kind_of(value)}"


def tables(value: object) -> str:
    """Check for an array of tables."""
    if isinstance(value, list) and all(isinstance(item, dict) for item in value):
        return ""
    return "must be an array of tables, such as [[parameter]]"


def kind_of(value: object) -> str:
    """Return what a TOML value is, in a person's words."""
    names: dict[type, str] = {
        str: "a text",
        bool: "true or false",
        int: "a whole number",
        float: "a number with a point",
        list: "a list",
        dict: "a table",
    }
    return names.get(type(value), "a date or time")


class Key(NamedTuple):
    """One key of a table: its check, whether it must be there, and the table inside it."""

    check: Check
    required: bool = False
    inner: str = ""


_LINE = Key(text_or_texts, required=True)
_NUMBER = whole(-(2**31), 2**31)

#: Table name to its keys. ``NAME/*`` is a table whose keys are free names.
TABLES: dict[str, dict[str, Key]] = {
    "": {
        "format": Key(whole(1, 1), required=True),
        "include": Key(texts),
        "module": Key(table, required=True, inner="module"),
        "receiver": Key(table, inner="receiver"),
        "setup": Key(tables, inner="setup"),
        "programs": Key(table, inner="programs"),
        "program": Key(tables, inner="program"),
        "kit": Key(tables, inner="kit"),
        "checksum": Key(table, inner="checksum/*"),
        "map": Key(table, inner="map/*"),
        "parameter": Key(tables, inner="parameter"),
        "block": Key(tables, inner="block"),
        "question": Key(tables, inner="question"),
    },
    "module": {
        "name": Key(text, required=True),
        "maker": Key(text),
        "maker_id": Key(text),
        "family": Key(text),
        "member": Key(text),
        "version": Key(text),
        "device_ids": Key(texts),
        "voices": Key(whole(0, 100_000)),
        "channels": Key(anything),
        "drum_channels": Key(wholes(1, 16)),
        "note": Key(text),
    },
    "receiver": {
        "gap_ms": Key(whole(0, 60_000)),
        "gap_holds": Key(one_of("exclusive", "all")),
        "boot_ms": Key(whole(0, 600_000)),
        "replies": Key(truth),
        "running_status": Key(truth),
        "active_sensing": Key(truth),
    },
    "setup": {
        "line": _LINE,
        "rest_ms": Key(whole(0, 600_000)),
        "checksum": Key(text_or_texts),
        "map": Key(table),
        "note": Key(text),
        "danger": Key(text),
    },
    "programs": {"line": _LINE, "first": Key(whole(0, 1))},
    "program": {
        "number": Key(whole(0, 128), required=True),
        "name": Key(text, required=True),
        "bank": Key(wholes(0, 127)),
        "voices": Key(whole(0, 64)),
        "keys": Key(wholes(0, 127)),
        "tail_ms": Key(whole(0, 600_000)),
        "family": Key(text),
    },
    "kit": {
        "number": Key(whole(0, 128), required=True),
        "names": Key(table),
        "name": Key(text),
        "bank": Key(wholes(0, 127)),
        "exclusive": Key(anything),
        "tail_ms": Key(whole(0, 600_000)),
    },
    "checksum/*": {"rule": Key(text, required=True), "over": Key(one_of("sent", "unpacked"))},
    "map/*": {
        "of": Key(one_of("channel", "key", "device"), required=True),
        "values": Key(wholes(0, 127), required=True),
    },
    "parameter": {
        "key": Key(key, required=True),
        "line": _LINE,
        "label": Key(text),
        "section": Key(text),
        "per": Key(texts),
        "range": Key(anything),
        "default": Key(anything),
        "choices": Key(table),
        "coding": Key(text),
        "zero": Key(_NUMBER),
        "shown": Key(table, inner="shown"),
        "unit": Key(text),
        "checksum": Key(text_or_texts),
        "map": Key(table),
        "type": Key(one_of("text", "list", "mask")),
        "when": Key(table),
        "at": Key(anything),
        "route": Key(tables, inner="route"),
        "danger": Key(text),
        "from": Key(text),
        "note": Key(text),
    },
    "shown": {
        "formula": Key(text),
        "unit": Key(text),
        "digits": Key(whole(0, 9)),
    },
    "route": {
        "line": _LINE,
        "prefer": Key(truth),
        "checksum": Key(text_or_texts),
        "map": Key(table),
        "from": Key(text),
        "note": Key(text),
    },
    "block": {
        "key": Key(key, required=True),
        "line": _LINE,
        "label": Key(text),
        "request": Key(text_or_texts),
        "packing": Key(text),
        "size": Key(whole(1, 1 << 20)),
        "checksum": Key(text_or_texts),
        "request_checksum": Key(text_or_texts),
        "map": Key(table),
        "danger": Key(text),
        "from": Key(text),
    },
    "question": {
        "about": Key(text, required=True),
        "place": Key(text, required=True),
        "understood": Key(text, required=True),
        "choices": Key(table, required=True),
        "gives": Key(table),
        "takes": Key(one_of("line", "range", "default", "rule", "digits", "text")),
        "also": Key(texts),
    },
}


def name_fault(value: str) -> str:
    """Say what is wrong with the free name of a checksum or map, or return an empty string."""
    return "" if _NAME.match(value) else "a name has letters, digits, - and _, at most 64"
