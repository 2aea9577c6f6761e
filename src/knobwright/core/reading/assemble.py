"""From pieces to parameters: routes joined, doubles found, lines written, doubts gathered."""

from __future__ import annotations

from knobwright.core.errors import KnobwrightError
from knobwright.core.reading.built import Built
from knobwright.core.reading.collect import Collected, Piece
from knobwright.core.reading.context import Context
from knobwright.core.reading.facts import Facts
from knobwright.core.reading.families import Checksums
from knobwright.core.reading.found import Choice, Doubt, Found, Tree
from knobwright.core.reading.keys import Keys
from knobwright.core.reading.numbers import spans
from knobwright.core.reading.words import DANGER_WORDS, fold, has_word
from knobwright.core.sheet.line import parse_line


class Candidate:
    """One parameter in the making: its pieces (the first is its own line), doubts and written
    lines."""

    def __init__(self, key: str, pieces: list[Piece]) -> None:
        self.key = key
        self.pieces = pieces
        self.doubts: list[Doubt] = []
        self.table: Tree = {}

    @property
    def found(self) -> Found:
        """Return what was found for the parameter's own line."""
        return self.pieces[0].found

    @property
    def only_asked(self) -> bool:
        """Return whether the parameter must not stand in the sheet before it is answered."""
        return any(d.only for d in self.doubts)


def assemble(
    context: Context, collected: Collected, sums: Checksums, maps: dict[str, str]
) -> list[Candidate]:
    """Return the parameters of a leaflet, each with its table and its doubts."""
    keys = Keys()
    out: list[Candidate] = []
    for pieces in _routes(collected.pieces, context):
        found = pieces[0].found
        out.append(Candidate(keys.take(found.section, found.label, "line"), pieces))
    for candidate in out:
        _write(candidate, context, sums, maps)
    _find_doubles(out)
    return out


def _routes(pieces: list[Piece], context: Context) -> list[list[Piece]]:
    """Join the ways to one parameter that one row prints, the one to send first."""
    out: list[list[Piece]] = []
    for piece in pieces:
        last = out[-1] if out else None
        if last and piece.found.route_group > 0 and _head(last[0].found) == _head(piece.found):
            last.append(piece)
        else:
            out.append([piece])
    return [_order(group, context) for group in out]


def _head(found: Found) -> int:
    """Return the row that names a parameter."""
    return found.head if found.head >= 0 else found.row_index


def _order(group: list[Piece], context: Context) -> list[Piece]:
    """Put the way to send first: the finest; among equals the one that the leaflet names, or
    prints first."""
    if len(group) == 1:
        return group
    wants_nrpn = context.prefers_nrpn()

    def rank(piece: Piece) -> tuple[int, int, int, int]:
        return (
            int(piece.built.kind == "broken"),
            int(piece.found.shape == "coarse" and _is_wider(group, piece)),
            int(wants_nrpn and len(piece.built.words) < 3),
            piece.found.route_group,
        )

    return sorted(group, key=rank)


def _is_wider(group: list[Piece], piece: Piece) -> bool:
    """Return whether another way carries a wider range than this one."""
    own = piece.facts.range[1] if piece.facts.range else 127
    return any((p.facts.range[1] if p.facts.range else 0) > own for p in group)


def _prints_values(found: Found, limits: tuple[int, int]) -> bool:
    """Return whether values are printed as such beside a row, not only spoken of in a sentence."""
    printed = any(
        span.is_range and not text[: span.start].strip(" :([=-")
        for role, _, text in found.texts
        if role in ("", "range", "note")
        for span in spans(text)[:1]
    )
    return limits[1] > 0 and printed


