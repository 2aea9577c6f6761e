"""The questions of a sheet: build them, and tell which one stands in the way of a parameter."""

from __future__ import annotations

from knobwright.core.sheet.faults import Findings
from knobwright.core.sheet.records import Block, Parameter, Question, Sheet, Template
from knobwright.core.sheet.shape import TABLES
from knobwright.core.sheet.walk import Tree
from knobwright.core.sheet.words import DEVICE

#: The choice that takes the thing in doubt out of the sheet.
LEAVE_OUT = "leave-out"


def build_questions(trees: list[Tree], findings: Findings) -> tuple[Question, ...]:
    """Return the open questions; each is also reported as one."""
    found: dict[str, Question] = {}
    for i, tree in enumerate(trees):
        path = ("question", i)
        if not {"about", "place", "understood", "choices"} <= set(tree):
            continue
        about = tree["about"]
        choices = {k: v for k, v in tree["choices"].items() if isinstance(v, str)}
        if len(choices) != len(tree["choices"]) or not (choices or "takes" in tree):
            findings.fault((*path, "choices"), 'choices are NAME = "what it means"')
            continue
        gives = tree.get("gives", {})
        _check_gives(about, gives, choices, (*path, "gives"), findings)
        if about in found:
            hint = f'write the second one as about = "{about}/topic"'
            findings.fault((*path, "about"), f"there are two questions about {about!r}", hint)
        found[about] = Question(
            about=about,
            place=tree["place"],
            understood=tree["understood"],
            choices=choices,
            gives=gives,
            takes=tree.get("takes", ""),
            also=tuple(tree.get("also", ())),
        )
        words = f"open question: {tree['understood']}"
        hint = f"{tree['place']}; choices: {', '.join(choices) or 'type the ' + tree['takes']}"
        findings.question(path, words, hint, about)
    return tuple(found.values())


def _check_gives(
    about: str,
    gives: Tree,
    choices: dict[str, str],
    path: tuple[str | int, ...],
    findings: Findings,
) -> None:
    holder, _ = table_of(about.partition("/")[0])
    known = known_keys(holder)
    for choice, table in gives.items():
        if choice not in choices:
            findings.fault((*path, choice), f"gives names {choice!r}, which is none of the choices")
        elif not isinstance(table, dict):
            findings.fault((*path, choice), f"gives.{choice} must be a table")
        else:
            for key in sorted(set(table) - known):
                message = f"gives.{choice} would write {key!r}, which a {holder} does not have"
                findings.fault((*path, choice), message, f"known keys: {', '.join(sorted(known))}")


def blocking(sheet: Sheet, parameter: Parameter) -> Question | None:
    """Return the open question because of which a parameter must not be sent, if any."""
    things = {parameter.key}
    for route in parameter.routes:
        things |= _things_in(route.template)
        things.update(route.template.line.others)
    things.update(f"block.{at.block}" for at in parameter.at)
    return _first_about(sheet, things)


def blocking_block(sheet: Sheet, block: Block) -> Question | None:
    """Return the open question because of which a dump or its request must not be sent, if any."""
    things = {f"block.{block.key}"} | _things_in(block.template)
    if block.request is not None:
        things |= _things_in(block.request)
    return _first_about(sheet, things)


def _things_in(template: Template) -> set[str]:
    """Return what a template uses that a question can be about: checksums, maps, device ids."""
    things = {f"checksum.{checksum.name}" for checksum in template.checksums}
    things.update(f"map.{row.name}" for _, row in template.maps)
    if template.line.has(DEVICE) or any(row.of == "device" for _, row in template.maps):
        things.add("module")
    return things


def _first_about(sheet: Sheet, things: set[str]) -> Question | None:
    return next((q for q in sheet.questions if _is_about(q, things)), None)


def _is_about(question: Question, things: set[str]) -> bool:
    return question.thing in things or any(
        also.partition("/")[0] in things for also in question.also
    )


def table_of(thing: str) -> tuple[str, str]:
    """Return the table and the entry that a question's thing names: ``("checksum", "body")``.

    A parameter's key gives ``("parameter", KEY)``; ``module`` gives ``("module", "")``.
    """
    head, _, rest = thing.partition(".")
    if rest and head in ("checksum", "map", "block"):
        return head, rest
    if not rest and head in ("module", "receiver", "programs"):
        return head, ""
    return "parameter", thing


def known_keys(table: str) -> frozenset[str]:
    """Return the keys that an answer may write into a table."""
    return frozenset(TABLES[f"{table}/*" if f"{table}/*" in TABLES else table])
