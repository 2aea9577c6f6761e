"""Byte lines: ``BnH 63H 05H 62H 12H 06H vvH``, ``F0 7D id 42 30 05 vv cs F7``, in every style of
byte.

A row may print two ways to one parameter in two cells; a selection without its value goes on in the
next row that has no label of its own.
"""

from __future__ import annotations

import re

from knobwright.core.codec.match import DATA_LOW
from knobwright.core.reading.choices import find_choices
from knobwright.core.reading.context import Context, has_example_word
from knobwright.core.reading.found import Found, field
from knobwright.core.reading.layout import Placed, strip_mark
from knobwright.core.reading.numbers import spans
from knobwright.core.reading.runs import N_DATA, Run, find_runs
from knobwright.core.reading.tokens import Tok
from knobwright.core.reading.words import UNITS, fold, header_role

_NUMBERING = re.compile(
    r"(?:no\.?|nr\.?|#)?\s*\(?[A-Z]?-?\d{1,3}(?:[.\-]\d{1,3}){0,3}[.):]?\s*", re.I
)
_TRAILING = re.compile(
    r"\s(?P<range>(?:\$|0x)?[0-9A-F]{1,3}[Hh]?\s?(?:-|–|\.{2,3})\s?(?:\$|0x)?[0-9A-F]{1,3}[Hh]?)\Z"
)
_SMALL = re.compile(r"[0-9A-F][a-f]")
_LEAD = " \t:=-–—>•*·○●,;.)"
MAX_LABEL = 80
_VALUE_HEADS = (
    "value", "values", "range", "wert", "werte", "bereich", "valeur", "valeurs", "plage", "valor",
    "valores", "rango", "valore", "valori", "gamma", "waarde", "bereik", "default", "init",
)  # fmt: skip
"""Words before a range that say what it is: no names."""


def read(placed: Placed, context: Context) -> list[Found]:
    """Return the byte lines of a row."""
    text, cuts = joined(placed)
    runs = [run for run in find_runs(masked(placed, text, cuts)) if not run.is_continuation]
    if not runs:
        return []
    runs = [run._replace(toks=lettered(run.toks, placed, context)) for run in runs]
    runs[-1] = _with_range(placed, runs[-1], cuts)
    runs = _split_routes(runs, cuts)
    label, texts, prose = describe(placed, text, cuts, [(r.start, r.end) for r in runs], context)
    out = []
    for k, run in enumerate(runs):
        out.append(
            Found(
                label,
                placed.section,
                placed.row.place,
                placed.row_index,
                run.toks,
                texts,
                "byte line",
                route_group=k,
                is_prose=prose,
            )
        )
    return out


def lettered(toks: tuple[Tok, ...], placed: Placed, context: Context) -> tuple[Tok, ...]:
    """Return an exclusive's tokens, a small hex letter (``0d``) read as the field it may be.

    The letter is a half byte where the leaflet explains it (``d = device number``). It is doubtful,
    and so asked, where it is not explained but the line prints its other hex letters as capitals.
    """
    if toks[0].kind != "byte" or toks[0].value != 0xF0 or not toks[0].text.isupper():
        return toks
    out = list(toks)
    for k, tok in enumerate(toks):
        if tok.kind != "byte" or not _SMALL.fullmatch(tok.text):
            continue
        letter = tok.text[1]
        if context.legends.find(letter, placed.row_index, placed.section):
            out[k] = tok._replace(kind="half", value=int(tok.text[0], 16), word=letter)
        else:
            out[k] = tok._replace(kind="slip", value=-1, sure=False)
    return tuple(out)


def joined(placed: Placed) -> tuple[str, list[tuple[int, int]]]:
    """Return the row's cells as one text, and where each cell stands in it."""
    parts: list[str] = []
    cuts: list[tuple[int, int]] = []
    at = 0
    for cell in placed.cells:
        parts.append(cell)
        cuts.append((at, at + len(cell)))
        at += len(cell) + 3
    return "   ".join(parts), cuts


def masked(placed: Placed, text: str, cuts: list[tuple[int, int]]) -> str:
    """Return the row's text with blanks where cells stand that hold no bytes: other bases, marks,
    footnotes, notes that list choices beside a column of bytes (``C1`` is a name there)."""
    has_bytes = any(char.isalnum() for char in placed.cell("bytes"))
    for (start, end), role in zip(cuts, placed.roles, strict=False):
        is_list = has_bytes and role == "note" and find_choices(text[start:end]) is not None
        if role in ("ignore", "twin", "dec") or is_list:
            text = text[:start] + " " * (end - start) + text[end:]
    return text


