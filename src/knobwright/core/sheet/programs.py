"""Build how programs are chosen, the list of programs, and the drum kits."""

from __future__ import annotations

from typing import Any

from knobwright.core.sheet.faults import Findings
from knobwright.core.sheet.line import Line
from knobwright.core.sheet.places import Path
from knobwright.core.sheet.records import Kit, Program, Programs
from knobwright.core.sheet.templates import Templates
from knobwright.core.sheet.walk import Tree
from knobwright.core.sheet.words import BANK_HIGH, BANK_LOW, FIXED, PROGRAM

#: A bank: the bytes of controllers 0 and 32 (MIDI 1.0 Detailed Specification 4.2.1, p. 13).
Bank = tuple[int, int]

_HALVES = ((0, BANK_HIGH, "bh"), (32, BANK_LOW, "bl"))


def build_programs(tree: Tree, findings: Findings, templates: Templates) -> Programs | None:
    """Return how programs are chosen, or ``None`` where the sheet does not say or says it wrongly.

    The line must be bank bytes by controllers 0 and 32, then a program change: what comes in is
    understood in this form only.
    """
    table = tree.get("programs")
    if table is None or "line" not in table:
        return None
    template = templates.build(table, ("programs",), "programs")
    if template is None:
        return None
    if why := _not_a_choice(template.line):
        hint = "such as Bn 00 bh 20 bl Cn pp, or Cn pp alone"
        findings.fault(("programs", "line"), why, hint)
        return None
    return Programs(template, table.get("first", 1))


def _not_a_choice(line: Line) -> str:
    """Say what is wrong with the line of programs, or return an empty string."""
    *banks, last = line.messages
    if last[0].fixed & 0xF0 != 0xC0 or last[1].kind != PROGRAM:
        return "the line of programs needs a program byte pp: it ends with Cn pp"
    if any(message[0].kind != last[0].kind for message in banks):
        return "the messages of the line of programs go to different channels"
    seen: set[int] = set()
    for message in banks:
        halves = {number: kind for number, kind, _ in _HALVES if number not in seen}
        number = message[1].fixed
        if message[0].fixed & 0xF0 != 0xB0 or message[1].kind != FIXED or number not in halves:
            return "before the program change stand banks only: controllers 00 and 20, once each"
        if message[2].kind not in (FIXED, halves[number]):
            return "bh is the byte of controller 00, bl that of controller 20 (hex)"
        seen.add(number)
    return ""


def _fixed_bank(programs: Programs | None) -> list[int | None]:
    """Return what the line always sends as bank, high and low; ``None`` where it is a field."""
    if programs is None:
        return [None, None]
    found: list[int | None] = [0, 0]
    for message in programs.template.line.messages[:-1]:
        half = 0 if message[1].fixed == 0 else 1
        found[half] = message[2].fixed if message[2].kind == FIXED else None
    return found


def build_program(
    trees: list[Tree], findings: Findings, programs: Programs | None
) -> tuple[Program, ...]:
    """Return the list of programs; every number and bank must be one that the line can send."""
    fixed = _fixed_bank(programs)
    found: list[Program] = []
    seen: dict[tuple[int, Bank], str] = {}
    for i, tree in enumerate(trees):
        if "number" not in tree or "name" not in tree:
            continue
        path = ("program", i)
        bank = _bank(tree, fixed, path, findings)
        keys = _pair(tree, "keys", (0, 127), path, findings)
        if keys[0] > keys[1]:
            findings.fault((*path, "keys"), f"the keys run from {keys[0]} down to {keys[1]}")
        _number_fits(tree["number"], programs, path, findings)
        place = (tree["number"], bank)
        if place in seen:
            message = f"program {tree['number']} of this bank is {seen[place]!r} already"
            findings.fault((*path, "number"), message)
        seen[place] = tree["name"]
        rest = {k: tree[k] for k in ("voices", "tail_ms", "family") if k in tree}
        found.append(Program(tree["number"], tree["name"], bank, keys=keys, **rest))
    return tuple(found)


def build_kits(trees: list[Tree], findings: Findings, programs: Programs | None) -> tuple[Kit, ...]:
    """Return the drum kits."""
    fixed = _fixed_bank(programs)
    found: list[Kit] = []
    for i, tree in enumerate(trees):
        if "number" not in tree:
            continue
        path = ("kit", i)
        _number_fits(tree["number"], programs, path, findings)
        groups = tree.get("exclusive", [])
        if not _are_groups(groups):
            findings.fault((*path, "exclusive"), "exclusive is a list of lists of keys: [[42, 46]]")
            groups = []
        rest = {k: tree[k] for k in ("name", "tail_ms") if k in tree}
        found.append(
            Kit(
                tree["number"],
                _drums(tree.get("names", {}), path, findings),
                bank=_bank(tree, fixed, path, findings),
                exclusive=tuple(tuple(group) for group in groups),
                **rest,
            )
        )
    return tuple(found)


def _drums(tree: Tree, path: Path, findings: Findings) -> dict[int, str]:
    names: dict[int, str] = {}
    for text, name in tree.items():
        number = int(text) if len(text) <= 3 and text.isascii() and text.isdecimal() else 128
        if number > 127 or not isinstance(name, str):
            message = f'a drum is KEY = "name" with a key 0 to 127, not {text!r}'
            findings.fault((*path, "names"), message)
        elif number in names:
            message = f"two names are given to key {number}: {names[number]!r} and {name!r}"
            findings.fault((*path, "names"), message)
        else:
            names[number] = name
    return names


def _bank(tree: Tree, fixed: list[int | None], path: Path, findings: Findings) -> Bank:
    """Return the bank; report one that the line can't send: it would silently be another."""
    default = (fixed[0] or 0, fixed[1] or 0)
    bank = _pair(tree, "bank", default, path, findings)
    for half, (_, _, word) in enumerate(_HALVES):
        if fixed[half] is not None and bank[half] != fixed[half]:
            message = f"the line of [programs] sends no bank {bank[half]}"
            findings.fault((*path, "bank"), message, f"put {word} into the line of [programs]")
    return bank


def _number_fits(number: int, programs: Programs | None, path: Path, findings: Findings) -> None:
    if programs is None:
        return  # an included sheet may say how programs are counted
    first = programs.first
    if not first <= number <= 127 + first:
        message = f"programs run from {first} to {127 + first}, so {number} is none"
        hint = "first in [programs] says which number is printed for program byte 0"
        findings.fault((*path, "number"), message, hint)


def _are_groups(value: Any) -> bool:
    return isinstance(value, list) and all(
        isinstance(group, list) and all(type(k) is int and 0 <= k <= 127 for k in group)
        for group in value
    )


def _pair(
    tree: Tree, key: str, default: tuple[int, int], path: Path, findings: Findings
) -> tuple[int, int]:
    value = tree.get(key)
    if value is None:
        return default
    if len(value) != 2:
        findings.fault((*path, key), f"{key} is a pair of numbers, such as [0, 0]")
        return default
    return (value[0], value[1])
