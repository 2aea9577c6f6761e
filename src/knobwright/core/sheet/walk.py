"""Walk the parsed TOML of a sheet: unknown keys, missing keys, wrong kinds, all at once."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from knobwright.core.sheet.faults import Findings
from knobwright.core.sheet.places import Path
from knobwright.core.sheet.shape import TABLES, Key, name_fault

#: A parsed TOML table.
Tree = dict[str, Any]

#: How deep values may stand in each other; the format itself needs six.
MAX_DEPTH = 24


def walk(tree: Tree, findings: Findings) -> Tree:
    """Report every key that is unknown, missing or of the wrong kind.

    Returns
    -------
    dict
        The tree without what was faulty, so that the rest can be looked at further.
    """
    for path, message in too_large(tree):
        findings.fault(path, message)
    return {} if findings.n_faults else _table(tree, "", (), findings)


def too_large(tree: Tree) -> Iterator[tuple[Path, str]]:
    """Yield what no sheet needs: values nested very deeply, and numbers of more than 64 bits.

    TOML 1.0 asks for 64 bits; anything above could not even be printed in a message.
    """
    todo: list[tuple[Path, Any]] = [((), tree)]
    while todo:
        path, value = todo.pop()
        if isinstance(value, int) and not -(2**63) <= value < 2**63:
            yield path, "a whole number has at most 64 bits"
        elif isinstance(value, dict | list) and len(path) > MAX_DEPTH:
            yield path[:MAX_DEPTH], f"tables and lists stand in each other {MAX_DEPTH} deep at most"
        elif isinstance(value, dict):
            todo += (((*path, key), inner) for key, inner in value.items())
        elif isinstance(value, list):
            todo += (((*path, i), inner) for i, inner in enumerate(value))


def _table(tree: Tree, name: str, path: Path, findings: Findings) -> Tree:
    keys = TABLES[name]
    good: Tree = {}
    for key, value in tree.items():
        row = keys.get(key)
        if row is None:
            hint = findings.close(key, keys, f"known keys: {', '.join(keys)}")
            findings.fault((*path, key), f"there is no key {key!r} here", hint)
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


def _here(name: str) -> str:
    return f" in [{name.rstrip('/*')}]" if name else ""
