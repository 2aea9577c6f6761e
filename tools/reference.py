"""Write the generated reference pages: ``make docs``.

``docs/reference/members.md`` lists the members of every table that CONTRIBUTING's "where does it
go" names as there now; ``docs/reference/commands.md`` holds every command's help. A test compares
the pages with what this file would write.
"""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, NamedTuple

from tools.song_findings import findings_page

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "docs" / "reference"
MARK = "<!-- Written by `make docs`: change the code instead. -->\n"

# Where a row keeps its own words, in the order in which we look.
_WORDS = ("about", "words", "text", "help", "summary", "description", "rule")


class Place(NamedTuple):
    """One row of "where does it go": what to add, the file to write, the table and its state."""

    what: str
    file: str
    table: str
    module: str
    state: str


def places() -> list[Place]:
    """Return the rows of the table "where does it go" in CONTRIBUTING."""
    text = (ROOT / "CONTRIBUTING.md").read_text(encoding="utf-8")
    _, found, after = text.partition("\n| you want to add |")
    if not found:
        raise ValueError("CONTRIBUTING.md has lost its table 'you want to add'")
    rows = []
    for line in after.split("\n")[2:]:
        if not line.startswith("|"):
            break
        rows.append(Place(*(cell.strip().strip("`") for cell in line.strip("|").split("|"))))
    return rows


def members(place: Place) -> list[tuple[str, str]]:
    """Return name and words of every member of a table."""
    table: Any = getattr(importlib.import_module("knobwright." + place.module), place.table)
    pairs: Iterable[tuple[Any, Any]]
    if isinstance(table, Mapping):
        pairs = table.items()
    else:
        pairs = ((getattr(row, "name", getattr(row, "__name__", row)), row) for row in table)
    return [(str(name), _words(str(name), row)) for name, row in pairs]


def _words(name: str, row: Any) -> str:
    """Return a row's own words: a field, a text beside its name, or its docstring's first line."""
    for field in _WORDS:
        if isinstance(words := getattr(row, field, None), str) and words:
            return words
    if isinstance(row, str):
        return row if row != name else ""
    if isinstance(row, tuple):
        texts = [part for part in row if isinstance(part, str) and part != name]
        if texts:
            return max(texts, key=len)
        functions = [part for part in row if callable(part)]
        row = functions[0] if functions else row
    return (getattr(row, "__doc__", None) or "").strip().partition("\n")[0]


def members_page() -> str:
    """Return the page that lists the members of every table."""
    lines = [MARK, "# Members of every table\n"]
    lines.append("How to add one stands at the top of the module named.\n")
    for place in places():
        if place.state != "now" or place.table == "COMMANDS":
            continue
        lines.append(f"## {place.table}: {place.what}\n\nIn `knobwright.{place.module}`.\n")
        lines.append("| name | what it is |\n|---|---|")
        for name, words in members(place):
            lines.append(f"| `{name}` | {words.replace('|', chr(92) + '|')} |")
        lines.append("")
    return "\n".join(lines).rstrip("\n") + "\n"


def command_help(*words: str) -> str:
    """Return what the program prints for ``knobwright WORDS --help``."""
    done = subprocess.run(
        [sys.executable, "-m", "knobwright", *words, "--help"],
        env=os.environ
        | {"PYTHONPATH": str(ROOT / "src"), "COLUMNS": "100", "TERM": "dumb", "NO_COLOR": "1"}
        | {"PYTHONUTF8": "1", "LC_ALL": "C.UTF-8"},
        capture_output=True,
        encoding="utf-8",
        check=True,
        timeout=60,
    )
    return "\n".join(line.rstrip() for line in done.stdout.splitlines()).rstrip("\n")


def commands_page() -> str:
    """Return the page with every command's help."""
    (place,) = (place for place in places() if place.table == "COMMANDS")
    lines = [MARK, "# Commands\n", f"```text\n{command_help()}\n```\n"]
    for name, _ in members(place):
        lines.append(f"## {name}\n\n```text\n{command_help(name)}\n```\n")
    return "\n".join(lines).rstrip("\n") + "\n"


# To add a generated page, write a function that returns its text and name it here.
PAGES = {
    "members.md": members_page,
    "commands.md": commands_page,
    "song-findings.md": findings_page,
}


def main() -> None:
    """Write every page that differs and say which."""
    for name, make in PAGES.items():
        path, text = FOLDER / name, make()
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8")
            print(f"{path.relative_to(ROOT)} written")
        else:
            print(f"{path.relative_to(ROOT)} is up to date")


if __name__ == "__main__":
    sys.path.insert(0, str(ROOT / "src"))
    main()
