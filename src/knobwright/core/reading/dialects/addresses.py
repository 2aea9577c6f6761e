"""Address tables: ``30 05 | Hall time | 00-7F``, with the shape of the message printed once
elsewhere.

The shape is an exclusive message with address fields (``F0 7D dev 42 aa bb vv cs F7``); a row's
address
takes their place. A row that needs two data bytes says so, or its range does.
"""

from __future__ import annotations

import re

from knobwright.core.reading.context import Context
from knobwright.core.reading.dialects.bytelines import describe
from knobwright.core.reading.digits import read_number
from knobwright.core.reading.found import Found, field, fixed, slip
from knobwright.core.reading.halves import half_fields
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.numbers import DEC, HEX, spans
from knobwright.core.reading.runs import Run, whole_run
from knobwright.core.reading.tokens import Tok, scan
from knobwright.core.reading.words import fold, has_word

_IN_WORDS = re.compile(
    r"\b(?:address|adresse|addr\.?|adr\.?|dirección|direccion|indirizzo|"
    r"adres)\s*[:=]?\s*(?P<bytes>(?:(?:\$|0x)?[0-9A-Fa-f]"
    r"[0-9A-Za-z][Hh]?[ ,/]{0,2}){1,4})",
    re.I,
)
_NUMBER_WORDS = (
    ("one", 1),
    ("two", 2),
    ("three", 3),
    ("four", 4),
    ("six", 6),
    ("eight", 8),
    ("ten", 10),
    ("twelve", 12),
    ("sixteen", 16),
    ("ein", 1),
    ("zwei", 2),
    ("drei", 3),
    ("vier", 4),
    ("acht", 8),
    ("zehn", 10),
    ("zwolf", 12),
    ("deux", 2),
    ("trois", 3),
    ("quatre", 4),
    ("huit", 8),
    ("dix", 10),
    ("douze", 12),
    ("dos", 2),
    ("tres", 3),
    ("cuatro", 4),
    ("ocho", 8),
    ("diez", 10),
    ("doce", 12),
    ("due", 2),
    ("otto", 8),
    ("dieci", 10),
    ("dodici", 12),
    ("twee", 2),
    ("drie", 3),
    ("tien", 10),
    ("twaalf", 12),
)
_N_BYTES = re.compile(
    r"\b(?P<n>\d{1,3}|[a-z]{2,8})\s+(?:data\s*|daten-?|wert-?)?(?:bytes?|octets?|zeichen|"
    r"characters?|"
    r"caracteres|caracteres|caratteri|letters|ascii)\b"
)
HALF_BYTES = (
    "half byte",
    "nibble",
    "halbbyte",
    "demi-octet",
    "medio byte",
    "mezzo byte",
    "halve byte",
)
TEXT_WORDS = (
    "ascii",
    "character",
    "zeichen",
    "caracter",
    "caratter",
    "letters",
    "text",
    "name",
    "moji",
)


def read(placed: Placed, context: Context) -> list[Found]:
    """Return the parameter that a row of an address table sets."""
    if not context.shapes:
        return []
    found = _address_cell(placed, context)
    if found is None:
        return []
    address, used, shape, (first, last) = found
    text = "   ".join(placed.cells)
    cuts, begin = [], 0
    for cell in placed.cells:
        cuts.append((begin, begin + len(cell)))
        begin += len(cell) + 3
    start = cuts[used][0]
    label, texts, prose = describe(placed, text, cuts, [(start + first, start + last)], context)
    if prose:
        return []
    halves = half_fields(placed, texts, context)
    if halves is not None:
        data, texts = halves
    else:
        data = _data_fields(placed, texts, context, shape)
    toks = _fill(shape, address, data)
    at = shape_address(shape)
    where = f"address {at[0]}" if at else ""
    return [
        Found(
            label,
            placed.section,
            placed.row.place,
            placed.row_index,
            toks,
            texts,
            "address",
            shape=where,
        )
    ]


def _address_cell(
    placed: Placed, context: Context
) -> tuple[tuple[Tok, ...], int, Found, tuple[int, int]] | None:
    """Return the bytes of the row's address, its cell and the shape that they fit."""
    named = _named_cells(placed, context)
    for k in named or range(min(2, len(placed.cells))):
        cell = placed.cells[k]
        single = single_number(placed, k, context) if named else None
        run = Run((single,), 0, len(cell)) if single is not None else whole_run(cell)
        if run is None and named:
            run = _decimals(cell) if context.number_base(placed.section) == DEC else _leading(cell)
        if run is None:
            continue
        toks = _as_hex(run.toks, placed, context)
        if any(t.kind == "byte" and t.value > 0x7F for t in toks):
            continue
        shape = _shape_for(placed, len(toks), context, bool(named))
        if shape is None:
            continue
        if len(toks) == 1 and len(shape_address(shape)) == 2:
            first = context.heading_numbers.get(placed.section)
            if first is None:
                continue
            toks = (first, *toks)
        return toks, k, shape, (run.start, run.end)
    return None