def _with_range(placed: Placed, run: Run, cuts: list[tuple[int, int]]) -> Run:
    """Add the value field where the last byte's cell prints its range instead of a field word."""
    toks = run.toks
    status = toks[0]
    if (
        status.kind not in ("half", "byte")
        or not status.is_status
        or status.value in range(0xF0, 0x100)
    ):
        return run
    digit = status.value if status.kind == "half" else status.value >> 4
    n_missing = N_DATA.get(digit, 0) + 1 - len(toks)
    last = _cell_of(toks[-1].start, cuts)
    if n_missing != 1 or last + 1 >= len(placed.cells):
        return run
    for k in range(last + 1, min(last + 3, len(placed.cells))):
        role = placed.roles[k]
        if role in ("twin", "dec", "ignore"):
            continue
        found = spans(placed.cells[k])
        if role in ("bytes", "range", "") and found and found[0].is_range and found[0].start < 2:
            return run._replace(toks=(*toks, field("vv")))
        break
    return run


def _split_routes(runs: list[Run], cuts: list[tuple[int, int]]) -> list[Run]:
    """Part a run where a cell with a complete line ends and the next cell begins another."""
    out: list[Run] = []
    for run in runs:
        start = 0
        for k in range(1, len(run.toks)):
            tok, before = run.toks[k], run.toks[k - 1]
            new_cell = _cell_of(tok.start, cuts) != _cell_of(before.start, cuts)
            part = run.toks[start:k]
            ends = tok.kind == "byte" and tok.value == 0xF7
            if (
                new_cell
                and tok.is_status
                and not ends
                and not _is_low_half(run.toks[k:])
                and any(t.kind in ("field", "twin") for t in part[1:])
            ):
                out.append(Run(part, part[0].start, part[-1].end))
                start = k
        part = run.toks[start:]
        out.append(Run(part, part[0].start, part[-1].end))
    return out


def _is_low_half(toks: tuple[Tok, ...]) -> bool:
    """Return whether a message is data entry's low half: it goes on, it begins nothing."""
    return len(toks) > 1 and toks[1].kind == "byte" and toks[1].value == DATA_LOW


def _cell_of(position: int, cuts: list[tuple[int, int]]) -> int:
    return next((k for k, (_, end) in enumerate(cuts) if position < end + 1), len(cuts))


def describe(
    placed: Placed,
    text: str,
    cuts: list[tuple[int, int]],
    used: list[tuple[int, int]],
    context: Context,
) -> tuple[str, tuple[tuple[str, str, str], ...], bool]:
    """Return the label, the other texts with their roles, and whether the bytes stand in a
    sentence.

    ``used`` are the stretches of ``text`` that a dialect has read as bytes.
    """
    label = ""
    texts: list[tuple[str, str, str]] = []
    for k, (start, end) in enumerate(cuts):
        role = placed.roles[k] if k < len(placed.roles) else ""
        head = placed.heads[k] if k < len(placed.heads) else ""
        inside = [(max(a, start), min(b, end)) for a, b in used if a < end and b > start]
        pieces = _outside(text, start, end, inside)
        for n, piece in enumerate(pieces):
            before = bool(inside) and n == 0
            if before and not label and _is_label(piece, after_bytes=False):
                label = _as_label(piece)
            elif (
                inside
                and role in ("bytes", "", "label", "address")
                and not label
                and _is_label(piece, True)
            ) or (not inside and not label and role in ("label", "") and _is_label(piece, False)):
                label, rest = cut_label(piece)
                if rest:
                    texts.append(("", "", rest))
            elif piece.strip(_LEAD):
                texts.append((role if not inside else "", head, piece.strip()))
    label, texts = _by_columns(placed, label, texts)
    n_words = len(text.split())
    n_before = len(text[: used[0][0]].split()) if used else 0
    single = len([c for c in placed.cells if c.strip()]) == 1
    prose = (
        has_example_word(text)
        or (single and len(used) > 2 and n_words > 14)
        or (single and n_words > 12 and re.search(r"[.!?]\s+\S", text[used[-1][1] :]) is not None)
        or (single and n_words > 14 and (n_before > 8 or not label))
    )
    return label, tuple(texts), prose


def _by_columns(
    placed: Placed, label: str, texts: list[tuple[str, str, str]]
) -> tuple[str, list[tuple[str, str, str]]]:
    """Return label and texts as the table's columns have it: its column of names wins."""
    if (
        label
        and placed.row.kind == "table"
        and not placed.cells[0].strip()
        and "label" not in placed.roles
        and (placed.roles[0] not in ("number", "cc"))
    ):
        texts.insert(0, ("", "", label))
        label = ""
    if (
        placed.row.kind == "table"
        and "label" in placed.roles
        and not placed.cell("label")
        and (not placed.cells[placed.roles.index("label")].strip())
    ):
        label = ""
    named = placed.cell("label")
    if named and not find_runs(named):
        has_tail = _TRAILING.search(named) or _has_range(named)
        named, tail = cut_label(named) if has_tail else (named, "")
        label, texts = _prefer_named(named, label, texts)
        if tail:
            texts.insert(0, ("range", "", tail))
    return label, texts


