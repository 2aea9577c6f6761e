"""The shape of a leaflet: which rows are headings, which are a table's header, what each cell is.

A leaflet's rows come with cells and places only. :func:`place_rows` adds to each row the heading
it stands under and, from the table header above it, the role of each cell (``label``, ``bytes``,
``range``, ``default``, ... of :data:`~knobwright.core.reading.words.HEADER_WORDS`).
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import NamedTuple

from knobwright.core.reading.heads import (
    LIST_HEADS,
    Column,
    by_position,
    columns_of,
    with_controller,
    with_halves,
)
from knobwright.core.reading.numbers import spans
from knobwright.core.reading.rows import Leaflet, Row
from knobwright.core.reading.runs import find_runs, whole_run
from knobwright.core.reading.tokens import scan
from knobwright.core.reading.words import fold, has_word, header_role

_FOOTMARK = re.compile(r"[\s(\[]*(?:\d{1,2}|[*†‡#]{1,3})[)\]]?\s*\Z")
_ONLY_MARK = re.compile(
    r"[(\[]\s*(?:\d{1,2}|[a-z]|\*{1,3}|[*†‡])\s*[)\]]|[*†‡]{1,3}|-+ ?\d{1,3} ?-+"
)
_SENTENCE_END = re.compile(r"[.!?。][)\"'»]?\s*\Z")
_SMALL = re.compile(r"[0-9A-F]{1,3}")
_NUMBER_CELL = re.compile(r"[A-Z]|[A-Z]?\d{1,2}(?:\.\d{1,2}){0,2}[.)]?|[A-Z][.)]")
_NUMBERED_HEADING = re.compile(r"(?P<n>\d{1,2})[.)]\s+(?=[^\W\d])")
_COUNTED_HEADING = re.compile(r"(?P<word>[^\W\d_]{4,12})\s+[0-9A-F]{1,2}[^:.]{0,6}:\s+\S")
"""``Block 20: system``: another row of this form, apart from the rows above, is a heading too."""
_BRACKETED = re.compile(r"[(\[][^()\[\]]{1,60}[)\]]")
MAX_HEADING = 90


class Placed(NamedTuple):
    """A row with what its place in the leaflet says.

    ``kind`` is ``heading``, ``header``, ``data`` or ``blank``; ``roles`` and ``heads`` give for
    each cell
    its column's role and header text (empty where unknown); ``grid`` counts the tables seen so far;
    ``gap`` says that a blank row stands above.
    """

    row: Row
    row_index: int
    kind: str
    section: str
    roles: tuple[str, ...] = ()
    heads: tuple[str, ...] = ()
    grid: int = 0
    gap: bool = False

    @property
    def cells(self) -> tuple[str, ...]:
        """Return the texts of the cells."""
        return self.row.cells

    def cell(self, role: str) -> str:
        """Return the text of the first non-empty cell with this role, or nothing."""
        for cell, own in zip(self.row.cells, self.roles, strict=False):
            if own == role and cell:
                return cell
        return ""


def place_rows(leaflet: Leaflet) -> list[Placed]:
    """Return every row of the leaflet with its heading, its kind and its cells' roles."""
    return _Walker(leaflet).walk()


def strip_mark(text: str) -> str:
    """Return a heading or label without trailing colon, footnote mark or ruling."""
    text = re.sub(r"\A[o•*○●]\s+(?=\S)", "", " ".join(text.split())).strip(" :：-–—=_○●■□◆•·#")
    bare = re.sub(r"\s*(?:[(\[]\d{1,2}[)\]]|\*{1,3}\d?|[†‡])\Z", "", text)
    return bare.strip(" :：") or text


