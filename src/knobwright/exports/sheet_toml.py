"""A sheet as TOML text, laid out as a person would write it.

Takes the plain tree that a draft gives (or that ``tomllib`` reads) and returns the text of a
``.sheet.toml``. Comments can be given for the head of the file and before any parameter.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any

import tomlkit
from tomlkit.items import AoT, InlineTable, Table

from knobwright.core.errors import printable

#: The order in which tables and keys are written; what is not listed comes last.
ORDER = (
    "format", "include", "module", "receiver", "setup", "programs", "program", "kit",
    "checksum", "map", "parameter", "block", "question",
)  # fmt: skip

#: Keys whose tables are written in one line.
INLINE = frozenset({"shown", "choices", "map", "when", "at", "names"})
#: Tables of free names: each of their members is a table of its own.
NAMED = frozenset({"checksum", "map"})
#: From so many members on, choices and names get a table of their own.
MAX_INLINE = 12


def write_sheet(tree: Mapping[str, Any], *, head: Iterable[str] = ()) -> str:
    """Return the TOML text of a sheet.

    Strings keep every character, but what is not printable stands there as an escape: a sheet is
    read on terminals, and its names come from strangers. An empty list at the top, and an empty
    table of free names, are left out.

    Parameters
    ----------
    tree : mapping
        The sheet, as plain dicts, lists, strings, numbers.
    head : iterable of str
        Comment lines for the top of the file, with control characters written out.
    """
    document = tomlkit.document()
    for line in head:
        document.add(tomlkit.comment(printable(line)))
    for key in sorted(tree, key=_rank):
        value = tree[key]
        if key in NAMED:
            document.add(key, _named(value))
        elif isinstance(value, Mapping):
            document.add(key, _table(value))
        elif isinstance(value, list) and value and isinstance(value[0], Mapping):
            document.add(key, _tables(value))
        elif value != []:
            document.add(key, _plain(value))
    return _SUSPECT.sub(_safe, tomlkit.dumps(document))


# All strings are basic ones, where these escapes hold. A lone surrogate has none, and is left for
# the writer of the file to refuse.
_SUSPECT = re.compile(r"[^\n\x20-\x7e\w\ud800-\udfff]")


def _safe(match: re.Match[str]) -> str:
    found = match[0]
    if found.isprintable():
        return found
    return f"\\u{ord(found):04X}" if ord(found) < 0x10000 else f"\\U{ord(found):08X}"


def _rank(key: str) -> int:
    return ORDER.index(key) if key in ORDER else len(ORDER)


def _named(tables: Mapping[str, Any]) -> Table:
    outer = tomlkit.table(is_super_table=True)
    for name, table in tables.items():
        outer.add(name, _table(table))
    return outer


def _tables(rows: list[Mapping[str, Any]]) -> AoT:
    array = tomlkit.aot()
    for row in rows:
        array.append(_table(row))
    return array


def _table(values: Mapping[str, Any]) -> Table:
    table = tomlkit.table()
    inner: list[tuple[str, Any]] = []
    for key, value in values.items():
        is_rows = isinstance(value, list) and value and isinstance(value[0], Mapping)
        if isinstance(value, Mapping) and (key not in INLINE or len(value) > MAX_INLINE):
            inner.append((key, _table(value)))
        elif isinstance(value, Mapping):
            table.add(key, _inline(value))
        elif is_rows and key not in INLINE:
            inner.append((key, _tables(value)))
        else:
            table.add(key, _plain(value))
    for key, item in inner:  # sub-tables stand behind the plain keys, or TOML would swallow those
        table.add(key, item)
    return table


def _inline(values: Mapping[str, Any]) -> InlineTable:
    inline = tomlkit.inline_table()
    for key, value in values.items():
        inline.append(str(key), _plain(value))
    return inline


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return _inline(value)
    if isinstance(value, list | tuple):
        array = tomlkit.array()
        for item in value:
            array.append(_plain(item))
        return array
    return value
