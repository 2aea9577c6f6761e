"""Read a TOML text into a tree, and walk it by a table of keys; every fault at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from typing import Any

from knobwright.core.sheet.faults import FAULT, Fault, Findings
from knobwright.core.sheet.places import Path, longest_key
from knobwright.core.sheet.shape import Key
from knobwright.core.sheet.walk import Tree, too_large

#: Largest text in characters.
MAX_CHARACTERS = 1_000_000
_MAX_KEY_PARTS = 16
_LINE = re.compile(r"\(at line ([0-9]+)")

#: Table name to its keys.
Tables = Mapping[str, Mapping[str, Key]]


def parse(text: str, what: str) -> tuple[Tree, Fault | None]:
    """Return the tree of a TOML text, or the fault because of which it can't be read at all.

    ``what`` is what the text is, for messages: ``the surface``.
    """
    if len(text) > MAX_CHARACTERS:
        return {}, Fault(FAULT, 1, "", f"{what} is larger than {MAX_CHARACTERS:,} characters")
    if n_parts := longest_key(text, _MAX_KEY_PARTS):
        words = f"a key has {n_parts} parts; this TOML is nested too deeply to be read"
        return {}, Fault(FAULT, 1, "", words)
    try:
        return tomllib.loads(text), None
    except tomllib.TOMLDecodeError as error:
        words = str(error)
        match = _LINE.search(words)
        line = int(match[1]) if match else text.count("\n") + 1
        return {}, Fault(FAULT, line, "", f"this is not TOML: {words}")
    except (RecursionError, ValueError) as error:
        hint = "nested too deeply" if isinstance(error, RecursionError) else str(error)[:100]
        return {}, Fault(FAULT, 1, "", f"this TOML can't be read: {hint}")


def walk(tree: Tree, tables: Tables, findings: Findings) -> Tree:
    """Report every key that is unknown, missing or of the wrong kind; return the rest.

    The top level is the row ``""`` of ``tables``; a key's ``inner`` names the row of the tables
    in it.
    """
    for path, message in too_large(tree):
        findings.fault(path, message)
    return {} if findings.n_faults else _table(tree, "", (), tables, findings)


def _table(tree: Tree, name: str, path: Path, tables: Tables, findings: Findings) -> Tree:
    keys = tables[name]
    good: Tree = {}
    for key, value in tree.items():
        row = keys.get(key)
        if row is None:
            hint = findings.close(key, keys, f"known keys: {', '.join(keys)}")
            findings.fault((*path, key), f"there is no key {key!r} here", hint)
        elif wrong := row.check(value):
            findings.fault((*path, key), f"{key} {wrong}")
        else:
            good[key] = _inside(value, row, (*path, key), tables, findings)
    for key, row in keys.items():
        if row.required and key not in tree:
            findings.fault(path, f"{key!r} is missing{f' in [{name}]' if name else ''}")
    return good


def _inside(value: Any, row: Key, path: Path, tables: Tables, findings: Findings) -> Any:
    if not row.inner:
        return value
    if isinstance(value, list):
        return [
            _table(item, row.inner, (*path, i), tables, findings) for i, item in enumerate(value)
        ]
    return _table(value, row.inner, path, tables, findings)