def _named_cells(placed: Placed, context: Context) -> list[int]:
    """Return the cells of the address: by header, by the field's own name, or number columns."""
    filled = [k for k, c in enumerate(placed.cells) if c.strip() and k < len(placed.roles)]
    named = [k for k in filled if placed.roles[k] == "address"]
    if named:
        return named
    words = {t.word for f, _ in context.shapes for t in f.toks if t.kind in ("field", "twin")}
    named = [k for k in filled if fold(placed.heads[k]) in words and placed.roles[k] == ""]
    numbers = [k for k in named if single_number(placed, k, context) is not None]
    if numbers:
        return numbers[:1]
    plain = [k for k in filled if fold(placed.heads[k]).strip(" .") in ("dec", "hex", "decimal")]
    return [k for k in plain if single_number(placed, k, context) is not None][:1]


_NUMBER_CELL = re.compile(r"(?:\$|0x)?[0-9A-Fa-f]{1,2}[hH]?|\d{1,3}")


def single_number(placed: Placed, k: int, context: Context) -> Tok | None:
    """Return a cell's one number as a byte; a column beside it in the other base must agree.

    None where the cell holds anything but one number; a slip where the number is not certain.
    """
    text = placed.cells[k].strip()
    if not _NUMBER_CELL.fullmatch(text):
        return None
    readings = _readings(text, placed.roles[k], context.number_base(placed.section))
    for j, role in enumerate(placed.roles):
        other = placed.cells[j].strip()
        plain = fold(placed.heads[j]).strip(" .") in ("dec", "hex", "decimal")
        if j != k and role in ("hex", "dec") and plain and _NUMBER_CELL.fullmatch(other):
            readings &= _readings(other, role, "")
            text = f"{text} / {other}"
    if len(readings) == 1 and (value := next(iter(readings))) < 128:
        return fixed(value)
    return slip(text)


def _readings(text: str, role: str, base: str) -> set[int]:
    """Return the values that a printed number may have."""
    digits = text.lstrip("$").removeprefix("0x").rstrip("hH")
    marked = digits != text
    if role == "hex" or marked or not digits.isdigit() or (base == HEX and role != "dec"):
        return {int(digits, 16)}
    if role == "dec" or base == DEC or int(digits) < 10 or len(digits) == 3:
        return {int(digits)}
    return {int(digits), int(digits, 16)}


def _decimals(cell: str) -> Run | None:
    """Return a cell of decimal numbers as bytes; a number beyond seven bits is no byte."""
    words = cell.split()
    if not words or not all(w.isdigit() and len(w) <= 3 for w in words):
        return None
    return Run(tuple(read_number(w, DEC).tok for w in words), 0, len(cell))


def _leading(cell: str) -> Run | None:
    """Return the bytes at the front of an address cell in which a name follows them."""
    toks = []
    for tok in scan(cell):
        if not tok.is_byte_like or (tok.kind == "field" and len(tok.text) > 2):
            break
        toks.append(tok)
    if len(toks) < 2 or toks[0].kind not in ("byte", "half"):
        return None
    return Run(tuple(toks), toks[0].start, toks[-1].end)


def _as_hex(toks: tuple[Tok, ...], placed: Placed, context: Context) -> tuple[Tok, ...]:
    """Return an address of plain digit pairs as hexadecimal bytes, unless the leaflet calls such
    numbers decimal."""
    if any(len(t.text) != 2 for t in toks):
        return toks
    if context.number_base(placed.section) == DEC and context.bytes_base(placed.section) != HEX:
        return tuple(
            read_number(t.text, DEC).tok if t.kind == "byte" and not t.sure else t for t in toks
        )
    if len(toks) == 1 and toks[0].kind == "byte" and not toks[0].sure and toks[0].value > 9:
        head = next(
            (h for h, r in zip(placed.heads, placed.roles, strict=False) if r == "address"), ""
        )
        if context.base_of(placed, head, "address") != HEX:
            return (slip(toks[0].text),)
    return tuple(fixed(t.value) if t.kind == "byte" else t for t in toks)


def _shape_for(placed: Placed, n_bytes: int, context: Context, named: bool) -> Found | None:
    """Return the nearest shape above the row whose address has as many bytes; a named column takes
    any."""
    above = [f for f, _ in context.shapes if f.row_index <= placed.row_index] or [
        f for f, _ in context.shapes
    ]
    built = {id(f): b for f, b in context.shapes}
    numbered = placed.section in context.heading_numbers and n_bytes == 1
    for found in reversed(above):
        n_address = len(built[id(found)].address_at)
        if n_address == n_bytes or (numbered and n_address == 2):
            return found
    return above[-1] if named and above else None


