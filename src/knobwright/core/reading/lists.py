"""Lists of programs and of drum keys."""

from __future__ import annotations

import re

from knobwright.core.reading.collect import Collected
from knobwright.core.reading.context import Context
from knobwright.core.reading.found import Tree
from knobwright.core.reading.layout import Placed
from knobwright.core.reading.runs import find_runs
from knobwright.core.reading.words import fold, has_word

PROGRAM_WORDS = (
    "program",
    "patch",
    "voices",
    "voice list",
    "tones",
    "tone list",
    "sounds",
    "instruments",
    "instrument list",
    "programm",
    "klange",
    "klangliste",
    "stimmen",
    "sons",
    "liste des sons",
    "sonidos",
    "suoni",
    "timbri",
    "neiro",
    "音色",
    "プログラム",
    "presets",
    "klanken",
    "onshoku",
    "puroguramu",
)
KEY_HEADS = (
    "key",
    "note",
    "taste",
    "tecla",
    "nota",
    "touche",
    "toets",
    "tasto",
    "rr",
    "kk",
    "kagi",
    "noto",
    "drum key",
)
NAME_HEADS = (
    "name",
    "nom",
    "nombre",
    "nome",
    "naam",
    "instrument",
    "drum",
    "sound",
    "bezeichnung",
    "klang",
    "strumento",
    "patch",
    "voice",
    "program",
    "meishou",
    "kit",
    "instrumento",
    "tone",
    "son",
    "namae",
    "名",
    "onshoku",
    "neiro",
)
_ENTRY = re.compile(r"\(?(?P<n>\d{1,3})[.):]?\s+(?P<name>[^\W\d].{0,60}|\d.*[^\W\d].{0,60})\Z")
_BYTE_BEHIND = re.compile(r"\s*[(\[]\s*(?P<byte>(?:\$|0x)?[0-9A-Fa-f]{1,3}[hH]?)\s*[)\]]\s*\Z")


class Lists:
    """The programs and drum keys of a leaflet; ``rows`` are the rows that they take up."""

    def __init__(self) -> None:
        self.programs: dict[tuple[int, tuple[int, int]], str] = {}
        self.voices: dict[tuple[int, tuple[int, int]], int] = {}
        self.first: int | None = None
        self.line = ""
        self.doubt = ""
        self.place = ""
        self.keys: dict[int, str] = {}
        self.groups: list[list[int]] = []
        self.rows: set[int] = set()

    def add(self, number: int, name: str, bank: tuple[int, int] = (0, 0)) -> None:
        """Add a program unless its number and bank are listed already."""
        self.programs.setdefault((number, bank), name)

    def tree(self, collected: Collected) -> Tree:
        """Return the sheet's tables for programs and kits."""
        out: Tree = {}
        has_bank = any(built.kind == "bank" for _, built in collected.others)
        has_program = any(built.kind == "program" for _, built in collected.others)
        if self.programs or has_program or self.line:
            zero = any(number == 0 for number, _ in self.programs)
            first = self.first if self.first is not None else (0 if zero else 1)
            line = self.line or ("Bn 00 bh 20 bl Cn pp" if has_bank else "Cn pp")
            out["programs"] = {"line": line, "first": first}
        if self.programs:
            out["program"] = [self._program(key) for key in sorted(self.programs)]
        if self.keys:
            out["kit"] = [
                {
                    "number": first_number(out),
                    "names": {str(k): v for k, v in sorted(self.keys.items())},
                }
            ]
            if self.groups:
                out["kit"][0]["exclusive"] = self.groups
        return out

    def _program(self, key: tuple[int, tuple[int, int]]) -> Tree:
        number, bank = key
        row: Tree = {"number": number, "name": self.programs[key]}
        if bank != (0, 0):
            row["bank"] = list(bank)
        if key in self.voices:
            row["voices"] = self.voices[key]
        return row


def first_number(tree: Tree) -> int:
    """Return the number of the first program, for a kit that has none of its own."""
    programs = tree.get("programs", {})
    return int(programs.get("first", 1)) if isinstance(programs, dict) else 1


