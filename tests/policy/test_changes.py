"""One file a change in changes.d/, one full sentence from the user's side, and one version."""

from __future__ import annotations

import re
import tomllib

import pytest

import knobwright
from tests.policy.tree import ROOT

_NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*\.md")
_NEXT_SENTENCE = re.compile(r"[.!?]\s+[A-Z]")


def faults(name: str, text: str) -> list[str]:
    """Return what is wrong with one change file, in words."""
    found = []
    sentence = " ".join(text.split())
    if not _NAME.fullmatch(name):
        found.append("its name must be small letters, digits and hyphens, ending in .md")
    if "\n\n" in text.strip():
        found.append("it must be one paragraph")
    if not sentence.endswith((".", "!")) or not re.match(r"[A-Z`]", sentence):
        found.append("it must be a full sentence: a capital first, a full stop last")
    if _NEXT_SENTENCE.search(sentence):
        found.append("it must be one sentence")
    if len(sentence.split()) < 5 or len(sentence) > 400:
        found.append("it must say what changed for the user in 5 words to 400 characters")
    return [f"changes.d/{name}: {fault}" for fault in found]


@pytest.mark.parametrize(
    ("name", "text", "n_faults"),
    [
        ("check-names-lines.md", "`check` now names the line of every fault.\n", 0),
        ("two-lines.md", "The splitter keeps the arrival time\nof every message.\n", 0),
        ("Upper_Case.md", "The splitter keeps the arrival time of every message.\n", 1),
        ("no-stop.md", "The splitter keeps the arrival time of every message\n", 1),
        ("short.md", "Fixed bug.\n", 1),
        ("two.md", "The splitter keeps times. It also counts what it drops.\n", 1),
        ("long.md", "The splitter\n\nkeeps the arrival time of every message.\n", 1),
    ],
)
def test_the_rule_itself(name: str, text: str, n_faults: int) -> None:
    assert len(faults(name, text)) == n_faults


def test_every_change_file_keeps_the_rule() -> None:
    found = []
    for path in sorted((ROOT / "changes.d").iterdir()):
        if path.name != "README.md":
            found += faults(path.name, path.read_text(encoding="utf-8"))
    assert not found, "\n".join(found)


def test_the_version_is_the_same_everywhere() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == knobwright.__version__
    newest = re.search(
        r"^## (\S+)", (ROOT / "CHANGELOG.md").read_text(encoding="utf-8"), re.MULTILINE
    )
    assert newest is not None
    assert newest[1] in ("Unreleased", knobwright.__version__)
