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
        self.is_unsure = False
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
    prints = [(placed.row.place, placed.row.text) for placed in rows]
    lists.line = next((line for _, text in prints if (line := printed_line(text))), "")
    if lists.first is None:
        lists.first = next((n for _, text in prints if (n := stated_first(text)) is not None), None)
    lists.is_unsure = not (
        lists.first is not None
        or any(number == 0 for number, _ in lists.programs)
        or any(_says_base(text) for _, text in prints)
    )
    lists.groups = [group for _, text in prints if (group := stopping_group(text))]
    return lists


def _keys(placed: Placed, heads: tuple[str, ...], lists: Lists) -> bool:
    """Read one row of a table of drum keys, which may have several pairs of columns."""
    key_ats = [k for k, h in enumerate(heads) if has_word(fold(h), KEY_HEADS)]
    name_ats = [
        k for k, h in enumerate(heads) if k not in key_ats and has_word(fold(h), NAME_HEADS)
    ]
    n_heads = len([h for h in heads if h])
    if not key_ats or not name_ats or n_heads > 4 * len(key_ats):
        return False
    taken = False
    decimal = next((k for k, h in enumerate(heads) if has_word(fold(h), ("dec", "dez"))), -1)
    for key_at, name_at in zip(key_ats, name_ats, strict=False):
        if len(placed.cells) <= max(key_at, name_at):
            continue
        text, name = placed.cells[key_at].strip(), placed.cells[name_at].strip()
        marked = decimal >= 0 and len(key_ats) == 1
        value = _number(placed.cells[decimal].strip() if marked else text, marked)
        if value is None or not name or not 0 <= value <= 127:
            continue
        lists.keys.setdefault(value, name)
        taken = True
    if taken:
        lists.rows.add(placed.row_index)
    return taken


def _number(text: str, decimal: bool = False) -> int | None:
    """Return a printed number; hex only where it is marked."""
    bare = text.strip("`'\" ")
    if re.fullmatch(r"(?:\$|0x)[0-9A-Fa-f]{1,2}|[0-9A-Fa-f]{1,2}[hH]", bare) and not decimal:
        return int(bare.strip("$hH").removeprefix("0x"), 16)
    return int(bare) if bare.isdigit() and len(bare) <= 3 else None


def _table(placed: Placed, heads: tuple[str, ...], lists: Lists) -> bool:
    """Read one row of a table of programs: number, name, perhaps the byte, bank and voices."""
    cells = [c.strip() for c in placed.cells]
    name_at = next((k for k in range(min(len(heads), len(cells))) if _is_name(cells, heads, k)), -1)
    numbers = {
        k: n
        for k, c in enumerate(cells)
        if k < len(heads) and k != name_at and (n := _number(c)) is not None
    }
    if name_at < 0 or not numbers:
        return False
    roles = {k: _role(heads[k]) for k in numbers}
    byte = next((n for k, n in numbers.items() if roles[k] == "byte"), None)
    plain = [n for k, n in numbers.items() if roles[k] in ("", "number")]
    number = next((n for k, n in numbers.items() if roles[k] == "number"), None)
    if number is None:
        number = plain[0] if plain else byte
    if number is None:
        return False
    if byte is None and len(plain) > 1:
        byte = plain[-1]
    bank = [0, 0]
    for k, n in numbers.items():
        if roles[k] in ("high", "low"):
            bank[roles[k] == "low"] = n
    key = (number, (bank[0], bank[1]))
    lists.add(number, cells[name_at], key[1])
    for k, n in numbers.items():
        if roles[k] == "voices" and 1 <= n <= 64:
            lists.voices.setdefault(key, n)
    if byte is not None and lists.first is None:
        lists.first = number - byte if number - byte in (0, 1) else None
    lists.rows.add(placed.row_index)
    return True


def _is_name(cells: list[str], heads: tuple[str, ...], k: int) -> bool:
    has_letters = any(c.isalpha() for c in cells[k]) and _number(cells[k]) is None
    return has_letters and has_word(fold(heads[k]), NAME_HEADS)


def _role(head: str) -> str:
    """Return what a column of numbers in a table of programs is: number, byte, bank or voices."""
    folded = fold(head)
    if has_word(folded, ("voices", "voice", "stimmen", "voix", "voces", "polyphony", "poly")):
        return "voices"
    if has_word(folded, ("bank", "banque", "banco", "bh", "bl", "msb", "lsb", "cc0", "cc32")):
        return "low" if has_word(folded, ("bl", "lsb", "cc32", "32", "low")) else "high"
    if has_word(folded, ("pp", "octet", "byte", "hex")):
        return "byte"
    number = ("number", "no", "nr", "num", "program", "programm", "patch", "pc", "numero", "#")
    return "number" if has_word(folded, number) else ""


