"""Files and functions stay small enough to be read in one go."""

from __future__ import annotations

import ast

from tests.policy.tree import python_files, shown

MAX_FILE_LINES = 500
MAX_FUNCTION_LINES = 60

# Old offenders: "path" or "path::function" to its length in lines. This list may only shrink: a
# longer function fails, and so does an entry that is no longer needed or has become shorter.
DEBT: dict[str, int] = {}


def lengths(source: str, name: str) -> dict[str, int]:
    """Return the length in lines of the file ``name`` and of each of its functions.

    A function counts from its ``def`` to its last line, its docstring included.
    """
    found = {name: len(source.splitlines())}
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            assert node.end_lineno is not None
            key = f"{name}::{node.name}"
            found[key] = max(found.get(key, 0), node.end_lineno - node.lineno + 1)
    return found


def limit(key: str) -> int:
    """Return how many lines this file or function may have."""
    return MAX_FUNCTION_LINES if "::" in key else MAX_FILE_LINES


def all_lengths() -> dict[str, int]:
    """Return the lengths of everything that the rule covers."""
    found: dict[str, int] = {}
    for path in python_files("src", "tests", "perf", "tools"):
        found |= lengths(path.read_text(encoding="utf-8"), shown(path))
    return found


def test_lengths_are_counted_with_the_last_line() -> None:
    source = 'X = 1\n\n\ndef f():\n    """Say."""\n    return 1\n'
    assert lengths(source, "a.py") == {"a.py": 6, "a.py::f": 3}


def test_nothing_is_longer_than_it_may_be() -> None:
    found = all_lengths()
    long = [
        f"{key}: {n} lines, at most {DEBT.get(key, limit(key))}"
        for key, n in sorted(found.items())
        if n > DEBT.get(key, limit(key))
    ]
    assert not long, "split these:\n" + "\n".join(long)


def test_the_debt_list_only_shrinks() -> None:
    found = all_lengths()
    stale = [
        f"{key}: listed with {n}, now {found.get(key, 0)}"
        for key, n in DEBT.items()
        if found.get(key, 0) != n or n <= limit(key)
    ]
    assert not stale, "bring DEBT up to date:\n" + "\n".join(stale)
