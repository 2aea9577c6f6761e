"""The pages can't go stale: what they type is typed, what they link to is there."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from tests.policy import console
from tests.policy.tree import ROOT, project_files, shown

PAGES = [
    path
    for path in project_files()
    if path.suffix == ".md"
    and (path.parent == ROOT or path.relative_to(ROOT).parts[0] in ("docs", "changes.d"))
]
TYPING = [path for path in PAGES if console.steps(path.read_text(encoding="utf-8"))]


def folder_with_examples(folder: Path) -> Path:
    """Copy examples/ into the folder: a reader starts beside them."""
    shutil.copytree(ROOT / "examples", folder / "examples")
    return folder


def test_steps_are_read_with_their_output_and_place() -> None:
    page = "Text\n\n```console\n$ knobwright a \\\n    b\nout\n\nmore\n$ echo $?\n0\n```\n"
    assert console.steps(page) == [
        console.Step("knobwright a b", "out\n\nmore", 4),
        console.Step("echo $?", "0", 9),
    ]


def test_a_picture_is_not_typed() -> None:
    assert console.steps("```console no-run\n$ knobwright a\n```\n") == []


def test_a_wrong_output_is_noticed(tmp_path: Path) -> None:
    (tmp_path / "a.txt").write_text("one  \ntwo\n", encoding="utf-8")
    page = "```console\n$ cat a.txt\none\ntwo\n$ cat a.txt\none\n```\n"
    found = console.differences(page, tmp_path)
    assert len(found) == 1
    assert found[0].startswith("line 5: $ cat a.txt")


def test_other_programs_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="not rm"):
        console.differences("```console\n$ rm -r x\n```\n", tmp_path)


def test_the_readme_types_its_worked_example() -> None:
    assert ROOT / "README.md" in TYPING, "README.md needs a console block that runs knobwright"


@pytest.mark.parametrize("page", TYPING, ids=shown)
def test_a_page_shows_what_really_happens(page: Path, tmp_path: Path) -> None:
    folder = folder_with_examples(tmp_path)
    found = console.differences(page.read_text(encoding="utf-8"), folder)
    assert not found, f"{shown(page)}, " + "\n\n".join(found)


@pytest.mark.parametrize("page", PAGES, ids=shown)
def test_links_lead_somewhere(page: Path) -> None:
    text = re.sub(r"^```.*?^```$", "", page.read_text(encoding="utf-8"), flags=re.M | re.S)
    targets = re.findall(r"\]\(([^)#\s]+)[^)]*\)", text)
    lost = [
        target for target in targets if "://" not in target and not (page.parent / target).exists()
    ]
    assert not lost, f"{shown(page)} links to what is not there: {lost}"