def _write(candidate: Candidate, context: Context, sums: Checksums, maps: dict[str, str]) -> None:
    """Write the parameter's table and gather what is in doubt about it."""
    piece = candidate.pieces[0]
    found, built, facts = piece
    candidate.doubts.extend(
        (*found.doubts, *built.doubts, *(() if built.kind == "action" else facts.doubts))
    )
    if not found.label:
        candidate.doubts.append(Doubt("label", f"the row {found.printed} has no name", only=False))
    table: Tree = {"key": candidate.key, "label": found.label or found.printed[:80]}
    if found.section:
        table["section"] = found.section
    if built.kind == "action" and facts.range is not None and _prints_values(found, facts.range):
        low, high = facts.range
        candidate.doubts.append(
            Doubt(
                "",
                f"{found.printed}: {low} to {high} is printed, but no byte of the row carries a "
                "value",
                takes="line",
            )
        )
    if built.kind == "broken":
        _broken(candidate, table, sums)
    else:
        _line(candidate, table, sums, maps)
    _add_facts(table, facts, built)
    for other in candidate.pieces[1:]:
        _route(candidate, table, other, sums)
    if has_word(fold(f"{found.label} {found.section}"), DANGER_WORDS) and built.kind == "action":
        table["danger"] = "the leaflet says that it stores, erases or updates"
    table["from"] = found.place
    candidate.table = table


def _broken(candidate: Candidate, table: Tree, sums: Checksums) -> None:
    """Ask about a row that was not understood; the likely reading is one of the answers."""
    found, built, _ = candidate.pieces[0]
    fault = "; ".join(dict.fromkeys(f.text for f in built.faults)) or "the row was not understood"
    choices: tuple[Choice, ...] = ()
    if built.likely is not None:
        summed = sums.apply(found, built.likely)
        gives: Tree = {"line": summed.line, **_per(built.likely)}
        if summed.checksum:
            gives["checksum"] = summed.checksum
        choices = (Choice("as-corrected", f"it means {summed.line}", gives),)
    candidate.doubts.insert(0, Doubt("", f"{found.printed}: {fault}", choices, takes="line"))


def _per(built: Built) -> Tree:
    """Return the ``per`` entry of a line, if it has one."""
    per = [p for p in ("channel", "key") if p in built.per]
    return {"per": per} if per else {}


def _readings(doubt: Doubt, found: Found, built: Built, sums: Checksums) -> Doubt:
    """Return the doubt with the lines that "checksum" and "second part of the value" stand for."""
    if not any({"cs", "two"} & choice.gives.keys() for choice in doubt.choices):
        return doubt
    *values, last = [(m, cell) for m, cell, _, _ in built.parts]
    words = [list(message) for message in built.words]
    for m, cell in values:
        words[m][cell] = "vv"
    words[last[0]][last[1]] = "cs"
    plain = built._replace(
        words=tuple(map(tuple, words)), parts=built.parts[:1], check_at=last[1], n_bits=7
    )
    summed = sums.apply(found, plain)
    if len(values) != 1 or summed.checksum is None:
        return doubt._replace(choices=(), takes="line")
    choices = [
        choice._replace(
            gives={"line": summed.line, "checksum": summed.checksum}
            if "cs" in choice.gives
            else {"line": built.line, "range": [0, 16383]}
        )
        for choice in doubt.choices
    ]
    return doubt._replace(choices=tuple(choices), takes="line")


def _names(doubt: Doubt) -> set[str]:
    return {choice.name for choice in doubt.choices}


def _line(candidate: Candidate, table: Tree, sums: Checksums, maps: dict[str, str]) -> None:
    """Write the line with its brackets, maps and per; a line that can't be read back is only asked
    about."""
    found, built, _ = candidate.pieces[0]
    summed = sums.apply(found, built)
    candidate.doubts.extend(summed.doubts)
    candidate.doubts[:] = [_readings(doubt, found, built, sums) for doubt in candidate.doubts]
    read = [doubt for doubt in candidate.doubts if {"checksum", "value"} == _names(doubt)]
    if read:  # what else is odd about the row comes from the same byte
        candidate.doubts[:] = read[:1]
    table.update(_per(built))
    table["line"] = summed.line
    if summed.checksum:
        table["checksum"] = summed.checksum
    letters = {letter: maps[letter] for letter, _ in built.letters if letter in maps}
    if letters:
        table["map"] = letters
    missing = [letter for letter, _ in built.letters if letter not in maps]
    if missing:
        candidate.doubts.append(
            Doubt(
                "map",
                "nothing says which digit stands for which channel where the row prints "
                f"{missing[0]}",
                only=True,
            )
        )
    try:
        parse_line(summed.line)
    except KnobwrightError as error:
        candidate.doubts.append(
            Doubt("", f"{found.printed}: {error.message}", only=True, takes="line")
        )


