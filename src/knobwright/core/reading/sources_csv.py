"""Tables with a delimiter (CSV and its relatives) to rows."""

from __future__ import annotations

from collections import Counter
from typing import Literal, NamedTuple

from knobwright.core.errors import LeafletError
from knobwright.core.reading.rows import Row
from knobwright.core.reading.sources_chars import fold
from knobwright.core.reading.sources_header import looks_like_header
from knobwright.core.reading.sources_lines import MAX_CELLS, MAX_LINE_CHARS, MAX_ROWS

DELIMITERS = "\t;,|"
_N_SNIFFED = 200  # records looked at to find the delimiter
_MAX_CELL_LINES = 30  # a quoted cell over more lines than this is a stray quote


class Record(NamedTuple):
    """One record of a table file: the line it begins on and its cells."""

    number: int
    cells: tuple[str, ...]


def records(lines: list[str], delimiter: str, name: str) -> list[Record]:
    """Return the records of cleaned lines; quoted cells may hold delimiters and line ends.

    A quote that never closes is taken as an ordinary character.

    Raises
    ------
    LeafletError
        A row of more than 1 000 cells, or a cell of more than 100 000 characters.
    """
    found = _parse(lines, delimiter, name, quoted=True)
    return found if found is not None else _parse(lines, delimiter, name, quoted=False) or []


def _parse(lines: list[str], delimiter: str, name: str, *, quoted: bool) -> list[Record] | None:
    """Return the records, or None where the quotes don't close within a sensible cell."""
    import csv

    quoting: Literal[0, 3] = csv.QUOTE_MINIMAL if quoted else csv.QUOTE_NONE
    feed = (line + "\n" for line in lines)
    reader = csv.reader(
        feed, delimiter=delimiter, quoting=quoting, strict=False, skipinitialspace=True
    )
    out: list[Record] = []
    number = 1
    try:
        for cells in reader:
            if quoted and reader.line_num - number >= _MAX_CELL_LINES:
                return None
            if len(cells) > MAX_CELLS:
                raise _too_wide(f"has {len(cells)} cells", f"{MAX_CELLS}", number, name)
            texts = tuple(fold(" ".join(cell.split())) for cell in cells)
            if any(texts):
                out.append(Record(number, texts))
            else:
                out.append(Record(number, ()))
            number = reader.line_num + 1
    except csv.Error:
        if quoted:
            return None
        raise _too_wide(
            "has a longer one", f"cells of {MAX_LINE_CHARS} characters", number, name
        ) from None
    if quoted and _is_open(lines, out):
        return None
    return out


def _is_open(lines: list[str], found: list[Record]) -> bool:
    """Return whether the last record runs on to the end because its quote never closes."""
    if not found:
        return False
    tail = "\n".join(lines[found[-1].number - 1 :])
    return tail.count('"') % 2 == 1 and found[-1].number < len(lines)


def _too_wide(found: str, most: str, number: int, name: str) -> LeafletError:
    return LeafletError(
        f"a row of a leaflet may have {most}; this one {found}",
        where=f"{name}, row {number}",
        hint="check which character parts the cells of this file",
    )


def sniff(lines: list[str], name: str) -> str:
    """Return the delimiter of a table file, or nothing where no character parts it evenly.

    The one whose most frequent number of cells (two or more) fits the largest share of rows; of
    equals the one with more cells, then the earlier of tab, semicolon, comma, bar.
    """
    best, best_score = "", (0.0, 0)
    head = lines[: _N_SNIFFED * 4]
    for delimiter in DELIMITERS:
        if not any(delimiter in line for line in head):
            continue
        try:
            sizes = [len(r.cells) for r in records(head, delimiter, name) if r.cells][:_N_SNIFFED]
        except LeafletError:
            continue
        wide = Counter(size for size in sizes if size > 1)
        if not wide:
            continue
        n_cells, n_rows = wide.most_common(1)[0]
        score = (round(n_rows / len(sizes), 1), n_cells)
        if score > best_score:
            best, best_score = delimiter, score
    return best


def table_rows(found: list[Record], name: str) -> list[Row]:
    """Return the rows of parsed records: titles as text, headers marked, empty cells kept.

    An empty record ends a table; the next header row begins another one.
    """
    if len(found) > MAX_ROWS:
        raise LeafletError(
            f"a leaflet may have {MAX_ROWS} rows; this one has {len(found)}",
            where=name,
            hint="give only the pages that hold the MIDI implementation",
        )
    rows: list[Row] = []
    header: tuple[str, ...] = ()
    table = 0
    fresh = True  # whether a header may come: at the start and after an empty record
    for index, (number, cells) in enumerate(found):
        if not cells:
            fresh = True
            continue
        if sum(map(bool, cells)) == 1 and (fresh and not header):
            rows.append(Row(0, number, tuple(filter(None, cells))))
            continue
        if fresh and looks_like_header(cells, [r.cells for r in found[index + 1 : index + 6]]):
            header = cells
            table += 1
        elif table == 0:
            table = 1
        fresh = fresh and sum(map(bool, cells)) == 1
        rows.append(Row(0, number, cells, (), "table", table, header))
    return rows
