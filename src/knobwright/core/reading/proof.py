"""The last look at a draft: the codec's own check, so that no line stands in it that can't be used.

What the check finds fault with leaves the draft and is asked about instead.
"""

from __future__ import annotations

import json
import re

from knobwright.core.codec.check import check_sheet
from knobwright.core.reading.found import Tree

_BARE = re.compile(r"[A-Za-z0-9_-]+\Z")


def faults_of(tree: Tree) -> dict[int, str]:
    """Return what the check finds wrong, by the number of the parameter that it is about (-1:
    none).

    A clash is reported for every parameter that it names.
    """
    text, starts = _write(tree)
    checked = check_sheet(text)
    found: dict[int, str] = {}
    blocks = {b["key"] for b in tree.get("block", [])}
    keys = [p["key"] for p in tree.get("parameter", [])]
    index = {key: k for k, key in enumerate(keys)}
    for fault in checked.faults:
        at = max((k for k, line in enumerate(starts) if line <= fault.line), default=-1)
        if fault.about in blocks and fault.about not in index:
            found.setdefault(-2, fault.about)
            continue
        if fault.about in index:
            at = index[fault.about]
        found.setdefault(at, fault.message)
        if "no receiver could tell" in fault.message:
            for word in fault.message.split():
                if word.strip(":,") in index:
                    found.setdefault(index[word.strip(":,")], fault.message)
    return found


def _write(tree: Tree) -> tuple[str, list[int]]:
    """Return the tree as plain TOML and the line at which each parameter begins."""
    lines: list[str] = []
    starts: list[int] = []
    lines.extend(
        f"{key} = {_value(value)}"
        for key, value in tree.items()
        if not isinstance(value, (dict, list))
    )
    for name, value in tree.items():
        if isinstance(value, dict):
            _table(lines, f"[{name}]", value)
        elif isinstance(value, list) and value and isinstance(value[0], dict):
            for row in value:
                if name == "parameter":
                    starts.append(len(lines) + 1)
                _table(lines, f"[[{name}]]", row)
    return "\n".join(lines) + "\n", starts


def _table(lines: list[str], head: str, table: Tree) -> None:
    lines.append(head)
    lines.extend(f"{_key(key)} = {_value(value)}" for key, value in table.items())


def _key(key: str) -> str:
    return key if _BARE.match(key) else _text(key)


def _text(text: str) -> str:
    """Return a TOML basic string."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: object) -> str:
    """Return a value in TOML, tables inline."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return str(value)
    if isinstance(value, dict):
        return "{" + ", ".join(f"{_key(str(k))} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return _text(str(value))
