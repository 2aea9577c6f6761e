"""Draft a sheet from a leaflet: what is certain is taken, what is likely is taken and asked about,
what is
unclear is only asked about."""

from __future__ import annotations

import re
from typing import NamedTuple

from knobwright.core.codec.checksums import CHECKSUMS
from knobwright.core.reading.accounting import account, controllers, notes_of, rows_of
from knobwright.core.reading.assemble import Candidate, assemble
from knobwright.core.reading.blocks import read_blocks
from knobwright.core.reading.built import Built
from knobwright.core.reading.collect import Collected, collect
from knobwright.core.reading.context import Context
from knobwright.core.reading.devices import device_ids
from knobwright.core.reading.families import Checksums
from knobwright.core.reading.found import Doubt, Found, Tree
from knobwright.core.reading.layout import Placed, place_rows
from knobwright.core.reading.listed import ask_listed, gather
from knobwright.core.reading.lists import Lists, read_lists
from knobwright.core.reading.maps import read_maps
from knobwright.core.reading.pages import split_pages
from knobwright.core.reading.proof import faults_of
from knobwright.core.reading.questions import LEAVE_OUT, Question, ask
from knobwright.core.reading.receiver import read_receiver, read_setup
from knobwright.core.reading.rows import Leaflet
from knobwright.core.reading.unfold import unfold


class Note(NamedTuple):
    """A row that was read and not taken: its ``place``, ``text`` and ``why``."""

    place: str
    text: str
    why: str


class Draft(NamedTuple):
    """A drafted sheet.

    ``tree`` has the shape of the sheet's TOML, its questions included; ``questions`` are the
    same as records;
    ``notes`` are what was read and not taken, each with the reason; ``ignored`` counts the rows
    of text that
    say nothing about messages.
    """

    tree: Tree
    questions: tuple[Question, ...]
    notes: tuple[Note, ...]
    ignored: int


def draft(leaflet: Leaflet) -> Draft:
    """Return the draft of a sheet.

    Parameters
    ----------
    leaflet : Leaflet
        The rows of a leaflet, from any source.

    Returns
    -------
    Draft
        Tree, questions, notes; every parameter says its place in the leaflet.
    """
    rows = gather(place_rows(unfold(split_pages(leaflet))))
    context = Context(rows)
    maps, map_tables, map_rows = read_maps(rows)
    lists = read_lists(rows, context)
    context.consumed |= lists.rows | map_rows
    context.map_letters = frozenset(maps)
    collected = collect(context)
    sums = Checksums(context, collected)
    candidates = assemble(context, collected, sums, maps)
    blocks = read_blocks(collected, sums)
    ids, doubt, place = device_ids(context, _lines(collected))
    tree = _tree(leaflet, rows, context, ids, collected)
    _add_tables(tree, map_tables, sums, lists, blocks, collected)
    questions = _settle(tree, candidates)
    questions.extend(_about_module(doubt, place, ids))
    questions.extend(_about_programs(lists, context))
    questions.extend(_about_sums(sums, context))
    questions.extend(_about_rows(collected))
    unread, notes = _account(context, collected)
    questions.extend(unread)
    if questions:
        tree["question"] = [q.tree() for q in questions]
    return Draft(tree, tuple(questions), tuple(Note(*note) for note in notes), collected.n_ignored)


def _about_programs(lists: Lists, context: Context) -> list[Question]:
    """Ask how programs are numbered where nothing printed says it: a wrong byte would go unseen."""
    if not lists.programs or not lists.is_unsure:
        return []
    place = context.rows[min(lists.rows)].row.place if lists.rows else ""
    number, _ = min(lists.programs)
    return [
        Question(
            "programs",
            place,
            f"programs are listed from {number} on, and nothing says which byte {number} sends",
            {
                "less-one": f"the byte is the number less 1: {number} sends {number - 1:02X}",
                "as-printed": f"the byte is the number itself: {number} sends {number:02X}",
            },
            {"less-one": {"first": 1}, "as-printed": {"first": 0}},
        )
    ]


def _account(
    context: Context, collected: Collected
) -> tuple[list[Question], list[tuple[str, str, str]]]:
    """Ask about the rows that print a message and became nothing; note what sets nothing."""
    lines = _lines(collected)
    noted = {place for place, *_ in collected.notes}
    taken = rows_of((found for found, _ in lines), context) | context.consumed
    taken |= {p.row_index for p in context.rows if p.row.place in noted}
    questions, notes = account(context, taken, controllers(lines))
    asked = {q.about for q in questions}
    questions += [q for q in ask_listed(context.rows, taken) if q.about not in asked]
    notes[:0] = [
        (context.rows[e.row_index].row.place, e.text[:120], "an example of a message")
        for e in context.examples
        if e.row_index in context.consumed
    ]
    return questions, [*collected.notes, *notes_of(collected.others), *notes]


