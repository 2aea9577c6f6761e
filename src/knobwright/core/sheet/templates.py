"""Build the templates of a sheet: a line with its checksums and maps, checked for its role."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from knobwright.core.errors import LineError
from knobwright.core.sheet import words as w
from knobwright.core.sheet.faults import Findings
from knobwright.core.sheet.line import Line, parse_line
from knobwright.core.sheet.places import Path
from knobwright.core.sheet.records import Checksum, DigitMap, Template
from knobwright.core.sheet.walk import Tree


class Vocabulary(NamedTuple):
    """The names that the codec's tables give: what a sheet may call for.

    ``codings`` maps a name to the function from (number of bits, zero) to the (low, high) raw
    values that it can carry.
    """

    checksums: tuple[str, ...]
    codings: Mapping[str, Callable[[int, int | None], tuple[int, int]]]
    packings: tuple[str, ...]


#: Which fields may stand in a line of each role.
ROLES: dict[str, frozenset[str]] = {
    "parameter": frozenset(
        {w.CHANNEL, w.VALUE, w.KEY, w.DEVICE, w.CHECKSUM, w.MAP, w.OTHER, w.RUN}
    ),
    "programs": frozenset({w.CHANNEL, w.PROGRAM, w.BANK_HIGH, w.BANK_LOW}),
    "block": frozenset({w.CHANNEL, w.DEVICE, w.CHECKSUM, w.MAP, w.DATA}),
    "request": frozenset({w.CHANNEL, w.DEVICE, w.CHECKSUM, w.MAP}),
    "setup": frozenset({w.DEVICE, w.CHECKSUM}),
}


class Templates:
    """Builds templates of one sheet, given its checksums and maps."""

    def __init__(
        self,
        findings: Findings,
        checksums: Mapping[str, Checksum],
        maps: Mapping[str, DigitMap],
    ) -> None:
        self.findings = findings
        self.checksums = checksums
        self.maps = maps

    def build(
        self,
        tree: Tree,
        path: Path,
        role: str,
        *,
        about: str = "",
        line_key: str = "line",
        checksum_key: str = "checksum",
    ) -> Template | None:
        """Return the template of ``tree[line_key]``, or report why there is none."""
        before = self.findings.n_faults
        try:
            line = parse_line(tree[line_key])
        except LineError as error:
            self.findings.fault((*path, line_key), error.message, error.hint, about)
            return None
        self._role(line, (*path, line_key), role, about)
        checksums = self._checksums(line, tree, path, about, line_key, checksum_key)
        maps = self._maps(line, tree, path, about, line_key)
        if self.findings.n_faults > before:
            return None
        return Template(line, checksums, maps)

    def _role(self, line: Line, path: Path, role: str, about: str) -> None:
        allowed = ROLES[role]
        for cell in line.cells():
            if cell.kind != w.FIXED and cell.kind not in allowed:
                self.findings.fault(
                    path, f"{cell.word!r} can't stand in the line of a {role}", about=about
                )
        exclusive = all(message[0].fixed == 0xF0 for message in line.messages)
        if role in ("block", "request") and not exclusive:
            self.findings.fault(path, f"the line of a {role} is an exclusive message", about=about)

    def _checksums(
        self, line: Line, tree: Tree, path: Path, about: str, line_key: str, checksum_key: str
    ) -> tuple[Checksum, ...]:
        named = tree.get(checksum_key, [])
        names = [named] if isinstance(named, str) else list(named)
        if not names and len(self.checksums) == 1:
            names = list(self.checksums) * len(line.spans)  # the only one there is
        if len(names) != len(line.spans):
            self._checksum_count(line, names, path, about, line_key, checksum_key)
            return ()
        found: list[Checksum] = []
        for name in names:
            checksum = self.checksums.get(name)
            if checksum is None:
                self.findings.fault(
                    (*path, checksum_key),
                    f"there is no [checksum.{name}]",
                    self.findings.close(name, self.checksums, "add a table with its rule"),
                    about,
                )
            else:
                found.append(checksum)
        return tuple(found)

    def _checksum_count(
        self,
        line: Line,
        names: list[str],
        path: Path,
        about: str,
        line_key: str,
        checksum_key: str,
    ) -> None:
        n_spans = len(line.spans)
        if not names:
            message = "the line has a checksum, and none is named"
            hint = f'add {checksum_key} = "NAME" and a table [checksum.NAME]'
            self.findings.fault((*path, line_key), message, hint, about)
        elif not n_spans:
            message = "a checksum is named, but the line has none: a checksum without a span"
            hint = "put [ ] around the bytes that it covers and cs where it stands"
            self.findings.fault((*path, checksum_key), message, hint, about)
        else:
            message = f"the line has {n_spans} checksums, and {len(names)} are named"
            self.findings.fault((*path, checksum_key), message, about=about)

    def _maps(
        self, line: Line, tree: Tree, path: Path, about: str, line_key: str
    ) -> tuple[tuple[str, DigitMap], ...]:
        named: Tree = tree.get("map", {})
        letters: dict[str, list[w.Cell]] = {}
        for cell in line.cells():
            if cell.kind == w.MAP:
                letters.setdefault(cell.name, []).append(cell)
        found: list[tuple[str, DigitMap]] = []
        for letter, cells in letters.items():
            name = named.get(letter)
            if name is None:
                message = f"the line says {cells[0].word!r}, and no map is named for {letter!r}"
                hint = f'add map = {{ {letter} = "NAME" }}, or write a field word'
                self.findings.fault((*path, line_key), message, hint, about)
                continue
            row = self.maps.get(name) if isinstance(name, str) else None
            if row is None:
                hint = self.findings.close(str(name), self.maps, "add a table [map.NAME]")
                self.findings.fault((*path, "map"), f"there is no [map.{name}]", hint, about)
                continue
            for cell in cells:
                self._map_fits(row, cell, path, about)
            found.append((letter, row))
        for letter in named:
            if letter not in letters and "request" not in tree:
                message = f"the map letter {letter!r} does not stand in the line"
                self.findings.fault((*path, "map"), message, about=about)
        self._map_doubles(found, path, about)
        return tuple(found)

    def _map_fits(self, row: DigitMap, cell: w.Cell, path: Path, about: str) -> None:
        message = ""
        if cell.mask == 0xF0 and max(row.values, default=0) > 15:
            message = (
                f"[map.{row.name}] has values above 15, too large for the half byte {cell.word}"
            )
        elif cell.is_status and row.of != "channel":
            message = f"{cell.word} is a status byte, so its map must be one of channels"
        if message:
            self.findings.fault((*path, "map"), message, about=about)

    def _map_doubles(self, found: list[tuple[str, DigitMap]], path: Path, about: str) -> None:
        """Report maps that, taken together, give two numbers the same bytes: no way back."""
        for of in {row.of for _, row in found}:
            rows = [row.values for _, row in found if row.of == of]
            if len({len(values) for values in rows}) > 1:
                message = f"the maps of {of} in the line have different lengths"
                self.findings.fault((*path, "map"), message, about=about)
                continue
            pairs = list(zip(*rows, strict=True))
            if len(set(pairs)) < len(pairs):
                names = ", ".join(row.name for _, row in found if row.of == of)
                message = f"the map {names} has doubles: two numbers of {of} give the same bytes"
                self.findings.fault((*path, "map"), message, about=about)
