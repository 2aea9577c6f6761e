"""Change the text of a bench, comments kept: what the link test found, a new assignment."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, cast

import tomlkit
from msgspec.structs import asdict
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Table

from knobwright.core.bench.shape import TABLES
from knobwright.core.errors import InputError
from knobwright.core.surface.assignment import Assignment


def with_proven(text: str, link: int, proven: Mapping[str, object]) -> str:
    """Return the bench's text with what the link test found of a link.

    Parameters
    ----------
    text : str
        A bench without faults.
    link : int
        Number of the link from 0.
    proven : mapping
        Keys of ``[link.proven]``; what it does not name is removed, ``None`` is left out.

    Raises
    ------
    InputError
        There is no such link, or a value is none for its key.
    """
    document = _parse(text)
    links = document.get("link")
    if not isinstance(links, AoT) or not 0 <= link < len(links):
        raise InputError(f"the bench has no link {link + 1}")
    found = {key: value for key, value in proven.items() if value is not None}
    for key, value in found.items():
        row = TABLES["proven"].get(key)
        wrong = "is no key of it" if row is None else row.check(value)
        if wrong:
            raise InputError(f"what was found of a link: {key} {wrong}")
    table = links[link]
    was = table.get("proven")
    if isinstance(was, Table):  # its comments stay
        for key in [key for key in was if key not in found]:
            del was[key]
        for key, value in found.items():
            was[key] = value
    else:
        fresh = tomlkit.table()
        for key, value in found.items():
            fresh[key] = value
        table["proven"] = fresh
    return tomlkit.dumps(document)


def with_assignment(text: str, assignment: Assignment) -> str:
    """Return the bench's text with one more ``[[assignment]]`` at its end.

    Only what differs from a plain assignment is written.
    """
    document = _parse(text)
    plain = asdict(Assignment(control="", parameter=""))
    table = tomlkit.table()
    for key, value in asdict(assignment).items():
        if value != plain[key] or key in ("control", "parameter"):
            table[key] = _listed(value)
    rows = document.get("assignment")
    if isinstance(rows, AoT):
        rows.append(table)
    else:
        fresh = tomlkit.aot()
        fresh.append(table)
        document["assignment"] = fresh
    return tomlkit.dumps(document)


def with_allowed(text: str, beginning: str) -> str:
    """Return the bench's text with one more beginning of exclusive messages that may pass."""
    document = _parse(text)
    passing = document.get("pass")
    if not isinstance(passing, Table):
        passing = tomlkit.table()
        document["pass"] = passing
    allowed = passing.get("allow")
    if not isinstance(allowed, list):
        allowed = tomlkit.array()
        passing["allow"] = allowed
        allowed = cast(list[str], passing["allow"])
    if beginning not in allowed:
        allowed.append(beginning)
    return tomlkit.dumps(document)


def _listed(value: Any) -> Any:
    return [_listed(item) for item in value] if isinstance(value, tuple) else value


def _parse(text: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except TOMLKitError as error:
        raise InputError(f"the bench is not TOML: {error}") from error