def _fill(shape: Found, address: tuple[Tok, ...], data: list[Tok]) -> tuple[Tok, ...]:
    """Return the shape's bytes with the address and the data fields put in."""
    from knobwright.core.reading.messages import settle

    settled, _ = settle(shape.toks)
    cells = [k for k, t in enumerate(settled) if k in shape_address(shape)]
    apart = bool(cells) and cells[-1] - cells[0] != len(cells) - 1
    n_values = len(shape.shape.split("|")[1].split(",")) if "|" in shape.shape else 0
    keeps = n_values > 1 and len(data) == 1
    out: list[Tok] = []
    for k, tok in enumerate(settled):
        if k in cells:
            if apart and len(address) == len(cells):
                out.append(address[cells.index(k)])
            elif k == cells[0]:
                out.extend(address if len(address) == len(cells) else (*address, slip("(address)")))
            continue
        if keeps and _is_value_cell(shape, k):
            out.append(tok)
            continue
        if data and tok.kind == "field" and _is_value_cell(shape, k):
            out.extend(data)
            data = []
            continue
        if not data and tok.kind == "field" and _is_value_cell(shape, k):
            continue
        out.append(tok)
    return tuple(out)


def shape_address(shape: Found) -> tuple[int, ...]:
    """Return the cells of the address in a shape (kept in its ``shape`` field by the draft)."""
    return tuple(int(n) for n in shape.shape.split("|")[0].split(",") if n)


def _is_value_cell(shape: Found, k: int) -> bool:
    parts = shape.shape.split("|")
    return len(parts) > 1 and str(k) in parts[1].split(",")


def _data_fields(
    placed: Placed, texts: tuple[tuple[str, str, str], ...], context: Context, shape: Found
) -> list[Tok]:
    """Return the value fields that the row needs: one, two, or a run of bytes."""
    n = _n_data(placed, texts, context)
    if n == 2 and _wide_apart(shape, context) and not _says_two(texts):
        n = 1
    if n == 1 and (only := _only_value(texts)) is not None:
        return [fixed(only)]
    if n == 4 and context.says_anywhere(HALF_BYTES):
        return [Tok("half", f"0v{k}", 0, 0, 0, f"v{k}", True) for k in (3, 2, 1, 0)]
    if n > 4 or (n > 2 and _is_text(texts)):
        return [Tok("data", f"t*{n}", 0, 0, n, "text" if _is_text(texts) else "list")]
    if n <= 1:
        return [field("vv")]
    return [field("vv", "vv") for _ in range(n)]


def _value_cells(shape: Found) -> list[str]:
    return [c for c in shape.shape.split("|")[1].split(",") if c] if "|" in shape.shape else []


def _wide_apart(shape: Found, context: Context) -> bool:
    """Return whether a shape has one value byte, and another one is printed for wide values."""
    if len(_value_cells(shape)) != 1:
        return False
    head = [t.value for t in shape.toks[:2]]
    return any(
        len(_value_cells(other)) == 2 and [t.value for t in other.toks[:2]] == head
        for other, _ in context.shapes
    )


def _says_two(texts: tuple[tuple[str, str, str], ...]) -> bool:
    """Return whether a row says in words how many bytes its value has."""
    return any(_N_BYTES.search(fold(text)) for _, _, text in texts)


def _only_value(texts: tuple[tuple[str, str, str], ...]) -> int | None:
    """Return the one data byte that a row allows, where its range is a single number: an action."""
    for role, _, text in texts:
        if role == "range":
            found = spans(text)
            whole = (
                len(found) == 1
                and not found[0].is_range
                and text.strip() == text[found[0].start : found[0].end]
            )
            return found[0].values("hex")[0] if whole and not found[0].is_open else None
    return None


def _is_text(texts: tuple[tuple[str, str, str], ...]) -> bool:
    return any(has_word(fold(t), TEXT_WORDS) for _, _, t in texts)


def _n_data(placed: Placed, texts: tuple[tuple[str, str, str], ...], context: Context) -> int:
    """Return how many data bytes a row says it has; 1 where it says nothing."""
    size = placed.cell("size")
    if size and re.fullmatch(r"(?:[0-9A-F]{2}[hH]?\s+){1,3}[0-9A-F]{2}[hH]?", size.strip()):
        size = size.split()[-1] + ("h" if size.strip()[-1] not in "hH" else "")
    if size and (match := re.match(r"\s*(?:\$|0x)?([0-9A-Fa-f]{1,3})[hH]?\b", size)):
        head = next(
            (h for h, r in zip(placed.heads, placed.roles, strict=False) if r == "size"), ""
        )
        marked = size.strip()[:1] == "$" or "x" in size or size.strip()[-1:] in "hH"
        base = "hex" if marked else context.base_of(placed, head, "size")
        if base == "hex" or match[1].isdigit():
            return int(match[1], 16 if base == "hex" else 10)
    for role, _, text in texts:
        folded = fold(text)
        if match := _N_BYTES.search(folded):
            number = match["n"]
            if number.isdigit():
                return int(number)
            named = dict(_NUMBER_WORDS).get(number)
            if named:
                return named
        if role in ("range", ""):
            for span in spans(text, pairs=True):
                if span.is_range and all(len(n.parts) == 2 for n in span.nums):
                    return 2
                if (
                    span.is_range
                    and role == "range"
                    and not span.is_signed
                    and not span.is_open
                    and max(span.values("dec")) > 127
                ):
                    return 2
    return 1