def _add_facts(table: Tree, facts: Facts, built: Built) -> None:
    """Write range, choices, default, unit and shown values."""
    if built.kind == "action":
        return
    if built.run:
        table["type"] = built.run
        if built.run == "list" and facts.range:
            table["range"] = list(facts.range)
        return
    if facts.range and "range" not in table:
        table["range"] = list(facts.range)
    elif not facts.choices and built.kind != "broken" and built.n_bits:
        table["range"] = [0, (1 << built.n_bits) - 1]
    if facts.choices:
        table["choices"] = {str(k): v for k, v in sorted(facts.choices.items())}
    if facts.default is not None:
        table["default"] = facts.default
    if facts.coding:
        table["coding"] = facts.coding
    if facts.formula:
        shown: Tree = {"formula": facts.formula}
        if facts.shown_unit or facts.unit:
            shown["unit"] = facts.shown_unit or facts.unit
        table["shown"] = shown
    elif facts.unit and not facts.shown_unit:
        table["unit"] = facts.unit


def _route(candidate: Candidate, table: Tree, piece: Piece, sums: Checksums) -> None:
    """Add another way to the parameter, or ask about it where it can't be read."""
    found, built, facts = piece
    if built.kind == "broken":
        fault = "; ".join(f.text for f in built.faults)
        candidate.doubts.append(
            Doubt("route", f"the row's other way, {found.printed}: {fault}", only=False)
        )
        return
    own = candidate.pieces[0]
    if built.kind == "action" or own.built.kind in ("broken", "action"):
        return
    line = _fitted(candidate, own, piece)
    if line:
        route: Tree = {"line": line, "from": found.place}
        table.setdefault("route", []).append(route)
        return
    summed = sums.apply(found, built)
    if built.n_bits == own.built.n_bits or not facts.range:
        route = {"line": summed.line}
        if found.place != own.found.place:
            route["from"] = found.place
        if summed.checksum:
            route["checksum"] = summed.checksum
        table.setdefault("route", []).append(route)


def _fitted(candidate: Candidate, own: Piece, piece: Piece) -> str:
    """Return a coarser or wider way written in the bits of the parameter's own value; asks where
    that is open."""
    high = own.facts.range[1] if own.facts.range else (1 << own.built.n_bits) - 1
    other = piece.facts.range[1] if piece.facts.range else (1 << piece.built.n_bits) - 1
    if own.facts.range == piece.facts.range or (
        own.built.n_bits == piece.built.n_bits and high == other
    ):
        return ""
    bits = high.bit_length()
    if (
        own.built.n_bits > 7
        and piece.built.n_bits == 7
        and other == 127
        and high == (1 << bits) - 1
        and bits > 7
    ):
        return piece.built.line.replace("vv", f"v:{bits - 1}-{bits - 7}")
    candidate.doubts.append(
        Doubt(
            "route",
            f"one way carries the value to {high}, the other ({piece.found.printed}) to "
            f"{other}: how they "
            "correspond is not printed",
            only=False,
        )
    )
    return ""


def _find_doubles(candidates: list[Candidate]) -> None:
    """Ask about parameters that are printed with the same bytes: one of them is a misprint."""
    seen: dict[str, list[Candidate]] = {}
    for candidate in candidates:
        if candidate.pieces[0].built.kind == "broken":
            continue
        for piece in candidate.pieces:
            if piece.built.words:
                seen.setdefault(_pattern(piece.built), []).append(candidate)
    for same in seen.values():
        distinct = list(dict.fromkeys(id(c) for c in same))
        if len(distinct) < 2:
            continue
        labels = " and ".join(dict.fromkeys(c.found.label or "a row without a name" for c in same))
        for candidate in same:
            line = candidate.table.get("line", "")
            candidate.doubts.insert(
                0,
                Doubt(
                    "",
                    f"{labels} are printed with the same bytes: {candidate.found.printed}",
                    (Choice("as-printed", "the bytes are right here", {"line": line}),),
                    takes="line",
                ),
            )


def _pattern(built: Built) -> str:
    """Return the line with every value word alike, to find the ones that no receiver can tell
    apart."""
    values = {(m, c) for m, c, *_ in built.parts}
    return " | ".join(
        " ".join("vv" if (m, c) in values else w for c, w in enumerate(words))
        for m, words in enumerate(built.words)
    )