def _settle(tree: Tree, candidates: list[Candidate]) -> list[Question]:
    """Put the parameters into the tree; what the codec's check refuses is only asked about."""
    for _ in range(8):
        taken = [c for c in candidates if not c.only_asked]
        tree["parameter"] = [c.table for c in taken]
        faults = faults_of(tree)
        if -2 in faults:
            tree["block"] = [b for b in tree["block"] if b["key"] != faults[-2]]
            if not tree["block"]:
                del tree["block"]
        elif not any(k >= 0 for k in faults):
            break
        for k, message in faults.items():
            if k >= 0:
                taken[k].doubts.append(
                    Doubt("", f"{taken[k].found.printed}: {message}", takes="line")
                )
    if not tree["parameter"]:
        del tree["parameter"]
    used: set[str] = set()
    questions: list[Question] = []
    for candidate in candidates:
        questions.extend(_questions(candidate, used))
    return questions


def _lines(collected: Collected) -> list[tuple[Found, Built]]:
    """Return every line that was built, whatever it is."""
    return [(p.found, p.built) for p in collected.pieces] + collected.others


def _questions(candidate: Candidate, used: set[str]) -> list[Question]:
    """Return the questions about one parameter."""
    if not candidate.doubts:
        return []
    whole = None
    if candidate.only_asked:
        whole = {k: v for k, v in candidate.table.items() if k not in ("key",)}
    found = candidate.found
    return ask(
        candidate.key, found.label, found.section, found.place, candidate.doubts, whole, used
    )


def _about_module(doubt: str, place: str, ids: list[str]) -> list[Question]:
    """Ask for the device number where the leaflet does not give it."""
    if not doubt:
        return []
    choices = {f"id-{ids[0].lower()}": f"it is {ids[0]} (hexadecimal)", "id-00": "it is 00"}
    gives: dict[str, Tree] = {name: {"device_ids": [name[3:].upper()]} for name in choices}
    return [Question("module", place, doubt, choices, gives)]


def _about_sums(sums: Checksums, context: Context) -> list[Question]:
    """Ask about each checksum that is not settled."""
    out: list[Question] = []
    for name, solution in sums.questions.items():
        place = (
            context.rows[solution.row_index].row.place
            if solution.row_index >= 0
            else "the exclusive messages"
        )
        rules = {row.name: row.words for row in CHECKSUMS.values()}
        gives: dict[str, Tree] = {rule: {"rule": rule} for rule in rules}
        out.append(
            Question(
                f"checksum.{name}",
                place,
                f"checksum, read as {solution.rule}: {solution.doubt}",
                rules,
                gives,
            )
        )
    return out


def _about_rows(collected: Collected) -> list[Question]:
    """Ask about rows whose fields are never explained: a shape that no table uses."""
    out: list[Question] = []
    for n, (found, built) in enumerate(collected.others):
        if built.kind != "shape" or found.is_prose or not found.label or not built.is_exclusive:
            continue
        if collected.used_shapes:
            continue
        key = f"row-{n + 1}"
        out.append(
            Question(
                key,
                found.place,
                f"{found.printed}: what its address stands for is not printed",
                {LEAVE_OUT: "leave it out of the sheet"},
                {},
                (),
                "line",
                found.label,
                found.section,
            )
        )
    return out


def _tree(
    leaflet: Leaflet, rows: list[Placed], context: Context, ids: list[str], collected: Collected
) -> Tree:
    """Return the tree's head: format, module and receiver."""
    module: Tree = {"name": _title(rows, leaflet.name)}
    makers = [
        b.words[0][1:4] if b.words[0][1] == "00" else b.words[0][1:2]
        for _, b in _lines(collected)
        if b.is_exclusive and b.words[0][1] not in ("7E", "7F")
    ]
    if makers:
        common = max(set(makers), key=makers.count)
        module["maker_id"] = " ".join(common)
    if ids:
        module["device_ids"] = ids
    tree: Tree = {"format": 1, "module": module}
    receiver = read_receiver(context, collected, module)
    if receiver:
        tree["receiver"] = receiver
    setup = read_setup(context, collected)
    if setup:
        tree["setup"] = setup
    return tree


def _title(rows: list[Placed], name: str) -> str:
    """Return the module's name from the first row that has text."""
    for placed in rows[:20]:
        if placed.kind in ("blank", "header"):
            continue
        if placed.row.table and any(placed.roles):
            break
        text = " ".join(c.strip() for c in placed.cells if c.strip())
        text = re.split(r"[,;:]|\s{2,}", text)[0].strip(" *#-=")
        if any(c.isalpha() for c in text):
            return text[:80]
    return re.split(r"[/\\]", name)[-1].rsplit(".", 1)[0] or "module"


def _add_tables(
    tree: Tree,
    map_tables: Tree,
    sums: Checksums,
    lists: Lists,
    blocks: list[Tree],
    collected: Collected,
) -> None:
    """Add programs, kits, checksums, maps, parameters and blocks."""
    tree.update(lists.tree(collected))
    if sums.names:
        tree["checksum"] = {name: {"rule": rule} for rule, name in sums.names.items()}
    if map_tables:
        tree["map"] = map_tables
    if blocks:
        tree["block"] = blocks