_BYTE = r"(?:\$|0x)?([0-9A-Fa-f]{2}|b[hl]|mm|ll|mb|lb|xx|hh)[Hh]?"
_STATUS = r"(?:\$|0x)?%s[nNxXcC][Hh]?"
#: Bank controllers and program change on one line: ``Bn 00 bh 20 00 Cn pp``.
_BANK_LINE = re.compile(
    rf"(?<![0-9A-Za-z]){_STATUS % 'B'}[\s,]+(?:\$|0x)?00[Hh]?[\s,]+{_BYTE}[\s,]+"
    rf"(?:{_STATUS % 'B'}[\s,]+)?(?:\$|0x)?20[Hh]?[\s,]+{_BYTE}[\s,]+"
    rf"{_STATUS % 'C'}[\s,]+(?:\$|0x)?(?:pp|vv|nn|kk|dd|mm)[Hh]?(?![0-9A-Za-z])"
)


def printed_line(text: str) -> str:
    """Return the line that chooses bank and program, if a text prints it; empty otherwise."""
    match = _BANK_LINE.search(text[:2000])
    if match is None:
        return ""
    halves = []
    for word, field in ((match[1], "bh"), (match[2], "bl")):
        is_fixed = re.fullmatch(r"[0-7][0-9A-Fa-f]", word) is not None
        halves.append(word.upper() if is_fixed else field)
    return f"Bn 00 {halves[0]} 20 {halves[1]} Cn pp"


_LESS_ONE = re.compile(
    r"\bpp\b\s*=\s*\w+\s*[-–−]\s*1\b"
    r"|\b(?:pp|byte|program|number)\b.{0,60}\b(?:less|minus)\s+(?:1|one)\b"
    r"|\bprogram(?:me|m|s)?\s+(?:number\s+)?0*1\s+(?:is|=|has)\s+(?:\$|0x)?00[Hh]?\b",
    re.IGNORECASE,
)
_AS_PRINTED = re.compile(
    r"\b(?:pp|byte)\b\s+is\s+the\s+(?:program\s+)?number(?:\s+itself)?\s*[.;]"
    r"|\bprograms?\s+(?:are\s+)?(?:count(?:ed)?|number(?:ed)?)\s+from\s+(?:0|zero)\b",
    re.IGNORECASE,
)


def stated_first(text: str) -> int | None:
    """Return the printed number of program byte 0 that a sentence states, if one does."""
    short = text[:2000]
    if _LESS_ONE.search(short):
        return 1
    return 0 if _AS_PRINTED.search(short) else None


_BASE = re.compile(
    r"\b0{1,2}[hH]?\s*(?:-|–|to|\.\.|…|à|bis|a|tot)\s*(?:7F|127)"
    r"|\b1\s*(?:-|–|to|\.\.|…|à|bis|a|tot)\s*128\b|[-–−]\s*1\b"
    r"|\b(?:0|00h?|\$00|0x00|zero|null|cero|zéro)\b",
    re.IGNORECASE,
)
_SPEAKS = re.compile(
    r"\b(?:pp|c[nx]|program\w*|patch\w*|klang\w*|son|sons|timbr\w*|puroguramu|onshoku)\b",
    re.IGNORECASE,
)


def _says_base(text: str) -> bool:
    """Return whether a row speaks of programs in a way that tells where their numbers begin."""
    short = text[:2000]
    return _SPEAKS.search(short) is not None and _BASE.search(short) is not None


_STOP = re.compile(
    r"((?:\d{1,3}\s*(?:,|/|and|und|et|y|e)\s*){1,8}\d{1,3})\s+"
    r"(?:stop|cut|mute|choke|silence|end)s?\s+(?:each|one)\s+(?:other|another)",
    re.IGNORECASE,
)


def stopping_group(text: str) -> list[int]:
    """Return the drum keys of which one stops the others, if a sentence names them."""
    match = _STOP.search(text[:2000])
    keys = [int(n) for n in re.findall(r"\d+", match[1])] if match else []
    return keys if all(key <= 127 for key in keys) else []


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