class _Walker:
    """Goes through the rows once and keeps what holds for the rows below."""

    def __init__(self, leaflet: Leaflet) -> None:
        self.rows = leaflet.rows
        self.source = leaflet.source
        self.section = ""
        self.columns: tuple[Column, ...] = ()
        self.table = 0
        self.positional = False
        self.grid = 0
        self.counted: set[str] = set()

    def walk(self) -> list[Placed]:
        out: list[Placed] = []
        previous: Row | None = None
        for index, row in enumerate(self.rows):
            gap = previous is None or row.page != previous.page or row.number != previous.number + 1
            filled = [cell for cell in row.cells if cell.strip()]
            if not filled:
                out.append(Placed(row, index, "blank", self.section))
                previous = None
                continue
            out.append(self._place(row, index, filled, gap))
            previous = row
        return out

    def _place(self, row: Row, index: int, filled: list[str], gap: bool) -> Placed:
        self._enter_table(row)
        if row.kind == "heading" or self._is_heading(index, row, filled, gap):
            marks = (_ONLY_MARK, _SMALL) if self.source == "csv" else (_ONLY_MARK,)
            text = strip_mark(
                "  ".join(
                    c
                    for k, c in enumerate(filled)
                    if not k or not any(m.fullmatch(c.strip()) for m in marks)
                )
            )
            self.section = text
            if match := _COUNTED_HEADING.match(text):
                self.counted.add(match["word"].lower())
            if self.source != "csv":
                self.columns = ()
            roles, heads = self._roles(row)
            return Placed(row, index, "heading", text, roles, heads, self.grid, gap)
        if self._is_titled_header(row, filled):
            self.section = strip_mark(
                "  ".join(filled[:2] if _NUMBER_CELL.fullmatch(filled[0]) else filled[:1])
            )
            self.columns = columns_of(row)
            self.positional = bool(row.columns)
            self.grid += 1
            return Placed(row, index, "heading", self.section, grid=self.grid, gap=gap)
        if self._is_header(row, filled):
            self.columns = with_halves(columns_of(row), self.section)
            self.positional = bool(row.columns)
            self.grid += 1
            return Placed(row, index, "header", self.section, grid=self.grid, gap=gap)
        roles, heads = self._roles(row)
        return Placed(row, index, "data", self.section, roles, heads, self.grid, gap)

    def _enter_table(self, row: Row) -> None:
        """Take the header that the source itself marked, when a new table begins."""
        if row.table == self.table:
            return
        self.table = row.table
        if row.table and row.header and row.header != row.cells and _names_columns(row.header):
            self.grid += 1
            self.columns = with_controller(
                tuple(
                    Column(text, header_role(text), k, k + 1) for k, text in enumerate(row.header)
                )
            )
            self.positional = False
        elif (row.table and row.header) or self.source == "markdown":
            self.columns = ()

    def _is_heading(self, index: int, row: Row, filled: list[str], gap: bool) -> bool:
        """Return whether a row of text is a heading by its look."""
        if row.kind == "table" and self.source not in ("csv", "pdf"):
            return False
        rest = [cell for cell in filled[1:] if not _ONLY_MARK.fullmatch(cell.strip())]
        text = filled[0].strip()
        if len(rest) == 1 and _BRACKETED.fullmatch(rest[0]) and _NUMBERED_HEADING.match(text):
            rest = []
        if self.source == "csv" and rest and all(_SMALL.fullmatch(cell.strip()) for cell in rest):
            roles, _ = self._roles(row)
            rest = (
                []
                if {r for r, c in zip(roles, row.cells, strict=True) if c.strip()}
                <= {"", "hex", "dec"}
                else rest
            )
        if rest and re.fullmatch(r"[A-Z]?\d{0,2}(?:\.\d{1,2}){0,3}[.)]?", text) and len(rest) == 1:
            text, rest = f"{text} {rest[0]}", []
        if rest or len(text) > MAX_HEADING or not any(c.isalpha() for c in text):
            return False
        if row.kind == "table" and not row.cells[0].strip():
            return self._heads_numbered(index, row)
        shaped = self.source == "csv" and re.fullmatch(r"[^()]{2,40}\([^()]*\)", text)
        if (
            _SENTENCE_END.search(text)
            or ("=" in text and not shaped)
            or text[0] in "(*-–.…"
            or text.endswith(",")
        ):
            return False
        shaped = self.source == "csv" and re.fullmatch(r"[^()]{2,40}\([^()]*\)", text)
        if (
            (find_runs(text) and not shaped)
            or whole_run(text)
            or (spans(text)[:1] and spans(text)[0].is_range and spans(text)[0].start < 3)
        ):
            return False
        if text.endswith((":", "：")) and (text.count(" ") > 7 or self.source == "markdown"):
            return False
        if row.columns and row.columns[0] > 16 and not gap and self.source == "text":
            return False
        counted = _COUNTED_HEADING.match(text) if gap and text.count(" ") <= 8 else None
        if counted and counted["word"].lower() in self.counted:
            return True
        return self._is_next_number(text, gap) or self._leads(index, text, gap)

    def _heads_numbered(self, index: int, row: Row) -> bool:
        """Return whether a name alone in the second column stands above a row that is numbered in
        the first: a heading inside a table of numbered rows."""
        following = self.rows[index + 1] if index + 1 < len(self.rows) else None
        return (
            self.source == "csv"
            and following is not None
            and len(row.cells) > 1
            and bool(row.cells[1].strip())
            and following.cells[0].strip().isdigit()
            and any(following.cells[1:])
        )

    def _is_next_number(self, text: str, gap: bool) -> bool:
        """Return whether a row goes on with the headings' numbers: ``4. Global`` after ``3.``"""
        match = _NUMBERED_HEADING.match(text)
        above = _NUMBERED_HEADING.match(self.section)
        return bool(
            gap
            and match
            and above
            and text.count(" ") <= 12
            and int(match["n"]) == int(above["n"]) + 1
        )

    def _leads(self, index: int, text: str, gap: bool) -> bool:
        """Return whether what follows a short line looks like the matter under a heading."""
        n_blanks = text.count(" ")
        if self.source == "csv":
            return n_blanks <= 12
        following = self.rows[index + 1] if index + 1 < len(self.rows) else None
        if following is None:
            return False
        here = self.rows[index]
        apart = following.number > here.number + 1 or following.page != here.page
        if apart and gap and re.match(r"\d{1,2}(?:\.\d{1,2})*[.)]?\s+\S", text):
            return n_blanks <= 14
        cells = [c for c in following.cells if c]
        if not apart:
            leads = len(cells) > 1 or text.isupper()
            leads = leads or is_numbered(following.text)
            names_list = not text[0].isdigit() and has_word(fold(text), LIST_HEADS)
            if names_list and _LIST_ROW.match(following.text):
                return n_blanks <= 4
            leads = leads and (
                bool(find_runs(following.text))
                or self._is_header(following, cells)
                or (is_numbered(following.text) and not is_numbered(text))
            )
            return leads and n_blanks <= 8
        return n_blanks <= 10 and (gap or text.isupper() or self.source == "pdf")

    def _is_header(self, row: Row, filled: list[str]) -> bool:
        """Return whether the row's cells are the names of columns."""
        if len(filled) < 2 or any(len(cell) > 50 for cell in filled) or not _names_columns(filled):
            return False
        if row.header and row.cells == row.header:
            return True
        if row.kind == "table" and self.source == "markdown":
            return False
        roles = [header_role(cell) for cell in filled]
        if sum(1 for role in roles if role) < max(2, (len(filled) * 3 + 4) // 5):
            return False
        if len(set(roles)) < 2 and not all(role == "bytes" for role in roles):
            return False
        return not any(_SENTENCE_END.search(cell) and len(cell) > 8 for cell in filled)

    def _is_titled_header(self, row: Row, filled: list[str]) -> bool:
        """Return whether a heading and the names of columns are printed in one row."""
        n_title = 2 if _NUMBER_CELL.fullmatch(filled[0]) else 1
        rest = filled[n_title:]
        if not rest or len(filled[n_title - 1]) > MAX_HEADING or not _names_columns(filled):
            return False
        if n_title == 1 and (
            not (filled[0].isupper() and len(filled[0]) > 4) or header_role(filled[0])
        ):
            return False
        return all(
            header_role(c) in ("range", "default", "unit", "note", "bytes", "size") and len(c) < 24
            for c in rest
        )

    def _roles(self, row: Row) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Return role and header text of each cell, by column number or by position."""
        if not self.columns:
            return ("",) * len(row.cells), ("",) * len(row.cells)
        if not (self.positional and row.columns):
            pairs = [
                (self.columns[k].role, self.columns[k].text) if k < len(self.columns) else ("", "")
                for k in range(len(row.cells))
            ]
        else:
            pairs = by_position(row, self.columns)
        return tuple(role for role, _ in pairs), tuple(text for _, text in pairs)


_NUMBERED = re.compile(
    r"\W*(?:cc|ctrl|ctl|controller|control change|controleur|controlador|regler|nrpn|rpn)"
    r"\s*(?:#|no\.?|nr\.?)?\s*(?:msb\s*)?[:=]?\s*(?P<n>(?:\$|0x)?\d[0-9a-f]{0,3}h?)(?![0-9a-z])"
)
_LIST_ROW = re.compile(r"\s*[0-9][0-9A-F]{0,2}[hH]?\s+[^\W\d]")
_IN_HEADERS = ("0", "32", "6", "38", "98", "99", "100", "101")


def is_numbered(text: str) -> bool:
    """Return whether a text begins with a controller or parameter number: ``CC 7``, ``NRPN 1/32``.

    The controllers that select and enter parameters are left out: they also head columns.
    """
    match = _NUMBERED.match(fold(text[:80]))
    return match is not None and match["n"] not in _IN_HEADERS


def _names_columns(cells: Sequence[str]) -> bool:
    """Return whether none of the cells holds bytes, values or ranges: they can name columns."""
    for cell in cells:
        if not cell.strip():
            continue
        if is_numbered(cell):
            return False
        if "," in cell and any(c.isdigit() for c in cell):
            return False
        if "=" in cell or find_runs(cell) or any(s.is_range for s in spans(cell)):
            return False
        toks = scan(cell)
        if (
            cell == cells[0]
            and len(toks) > 1
            and all(t.kind == "twin" or (t.kind == "field" and len(t.word) == 2) for t in toks)
        ):
            return False
        if any(
            tok.kind in ("byte", "half", "wide") and tok.sure and len(tok.text) > 2 for tok in toks
        ):
            return False
    return any(not any(c.isdigit() for c in cell) for cell in cells if cell.strip())


_RECEIVED = ("recogn", "receive", "erkannt", "empf", "recu", "recib", "recon", "ricev", "ontv")


def received(placed: Placed) -> str:
    """Return the cell of an implementation chart that says whether a message is received."""
    for cell, head in zip(placed.row.cells, placed.heads, strict=False):
        if fold(head).startswith(_RECEIVED):
            return cell.strip()
    return ""


def not_received(placed: Placed) -> bool:
    """Return whether an implementation chart says that a message is not received (``x``)."""
    return fold(received(placed)) in ("x", "no", "×", "nein", "non", "-")


def is_data_word(text: str) -> bool:
    """Return whether a cell is only a dash or blank: nothing printed on purpose."""
    return fold(text).strip(" .") in ("", "-", "--", "---", "–", "—", "n/a", "none", "/")
