"""Settle a question of a sheet: write what the answer gives into the text, comments kept."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any, NamedTuple

import tomlkit
from tomlkit.exceptions import TOMLKitError

from knobwright.core.errors import InputError, NamingError, printable
from knobwright.core.sheet.line import parse_line
from knobwright.core.sheet.questions import LEAVE_OUT, known_keys, table_of
from knobwright.core.sheet.records import Question
from knobwright.core.sheet.shape import KEY
from knobwright.core.sheet.words import MAP

_RANGE = re.compile(
    r"\s*(-?(?:0x)?[0-9A-Fa-f]+[hH]?)\s*(?:\.\.|to|-|:|–|,)\s*(-?(?:0x)?[0-9A-Fa-f]+[hH]?)\s*\Z"
)


class Settled(NamedTuple):
    """The sheet's new text, what was done in words, and the keys that changed."""

    text: str
    done: str
    things: tuple[str, ...]


def find_question(questions: Sequence[Question], about: str) -> Question:
    """Return the open question that ``about`` names: whole, without its topic, or a unique part.

    Raises
    ------
    NamingError
        There is none, or there are several.
    """
    wanted = about.strip().casefold()
    for step in (
        lambda q: q.about.casefold() == wanted,
        lambda q: q.thing.casefold() == wanted,
        lambda q: wanted in q.about.casefold(),
    ):
        hits = [q for q in questions if step(q)]
        if len(hits) == 1:
            return hits[0]
        if hits:
            names = tuple(q.about for q in hits)
            raise NamingError(
                f"{printable(about)!r} fits {len(hits)} questions: {', '.join(names)}",
                hint="give the whole name",
                candidates=names,
            )
    names = tuple(q.about for q in questions)
    if not names:
        raise NamingError("the sheet has no open question")
    close = get_close_matches(wanted, names, n=3, cutoff=0.4) or list(names[:6])
    raise NamingError(
        f"there is no open question about {printable(about)!r}",
        hint=f"open: {', '.join(close)}",
        candidates=names,
    )


def find_choice(question: Question, choice: str) -> str | None:
    """Return the name of the choice that a text means, or ``None`` if it is none of them.

    A choice may be given by its name, its number in the list (from 1), or the beginning of its
    name.

    Raises
    ------
    NamingError
        It begins several names.
    """
    wanted = choice.strip().casefold()
    names = list(question.choices)
    exact = [name for name in names if name.casefold() == wanted]
    if exact:
        return exact[0]
    if wanted.isdecimal() and len(wanted) < 4 and not question.takes:
        number = int(wanted)
        return names[number - 1] if 1 <= number <= len(names) else None
    begun = [name for name in names if wanted and name.casefold().startswith(wanted)]
    if len(begun) > 1:
        raise NamingError(
            f"{printable(choice)!r} begins several choices: {', '.join(begun)}",
            candidates=tuple(begun),
        )
    return begun[0] if begun else None


def settle(text: str, question: Question, choice: str) -> Settled:
    """Return the sheet's text with the question settled.

    Parameters
    ----------
    text : str
        The sheet's own text (not what it includes).
    question : Question
        One of its open questions.
    choice : str
        A choice's name or number, or a typed line, range, default or rule where the question
        takes one.

    Raises
    ------
    InputError
        The choice is none, what was typed can't be taken, or the text can't be edited.
    """
    try:
        document = tomlkit.parse(text)
    except (TOMLKitError, RecursionError, ValueError) as error:
        raise InputError(f"the sheet can't be edited: {printable(str(error))[:200]}") from error
    name = find_choice(question, choice)
    things = (question.thing, *(also.partition("/")[0] for also in question.also))
    if name is None:
        gives: Mapping[str, Any] = _typed(question, choice)
        done = f"{question.about}: {choice.strip()}"
    else:
        gives = question.gives.get(name, {})
        done = f"{question.about}: {name} ({question.choices[name]})"
    for thing in things:
        if name is not None and name.casefold() == LEAVE_OUT:
            _remove(document, thing)
        elif gives:
            _write(document, thing, gives, question)
    _drop_question(document, question.about)
    return Settled(tomlkit.dumps(document), done, things)


