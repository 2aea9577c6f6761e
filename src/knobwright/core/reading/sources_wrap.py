"""Cells that are broken over two printed lines: joined where that is certain, else left alone.

A row without a first cell may continue the row above, or be a row of its own under a merged first
cell. Only what can't stand alone is joined: the rest of an exclusive message before its F7,
the data bytes of a selection that has no value yet, words after an open bracket or a comma.
"""

from __future__ import annotations

import re

from knobwright.core.reading.rows import Row

MAX_CELL_CHARS = 400
"""Longer cells are prose: they are not looked at."""

_TOKEN = re.compile(r"[^\s,;/\[\]()]+")
_BYTE = re.compile(r"(?:\$|0[xX])?([0-9A-Fa-f])([0-9A-Fa-f])[hH]?\Z")
_HALF = re.compile(r"(?:\$|0[xX])?([0-9A-Fa-f])([g-zG-Z])[hH]?\Z")
_FIELD = re.compile(
    r"[a-z]{2}[0-9*]?[hH]?\Z|[a-z][0-9hl]\Z|cs\Z|sum\Z|chk\Z|dev\Z|data\*?\Z", re.IGNORECASE
)
_SHORTENED = ("..", "\u2026")  # how makers shorten a row that begins as the one above
_TRAILING_DOTS = re.compile(r"[ ]*(?:\.{2,}|\u2026)\Z")


def join_wraps(rows: list[Row], slack: int = 0) -> list[Row]:
    """Return ``rows`` with certain continuation rows appended to the cells above them.

    Parameters
    ----------
    rows : list of Row
        Rows of one block in the order of print, with ``columns``.
    slack : int >= 0
        By how many columns the start of a continuation may differ from the cell above.
    """
    joined: list[Row] = []
    for row in rows:
        above = joined[-1] if joined else None
        merged = _merge(above, row, slack) if above is not None else None
        if merged is None:
            joined.append(row)
        else:
            joined[-1] = merged
    return joined


def _merge(above: Row, row: Row, slack: int) -> Row | None:
    """Return ``above`` with ``row`` appended, or None where that is not certain."""
    if row.kind == "heading" or above.kind == "heading" or row.kind != above.kind:
        return None
    if row.cells == row.header or above.cells == above.header or row.table != above.table:
        return None
    targets = _targets(above, row, slack)
    if not targets:
        return None
    pairs = [(above.cells[index], text) for index, text in targets]
    # One message that goes on makes the row a continuation, whatever its other cells look like.
    is_rest = any(_message_goes_on(*pair) for pair in pairs)
    if is_rest and any(is_bytes(text) and begins_message(text) for _, text in pairs):
        return None
    if not is_rest and not all(unfinished(*pair) for pair in pairs):
        return None
    cells = list(above.cells)
    for index, text in targets:
        cells[index] = glue(cells[index], text)
    return above._replace(cells=tuple(cells))


def _targets(above: Row, row: Row, slack: int) -> list[tuple[int, str]]:
    """Return (index of the cell above, text) for each cell; nothing where one has none."""
    if row.kind == "table" and len(above.cells) == len(row.cells):
        found = [(index, text) for index, text in enumerate(row.cells) if text]
        fits = not row.cells[0] and all(above.cells[index] for index, _ in found)
        return found if fits else []
    if not above.columns or not row.columns:
        return []
    first = next((at for at, cell in zip(above.columns, above.cells, strict=True) if cell), 0)
    targets: list[tuple[int, str]] = []
    for at, text in zip(row.columns, row.cells, strict=True):
        if not text:
            continue
        near = [
            index
            for index, column in enumerate(above.columns)
            if above.cells[index] and abs(column - at) <= slack
        ]
        if at <= first + slack or len(near) != 1:
            return []
        targets.append((near[0], text))
    return targets


def glue(above: str, text: str) -> str:
    """Return two parts of one cell as one text; the dots that only say "goes on" are dropped."""
    if _message_goes_on(above, text):
        above = _TRAILING_DOTS.sub("", above)
    return f"{above} {text}".strip()


def unfinished(above: str, text: str) -> bool:
    """Return whether ``above`` can't be whole and ``text`` can only be its rest."""
    if len(above) > MAX_CELL_CHARS or len(text) > MAX_CELL_CHARS:
        return False
    if text.startswith(_SHORTENED):
        return False  # shortened by its maker: a new line that begins as the row above
    if _message_goes_on(above, text):
        return True
    if is_bytes(above) or is_bytes(text):
        return False
    if above.endswith((",", "(", "/", "=", "+", "&", ":")) or above.count("(") > above.count(")"):
        return True
    return bool(re.search(r"[A-Za-z][-\u2010\u2011]\Z", above)) and text[0].islower()


def _message_goes_on(above: str, text: str) -> bool:
    """Return whether ``above`` is a message without its end and ``text`` can only be the rest."""
    if len(above) > MAX_CELL_CHARS or len(text) > MAX_CELL_CHARS or text.startswith(_SHORTENED):
        return False
    words = _TOKEN.findall(text)
    if not words or not all(_is_byte_word(word) for word in words):
        return False
    return is_bytes(above) and _bytes_go_on(above, text)


def is_bytes(text: str) -> bool:
    """Return whether every word of ``text`` is a byte, a half byte or a field of a line."""
    words = _TOKEN.findall(_TRAILING_DOTS.sub("", text))
    if not words or len(words) > MAX_CELL_CHARS // 2:
        return False
    n_bytes = sum(bool(_BYTE.match(word) or _HALF.match(word)) for word in words)
    return n_bytes > 0 and all(_is_byte_word(word) for word in words)


def _is_byte_word(word: str) -> bool:
    return bool(_BYTE.match(word) or _HALF.match(word) or _FIELD.match(word))


def _bytes_go_on(above: str, text: str) -> bool:
    """Return whether the message in ``above`` is open and ``text`` goes on with its data."""
    dotted = bool(_TRAILING_DOTS.search(above))
    words = _TOKEN.findall(_TRAILING_DOTS.sub("", above))
    after = _TOKEN.findall(text)
    if _is_status(after[0]) and _high(after[0]) != "F7":
        return False
    starts = [index for index, word in enumerate(words) if _is_status(word)]
    if not starts:
        return False
    message = words[starts[-1] :]
    head = _high(message[0])
    if head == "F0":
        return True  # no F7 yet: F7 would itself be the last status
    if head[0] != "B" or _high(after[0]) == "F7":
        return False
    n_data = len(message) - 1
    has_value = any(_FIELD.match(word) and not _BYTE.match(word) for word in message[1:])
    return n_data % 2 == 1 or (n_data > 0 and not has_value) or (dotted and n_data == 0)


def begins_message(text: str) -> bool:
    """Return whether ``text`` begins with a status byte that opens a message (F7 closes one)."""
    words = _TOKEN.findall(text[:20])
    return bool(words) and _is_status(words[0]) and _high(words[0]) != "F7"


def _is_status(word: str) -> bool:
    """Return whether ``word`` is a byte or half byte of 80 or more."""
    found = _BYTE.match(word) or _HALF.match(word)
    if found is None or _FIELD_LETTERS.match(word):
        return False
    return found.group(1) in "89ABCDEFabcdef"


_FIELD_LETTERS = re.compile(r"(?:cc|dd|ee|cs|ch|dl|dh)\Z")  # printed small they are field words


def _high(word: str) -> str:
    """Return the two characters of a byte or half byte in capitals; blanks for anything else."""
    found = _BYTE.match(word) or _HALF.match(word)
    return (found.group(1) + found.group(2)).upper() if found else "  "