def read_lists(rows: list[Placed], context: Context) -> Lists:
    """Return the lists of programs and drum keys, and which rows they take up."""
    lists = Lists()
    head: tuple[str, ...] = ()
    grid = -1
    for placed in rows:
        if placed.kind == "header":
            head, grid = tuple(placed.cells), placed.grid
        if placed.kind != "data" or find_runs(placed.row.text):
            continue
        columns = head if placed.grid == grid and placed.heads and any(placed.heads) else ()
        columns = placed.heads if any(placed.heads) else columns
        under = has_word(fold(placed.section), PROGRAM_WORDS)
        if columns and _keys(placed, columns, lists):
            continue
        if (
            columns
            and (
                under
                or has_word(
                    fold(" ".join(columns)), ("program", "programm", "pp", "patch", "octet")
                )
            )
            and _table(placed, columns, lists)
        ):
            continue
        if under and not any(placed.heads):
            _entries(placed, lists)
    _statements(lists, [(place, text) for _, place, text in context.texts()])
    return lists


def _keys(placed: Placed, heads: tuple[str, ...], lists: Lists) -> bool:
    """Read one row of a table of drum keys."""
    key_at = next((k for k, h in enumerate(heads) if has_word(fold(h), KEY_HEADS)), -1)
    name_at = next(
        (k for k, h in enumerate(heads) if k != key_at and has_word(fold(h), NAME_HEADS)), -1
    )
    if (
        key_at < 0
        or name_at < 0
        or len([h for h in heads if h]) > 4
        or len(placed.cells) <= max(key_at, name_at)
    ):
        return False
    decimal = next((k for k, h in enumerate(heads) if has_word(fold(h), ("dec", "dez"))), -1)
    text, name = placed.cells[key_at].strip(), placed.cells[name_at].strip()
    value = _number(placed.cells[decimal].strip() if decimal >= 0 else text, decimal >= 0)
    if value is None or not name or not 0 <= value <= 127:
        return False
    lists.keys.setdefault(value, name)
    lists.rows.add(placed.row_index)
    return True


def _number(text: str, decimal: bool = False) -> int | None:
    """Return a printed number; hex only where it is marked."""
    bare = text.strip("`'\" ")
    if re.fullmatch(r"(?:\$|0x)[0-9A-Fa-f]{1,2}|[0-9A-Fa-f]{1,2}[hH]", bare) and not decimal:
        return int(bare.strip("$hH").removeprefix("0x"), 16)
    return int(bare) if bare.isdigit() and len(bare) <= 3 else None


def _table(placed: Placed, heads: tuple[str, ...], lists: Lists) -> bool:
    """Read one row of a table of programs: number, name, perhaps the byte."""
    cells = [c.strip() for c in placed.cells]
    name_at = next(
        (
            k
            for k, h in enumerate(heads)
            if has_word(fold(h), NAME_HEADS)
            and k < len(cells)
            and any(c.isalpha() for c in cells[k])
            and _number(cells[k]) is None
        ),
        -1,
    )
    numbers = [
        (k, n)
        for k, c in enumerate(cells)
        if k < len(heads) and k != name_at and (n := _number(c)) is not None
    ]
    if name_at < 0 or not numbers:
        return False
    byte = next(
        (n for k, n in numbers if has_word(fold(heads[k]), ("pp", "octet", "byte", "hex"))), None
    )
    number = next(
        (
            n
            for k, n in numbers
            if not has_word(fold(heads[k]), ("pp", "octet", "byte", "hex", "bank"))
        ),
        byte,
    )
    if number is None:
        return False
    if byte is None and len(numbers) > 1:
        byte = numbers[-1][1]
    lists.programs.setdefault(number, cells[name_at])
    if byte is not None and lists.first is None:
        lists.first = number - byte if number - byte in (0, 1) else None
    lists.rows.add(placed.row_index)
    return True


def _entries(placed: Placed, lists: Lists) -> None:
    """Read rows such as ``1 Piano   5 Harp`` and ``1. Stage tines (00h)``."""
    cells = [c.strip() for c in placed.cells if c.strip()]
    taken = False
    pairs = list(zip(cells[::2], cells[1::2], strict=False)) if len(cells) % 2 == 0 else []
    if pairs and all(a.rstrip(".").isdigit() and any(c.isalpha() for c in b) for a, b in pairs):
        for number, name in pairs:
            lists.add(int(number.rstrip(".")), name)
        taken = True
    else:
        for cell in cells:
            match = _ENTRY.match(cell)
            if match is None:
                continue
            name = match["name"].strip()
            if behind := _BYTE_BEHIND.search(name):
                byte = _number(behind["byte"])
                name = name[: behind.start()]
                if byte is not None and int(match["n"]) - byte in (0, 1) and lists.first is None:
                    lists.first = int(match["n"]) - byte
            lists.add(int(match["n"]), name)
            taken = True
    if taken:
        lists.rows.add(placed.row_index)