def _typed(question: Question, typed: str) -> dict[str, Any]:
    takes = question.takes
    if takes == "line":
        parts = [part.strip() for part in typed.split("|")]
        parse_line(parts, question.about)
        return {**_printed_beside(question), "line": parts[0] if len(parts) == 1 else parts}
    if takes == "range":
        match = _RANGE.match(typed)
        if match:
            return {"range": [_number(match[1]), _number(match[2])]}
        raise InputError(
            f"{printable(typed)!r} is no range", where=question.about, hint="write it as 0..127"
        )
    if takes == "default":
        return {"default": _number(typed)}
    if takes == "rule":
        return {"rule": typed.strip()}
    choices = ", ".join(question.choices)
    raise InputError(
        f"{printable(typed)!r} is none of the choices",
        where=question.about,
        hint=f"choices: {choices}",
    )


#: What a choice's gives say of a parameter besides its bytes: it holds for a typed line too.
_BESIDE = ("label", "section", "range", "default", "shown", "choices", "unit", "from")


def _printed_beside(question: Question) -> dict[str, Any]:
    """Return what the print says beside the line, by the first choice that makes a parameter."""
    for gives in question.gives.values():
        if "label" in gives:
            return {key: gives[key] for key in _BESIDE if key in gives}
    return {}


def _number(text: str) -> int:
    text = text.strip()
    try:
        if text[-1:] in "hH":
            return int(text[:-1], 16)
        return int(text, 16) if text.lower().startswith("0x") else int(text)
    except ValueError as error:
        raise InputError(
            f"{printable(text)!r} is no whole number", hint="decimal, or hex as 40h or 0x40"
        ) from error


def _entry(document: Any, thing: str) -> tuple[Any, Any]:
    """Return (the list or table that holds a thing, its place in it) or (that, ``None``)."""
    table, name = table_of(thing)
    if table in ("parameter", "block"):
        rows = document.get(table)
        for i, row in enumerate(rows or ()):
            if row.get("key") == name:
                return rows, i
        return rows, None
    if not name:
        return document, table if table in document else None
    tables = document.get(table)
    return tables, name if tables is not None and name in tables else None


def _remove(document: Any, thing: str) -> None:
    holder, place = _entry(document, thing)
    if place is not None:
        del holder[place]
        table, _ = table_of(thing)
        if table in ("parameter", "block") and not len(document[table]):
            del document[table]


def _write(document: Any, thing: str, gives: Mapping[str, Any], question: Question) -> None:
    table, name = table_of(thing)
    unknown = set(gives) - known_keys(table)
    if unknown:
        raise InputError(
            f"the answer would write {', '.join(sorted(unknown))}, which {table} does not have",
            where=question.about,
        )
    holder, place = _entry(document, thing)
    target = holder[place] if place is not None else _new(document, table, name, question)
    for key, value in gives.items():
        plain = value.unwrap() if hasattr(value, "unwrap") else value
        if table == "parameter" and key != "route" and isinstance(plain, Mapping):
            inline = tomlkit.inline_table()
            inline.update({str(k): v for k, v in plain.items()})
            target[key] = inline
        else:
            target[key] = tomlkit.item(plain)
    if table == "parameter" and "line" in gives:
        _fit_to_line(target, gives)


def _fit_to_line(target: Any, gives: Mapping[str, Any]) -> None:
    """Make what belongs to the line fit a new one: per, checksum and maps that it does not use."""
    line = target["line"]
    template = parse_line(line if isinstance(line, str) else list(line))
    if "checksum" in target and not template.spans and "checksum" not in gives:
        del target["checksum"]
    letters = {cell.name for cell in template.cells() if cell.kind == MAP}
    if "map" in target and "map" not in gives and not letters & set(target["map"]):
        del target["map"]
    if "per" in gives or letters:
        return
    per = [
        n for n, has in (("channel", template.needs_channel), ("key", template.needs_key)) if has
    ]
    if per:
        target["per"] = per
    elif "per" in target:
        del target["per"]


def _new(document: Any, table: str, name: str, question: Question) -> Any:
    if table == "parameter":
        if not KEY.match(name):
            raise InputError(f"{name!r} can't be the key of a parameter", where=question.about)
        row = tomlkit.table()
        row["key"] = name
        row["from"] = question.place
        if "parameter" not in document:
            document.add("parameter", tomlkit.aot())
        document["parameter"].append(row)
        return document["parameter"][-1]
    if table == "block":
        raise InputError(f"there is no block {name!r} to write into", where=question.about)
    if not name:
        document.add(table, tomlkit.table())
        return document[table]
    if table not in document:
        document.add(table, tomlkit.table(is_super_table=True))
    document[table].add(name, tomlkit.table())
    return document[table][name]


def _drop_question(document: Any, about: str) -> None:
    rows = document.get("question")
    for i, row in enumerate(rows or ()):
        if row.get("about") == about:
            del rows[i]
            break
    if rows is not None and not len(rows):
        del document["question"]
