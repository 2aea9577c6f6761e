"""Where each key of a TOML text stands: key path to line number.

The scanner reads only as much TOML as it takes to follow headers, keys, strings and brackets.
It runs once over the text and never fails: what it can't follow gets the line of the table above.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

#: A path into the tree: table names, keys, and numbers of entries in arrays of tables.
Path = tuple[str | int, ...]

_PART = r"""(?:"(?:[^"\\\n]|\\.)*"|'[^'\n]*'|[A-Za-z0-9_-]+)"""
_DOTTED = rf"[ \t]*{_PART}(?:[ \t]*\.[ \t]*{_PART})*[ \t]*"
_HEADER = re.compile(rf"[ \t]*(\[\[?)({_DOTTED})\]")
_KEY = re.compile(rf"({_DOTTED})=")
_KEY_PART = re.compile(rf"[ \t]*({_PART})[ \t]*(?:\.|\Z)")
_INLINE = re.compile(rf"[{{,][ \t]*({_PART})[ \t]*=")

# Strings as wholes, so that what stands in them is not taken for syntax. One that is not closed
# runs to the end of its line or text: looking for its end again and again would take minutes.
_STRINGS = (
    r'''"""(?:[^"\\]|\\[\s\S]|"{1,2}(?!"))*+(?:"{3,5})?|'''
    r"""'''(?:[^']|'{1,2}(?!'))*+(?:'{3,5})?|"""
    r""""(?:[^"\\\n]|\\.)*+"?|'[^'\n]*+'?"""
)
# One piece of a value.
_PIECE = re.compile(
    rf"""{_STRINGS}|#[^\n]*|(?P<open>[\[{{])|(?P<close>[\]}}])|(?P<comma>,)|(?P<end>\n)|"""
    r"""[^"'#\[\]{},\n]+"""
)
# One piece of a whole text: a dotted key, a string, a comment, or what is between.
_RUN = re.compile(
    rf"""(?!\"{{3}}|'{{3}})(?P<run>{_DOTTED})|{_STRINGS}|#[^\n]*|[^"'#A-Za-z0-9_\-]+"""
)


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
        counts: dict[Path, int] = {}
        table: Path = ()
        number = 1  # only \n ends a line of TOML, whatever str.splitlines() thinks
        at = 0
        while at < len(text):
            end = text.find("\n", at)
            end = len(text) if end < 0 else end
            if match := _HEADER.match(text, at, end):
                table = self._header(match, number, counts)
            elif match := _KEY.match(text, at, end):
                path = table + tuple(_key_parts(match[1]))
                self._lines.setdefault(path, number)
                end, number = self._value(text, match.end(), number, path)
            at = end + 1
            number += 1

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

    def _value(self, text: str, at: int, number: int, path: Path) -> tuple[int, int]:
        """Skip a value that may span lines; return the place and number of the line's end."""
        depth = 0
        while match := _PIECE.match(text, at):
            at = match.end()
            if match["open"] or (depth and match["comma"]):
                self._inner(text, match.start(), number, path)
            if match["open"]:
                depth += 1
            elif match["close"]:
                depth -= 1
            elif match["end"]:
                if depth <= 0:
                    return at - 1, number
                number += 1
            else:
                number += match[0].count("\n")
        return len(text), number

    def _inner(self, text: str, at: int, number: int, path: Path) -> None:
        """Note the line of a key of an inline table; ``text[at]`` is ``{`` or ``,``."""
        if match := _INLINE.match(text, at):
            self._lines.setdefault((*path, _bare(match[1])), number)


def longest_key(text: str, limit: int) -> int:
    """Return the number of parts of the first dotted key with more than ``limit`` parts, or 0.

    Reading a key takes a time that grows with the square of its parts, so a stranger's text is
    looked at before it is read. What stands in comments and long strings is passed over.
    """
    if all(line.count(".") < limit for line in text.split("\n")):
        return 0
    for match in _RUN.finditer(text):
        n_parts = sum(1 for _ in _key_parts(match["run"] or ""))
        if n_parts > limit:
            return n_parts
    return 0


def _key_parts(text: str) -> Iterator[str]:
    for match in _KEY_PART.finditer(text):
        yield _bare(match[1])


def _bare(part: str) -> str:
    return part[1:-1] if part[:1] in "\"'" else part
