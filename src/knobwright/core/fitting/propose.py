"""Proposals for a mapping: the nearest substitute for what a song asks for and the module lacks.

A proposal is text for the user's table. It is applied only once it stands there.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import tomlkit
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT

from knobwright.core.errors import InputError, printable
from knobwright.core.fitting.families import nearest, nearest_key
from knobwright.core.fitting.mapping import Mapping
from knobwright.core.fitting.parts import Parts
from knobwright.core.fitting.programs import Choice, Names
from knobwright.core.sheet.records import Program

PROGRAM = "program"
DRUM = "drum"


class Proposal(NamedTuple):
    """What might stand for a program or a drum key of the song.

    ``kind`` is ``program`` or ``drum``; ``source`` the printed program number of the song's side or
    the key, ``source_name`` its name; ``to`` and ``bank`` what is proposed (``None``: nothing of
    the module is of a kind), ``to_name`` its name; ``why`` says how it was found. ``n_notes`` are
    the notes that it is for, ``channels`` their channels; ``voices`` what one note takes.
    """

    kind: str
    source: int
    source_name: str
    to: int | None
    bank: tuple[int, int]
    to_name: str
    why: str
    n_notes: int
    channels: tuple[int, ...]
    voices: int = 1

    def words(self) -> str:
        """Return it in one line."""
        what = "drum key" if self.kind == DRUM else "program"
        source = f"{what} {self.source} {self.source_name}".rstrip()
        if self.to is None:
            return printable(f"{source}: {self.why}")
        to = self.to_name or str(self.to)
        return printable(f"{source}: perhaps {to} ({self.why})")


def propose(
    parts: Parts, standard: Names, target: Names, mapping: Mapping | None = None
) -> list[Proposal]:
    """Return proposals for all programs and drum keys that want one and have no row yet.

    Parameters
    ----------
    parts : Parts
        Of the song, read with the module's codec.
    standard : Names
        Of the sheet whose numbers the song uses: General MIDI as a rule.
    target : Names
        The module's.
    mapping : Mapping, optional
        The rows that are there.
    """
    mapping = Mapping() if mapping is None else mapping
    return [*_programs(parts, standard, target, mapping), *_drums(parts, target, mapping)]


def _programs(parts: Parts, standard: Names, target: Names, mapping: Mapping) -> Iterator[Proposal]:
    wanted: dict[int, tuple[Program, int, list[int]]] = {}
    for part in parts.playing:
        if part.is_drums:
            continue
        for played in part.programs:
            choice = Choice(played.number - target.first + standard.first, played.bank)
            program = standard.program(Choice(choice.number)) if played.is_chosen else None
            if program is None or not played.n_notes or mapping.program(choice, part.channel):
                continue
            if played.is_known is not False and not played.is_other_kind:
                continue
            _, n, channels = wanted.get(program.number, (program, 0, []))
            wanted[program.number] = (program, n + played.n_notes, [*channels, part.channel])
    for number, (program, n, channels) in sorted(wanted.items()):
        found = nearest(program, target.sheet.program)
        at = tuple(dict.fromkeys(channels))
        if found is None:
            why = f"nothing of the module is of a kind with {program.family or 'it'}"
            yield Proposal(PROGRAM, number, program.name, None, (0, 0), "", why, n, at)
        else:
            to = found.program
            yield Proposal(PROGRAM, number, program.name, to.number, to.bank, to.name, found.why,
                           n, at, to.voices)  # fmt: skip


def _drums(parts: Parts, target: Names, mapping: Mapping) -> Iterator[Proposal]:
    there = {key: name for kit in target.sheet.kits for key, name in kit.names.items()}
    wanted: dict[int, tuple[str, int, list[int]]] = {}
    for part in parts.playing:
        for played in part.drum_keys:
            if played.is_known is False and played.key not in mapping.drums:
                name, n, channels = wanted.get(played.key, (played.standard_name, 0, []))
                wanted[played.key] = (name, n + played.n_notes, [*channels, part.channel])
    for key, (name, n, channels) in sorted(wanted.items()):
        found = nearest_key(key, there)
        if found is None:
            why = "no drum of the module is of a kind with it"
            yield Proposal(DRUM, key, name, None, (0, 0), "", why, n, tuple(channels))
        else:
            to, why = found
            yield Proposal(DRUM, key, name, to, (0, 0), there[to], why, n, tuple(channels))


def with_proposals(text: str, proposals: list[Proposal]) -> str:
    """Return a mapping's text with rows for proposals at its ends; comments are kept.

    Proposals without a substitute become comments: what is missing is not forgotten.

    Parameters
    ----------
    text : str
        A mapping without faults, or an empty string for a new one.

    Raises
    ------
    InputError
        It is not TOML.
    """
    try:
        document = tomlkit.parse(text or _NEW)
    except TOMLKitError as error:
        raise InputError(f"the mapping is not TOML: {error}") from error
    for kind in (PROGRAM, DRUM):
        rows = [proposal for proposal in proposals if proposal.kind == kind]
        if not any(row.to is not None for row in rows):
            continue
        array = document.get(kind)
        if not isinstance(array, AoT):
            array = tomlkit.aot()
            document[kind] = array
        for row in rows:
            if row.to is not None:
                array.append(_table(row))
    none = [row.words() for row in proposals if row.to is None]
    out = tomlkit.dumps(document).rstrip("\n") + "\n"
    return out + "".join(f"# {words}\n" for words in none)


_NEW = """\
# What stands for what: rows of this table are applied by `knobwright prepare --mapping`.
# Change a row, or remove it, as you like. docs/reference/mapping.md tells the rest.
format = 1

"""


def _table(row: Proposal) -> tomlkit.items.Table:
    table = tomlkit.table()
    named = f"{row.source_name}: {row.why}" if row.source_name else row.why
    table.add(tomlkit.comment(printable(f"proposed for {named}; {row.n_notes} notes")))
    table["from"] = row.source
    if row.bank == (0, 0):
        table["to"] = row.to
    else:
        inline = tomlkit.inline_table()
        inline.update({"number": row.to, "bank": list(row.bank)})
        table["to"] = inline
    voices = f", {row.voices} voices a note" if row.voices > 1 else ""
    table["to"].comment(printable(row.to_name + voices))
    return table