def _prefer_named(
    named: str, label: str, texts: list[tuple[str, str, str]]
) -> tuple[str, list[tuple[str, str, str]]]:
    """Take the label column's text as label; what stood in for it goes back to the texts."""
    wanted = _as_label(named)
    if label and label != wanted and label not in wanted:
        texts.insert(0, ("", "", label))
    return wanted, [t for t in texts if not (t[0] == "label" and t[2] == named)]


def _outside(text: str, start: int, end: int, inside: list[tuple[int, int]]) -> list[str]:
    """Return the pieces of a cell that no byte run covers, in order (first: before the first
    run).
    """
    if not inside:
        return [text[start:end]] if text[start:end].strip() else []
    pieces: list[str] = []
    at = start
    for a, b in inside:
        pieces.append(text[at:a])
        at = b
    pieces.append(text[at:end])
    return pieces


def _is_label(piece: str, after_bytes: bool) -> bool:
    """Return whether a piece of text can be a parameter's name."""
    bare = _as_label(piece)
    if fold(bare).strip("().") in UNITS:
        return False
    if not 2 <= len(bare) <= MAX_LABEL * 3 or not any(c.isalpha() for c in bare):
        return False
    head = re.split(r"[,;(:=]", bare, maxsplit=1)[0].strip()
    if not any(c.isalpha() for c in head) or len(head) > MAX_LABEL:
        return False
    if re.fullmatch(r"[a-z]{1,2}[hHlm]?", head) or re.fullmatch(r"[0-9A-Fa-f]{1,3}[hH]?", head):
        return False
    if re.match(r"\(|\[|=", piece.strip()):
        return False
    if "=" in bare and re.match(r"[a-z0-9]{1,3}\s*=", bare):
        return False
    if re.match(r"[$0-9].*(?:-|\.\.|–|to|bis)", bare) and not re.match(r"\d+\s+[A-Za-z]", bare):
        return False
    words = fold(head).split()
    if words[0] in _VALUE_HEADS and (len(words) == 1 or words[1][0] in "0123456789$+-−"):
        return False
    if bare.isdigit() or (header_role(bare) in ("ignore",) and len(bare) < 4):
        return False
    if after_bytes and re.search(r"[.!?;]\s+\S", bare):
        return False
    return not (after_bytes and len(bare.split()) > 9 and "," not in bare)


def is_name(text: str) -> bool:
    """Return whether a cell's text can be a parameter's name."""
    return _is_label(text, False)


def _as_label(piece: str) -> str:
    """Return a name without numbering, marks and rulings."""
    text = " ".join(piece.split()).strip(_LEAD)
    match = _NUMBERING.match(text)
    if (
        match
        and match.end() < len(text)
        and text[match.end() - 1 : match.end()] in " .):"
        and (text[match.end()].isalpha())
        and not text[: match.end()].strip().isalpha()
    ):
        rest = text[match.end() :]
        if not re.match(r"[a-z]", rest) or "." in match.group() or ")" in match.group():
            text = rest
    return strip_mark(text)


def cut_label(piece: str) -> tuple[str, str]:
    """Return the name and the rest of a piece such as ``Volume, 00h-7Fh, init 64h``."""
    text = " ".join(piece.split()).strip(" \t:=-–—>•*·○●,;")
    if match := _TRAILING.search(text):
        return _as_label(text[: match.start()]), match["range"]
    if (at := _range_at(text)) > 0:
        return _as_label(text[:at]), text[at:]
    for match in re.finditer(r"\s*[,;:]\s+|\s+\((?=[^)]*\d)|\s+=\s+|\s{2,}", text):
        rest = text[match.start() :].lstrip(" ,;:")
        if re.search(r"\d", rest):
            return _as_label(text[: match.start()]), rest
    return _as_label(text), ""


def _has_range(named: str) -> bool:
    """Return whether a name's cell also prints the range, behind a comma or in brackets."""
    return any(
        span.is_range
        and max(span.values("dec")) > 16
        and re.search(r"[,(]\s*\Z", named[: span.start]) is not None
        for span in spans(named[:200])
    )


def _range_at(text: str) -> int:
    """Return where a range begins that follows a name without a separator (``Cutoff 0Eh-40h-72h``),
    -1 where none does."""
    for span in spans(text[:200]):
        if not span.is_range or span.is_signed or span.start < 3:
            continue
        if max(span.values("dec")) > 9 and text[span.start - 1] == " ":
            before = text[: span.start].rstrip()
            return span.start if before[-1:].isalpha() or before[-1:].isdigit() else -1
        return -1
    return -1
