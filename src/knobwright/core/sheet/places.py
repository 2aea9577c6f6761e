"""Where each key of a TOML text stands: key path to line number.

The scanner reads only as much TOML as it takes to follow headers, keys, strings and brackets.
It runs once over the text and never fails: what it can't follow gets the line of the table above.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

#: A path into the tree: table names, keys, and numbers of entries in arrays of tables.
Path = tuple[str | int, ...]

_HEADER = re.compile(r"\s*(\[\[?)([^\[\]]+)\]\]?")
_KEY = re.compile(
    r"""\s*((?:"[^"\n]*"|'[^'\n]*'|[A-Za-z0-9_-]+)(?:\s*\.\s*(?:"[^"\n]*"|'[^'\n]*'|[A-Za-z0-9_-]+))*)\s*="""
)
_KEY_PART = re.compile(r"""\s*("[^"\n]*"|'[^'\n]*'|[A-Za-z0-9_-]+)\s*(?:\.|$)""")
_INLINE = re.compile(r"""[{,]\s*("[^"\n]*"|'[^'\n]*'|[A-Za-z0-9_-]+)\s*=""")


class Places:
    """Line numbers (from 1) of the key paths of one TOML text."""

    def __init__(self, text: str) -> None:
        self._lines: dict[Path, int] = {(): 1}
        self._scan(text)

    def line(self, path: Path) -> int:
        """Return the line of a path, or of the nearest thing above it."""
        while path and path not in self._lines:
            path = path[:-1]
        return self._lines[path]

    def _scan(self, text: str) -> None:
        lines = text.splitlines()
        counts: dict[Path, int] = {}
        table: Path = ()
        number = 0
        while number < len(lines):
            line = lines[number]
            number += 1
            if match := _HEADER.match(line):
                table = self._header(match, number, counts)
            elif match := _KEY.match(line):
                path = table + tuple(_key_parts(match[1]))
                self._lines.setdefault(path, number)
                number = self._value(lines, number - 1, match.end(), path)

    def _header(self, match: re.Match[str], number: int, counts: dict[Path, int]) -> Path:
        path: Path = ()
        parts = list(_key_parts(match[2]))
        for part in parts[:-1]:
            path = (*path, part)
            if path in counts:
                path = (*path, counts[path] - 1)
        path = (*path, parts[-1]) if parts else path
        if match[1] == "[[":
            counts[path] = counts.get(path, 0) + 1
            self._lines.setdefault(path, number)
            path = (*path, counts[path] - 1)
            # a new entry starts its own inner arrays of tables again from 0
        self._lines.setdefault(path, number)
        return path

    def _value(self, lines: list[str], index: int, column: int, path: Path) -> int:
        """Skip a value that may span lines; return the number of the line after it."""
        depth = 0
        while index < len(lines):
            line = lines[index]
            for match in _INLINE.finditer(line):
                self._lines.setdefault((*path, _bare(match[1])), index + 1)
            while column < len(line):
                char = line[column]
                if char == "#":
                    break
                if char in "\"'":
                    index, column = _skip_string(lines, index, column)
                    line = lines[index] if index < len(lines) else ""
                    continue
                depth += (char in "[{") - (char in "]}")
                column += 1
            index += 1
            column = 0
            if depth <= 0:
                break
        return index


def _skip_string(lines: list[str], index: int, column: int) -> tuple[int, int]:
    """Return the place just behind the string that starts at ``lines[index][column]``."""
    quote = lines[index][column]
    triple = quote * 3
    if lines[index].startswith(triple, column):
        column += 3
        while index < len(lines):
            end = lines[index].find(triple, column)
            if end >= 0:
                return index, end + 3
            index, column = index + 1, 0
        return index, 0
    line = lines[index]
    column += 1
    while column < len(line):
        if line[column] == "\\" and quote == '"':
            column += 2
        elif line[column] == quote:
            return index, column + 1
        else:
            column += 1
    return index, len(line)


def _key_parts(text: str) -> Iterator[str]:
    for match in _KEY_PART.finditer(text):
        yield _bare(match[1])


def _bare(part: str) -> str:
    return part[1:-1] if part[:1] in "\"'" else part
