"""Walk the parsed TOML of a sheet: unknown keys, missing keys, wrong kinds, all at once."""

from __future__ import annotations

from difflib import get_close_matches
from typing import Any

from knobwright.core.sheet.faults import Findings
from knobwright.core.sheet.places import Path
from knobwright.core.sheet.shape import TABLES, Key, name_fault

#: A parsed TOML table.
Tree = dict[str, Any]


def walk(tree: Tree, findings: Findings) -> Tree:
    """Report every key that is unknown, missing or of the wrong kind.

    Returns
    -------
    dict
        The tree without what was faulty, so that the rest can be looked at further.
    """
    return _table(tree, "", (), findings)


def _table(tree: Tree, name: str, path: Path, findings: Findings) -> Tree:
    keys = TABLES[name]
    good: Tree = {}
    for key, value in tree.items():
        row = keys.get(key)
        if row is None:
            findings.fault((*path, key), f"there is no key {key!r} here", _advice(key, keys))
        elif wrong := row.check(value):
            findings.fault((*path, key), f"{key} {wrong}")
        else:
            good[key] = _inside(value, row, (*path, key), findings)
    for key, row in keys.items():
        if row.required and key not in tree:
            findings.fault(path, f"{key!r} is missing{_here(name)}")
    return good


def _inside(value: Any, row: Key, path: Path, findings: Findings) -> Any:
    if not row.inner:
        return value
    if isinstance(value, list):
        return [_table(item, row.inner, (*path, i), findings) for i, item in enumerate(value)]
    if not row.inner.endswith("/*"):
        return _table(value, row.inner, path, findings)
    good: Tree = {}
    for name, inner in value.items():
        if wrong := name_fault(name):
            findings.fault((*path, name), wrong)
        elif not isinstance(inner, dict):
            findings.fault((*path, name), f"{name} must be a table")
        else:
            good[name] = _table(inner, row.inner, (*path, name), findings)
    return good


def _advice(key: str, keys: dict[str, Key]) -> str:
    close = get_close_matches(key.lower(), keys, n=1, cutoff=0.55)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"known keys: {', '.join(keys)}"


def _here(name: str) -> str:
    return f" in [{name.rstrip('/*')}]" if name else ""
