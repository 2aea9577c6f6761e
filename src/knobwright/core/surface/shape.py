"""Which keys the tables of a surface have, and what kind of value each takes.

To add a key, add a row here, read it in ``build.py`` and describe it in
``docs/reference/surface.md``.
"""

from __future__ import annotations

from knobwright.core.sheet.shape import (
    Key,
    anything,
    key,
    one_of,
    table,
    tables,
    text,
    text_or_texts,
    truth,
    whole,
)
from knobwright.core.surface.kinds import ACTIONS, KINDS
from knobwright.core.surface.relative import RELATIVE

_RAW = whole(0, (1 << 32) - 1)

#: Table name to its keys.
TABLES: dict[str, dict[str, Key]] = {
    "": {
        "format": Key(whole(1, 1), required=True),
        "surface": Key(table, required=True, inner="surface"),
        "control": Key(tables, required=True, inner="control"),
    },
    "surface": {"name": Key(text, required=True), "maker": Key(text), "note": Key(text)},
    "control": {
        "name": Key(key, required=True),
        "label": Key(text),
        "kind": Key(one_of(*KINDS), required=True),
        "sends": Key(text_or_texts),
        "release": Key(text),
        "channels": Key(anything),
        "range": Key(anything),
        "relative": Key(one_of(*RELATIVE)),
        "reverse": Key(truth),
        "acceleration": Key(anything),
        "action": Key(one_of(*ACTIONS)),
        "path": Key(text),
        "numbers": Key(anything),
        "echo": Key(anything),
        "shows": Key(anything),
        "follows": Key(truth),
        "on": Key(_RAW),
        "off": Key(_RAW),
        "note": Key(text),
    },
}
