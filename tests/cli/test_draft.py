"""``knobwright draft``: from each kind of leaflet, to each kind of output, and what it refuses."""

from __future__ import annotations

import json
import os
import resource
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from tests.cli.conftest import Command

ROOT = Path(__file__).parents[2]
EXAMPLE = ROOT / "examples" / "larkfield-t4" / "leaflet.txt"
#: One leaflet of each kind, and the example in both of its kinds.
LEAFLETS = (
    "tests/corpus/a01-tannwald/leaflet.txt",
    "tests/corpus/a06-hollin/leaflet.pdf",
    "tests/corpus/b01-quillmoor/leaflet.csv",
    "tests/corpus/b05-brume/leaflet.md",
    "examples/larkfield-t4/leaflet.txt",
    "examples/larkfield-t4/leaflet.pdf",
)
SMALL = """\
Name          Bytes                  Range   Default
Volume        Bn 07 vv               00-7F   64
Brightness    Bn 63 05 62 1O 06 vv   00-7F   40
"""


@pytest.fixture
def small(tmp_path: Path) -> Path:
    """Return a leaflet of two parameters, one of them with a byte that is none."""
    path = tmp_path / "small.txt"
    path.write_text(SMALL, encoding="utf-8")
    return path


@pytest.mark.parametrize("leaflet", LEAFLETS)
def test_the_written_sheet_has_no_faults_and_all_its_questions(
    knobwright: Command, tmp_path: Path, leaflet: str
) -> None:
    target = tmp_path / "out.sheet.toml"
    ran = knobwright("draft", ROOT / leaflet, "-o", target)
    assert (ran.status, ran.err) == (0, "")
    tree = tomllib.loads(target.read_text(encoding="utf-8"))
    asked = [question["about"] for question in tree["question"]]
    first, *rest = ran.out.splitlines()
    assert first.startswith(f"{target}: {len(tree['parameter'])} parameters, ")
    assert first.endswith(f"{len(asked)} question{'s' * (len(asked) != 1)}")
    assert [line.split(" (")[0].strip() for line in rest[:-1]] == asked
    assert rest[-1] == f"next: knobwright answer {target}"
    checked = knobwright("check", "--json", target)
    found = json.loads(checked.out)
    assert [f["about"] for f in found["findings"] if f["level"] == "question"] == asked
    assert [f for f in found["findings"] if f["level"] == "fault"] == []
    assert checked.status == 1  # questions are findings
    # Every parameter that is not asked about can be listed.
    assert knobwright("params", "--sheet", target).status == 0


@pytest.mark.parametrize("leaflet", LEAFLETS)
def test_json_is_one_object_with_parameters_and_questions(
    knobwright: Command, tmp_path: Path, leaflet: str
) -> None:
    target = tmp_path / "out.sheet.toml"
    ran = knobwright("draft", "--json", ROOT / leaflet, "-o", target)
    assert (ran.status, ran.err) == (0, "")
    found = json.loads(ran.out)
    tree = tomllib.loads(target.read_text(encoding="utf-8"))
    assert found["sheet"] == str(target)
    assert found["parameters"] == tree["parameter"]
    assert len(found["parameters"]) > 20
    for parameter in found["parameters"]:
        assert parameter["key"]
        assert parameter["line"]
        assert parameter["from"]  # each fact keeps its place
    assert found["questions"]
    for question, written in zip(found["questions"], tree["question"], strict=True):
        assert question["about"] == written["about"]
        assert question["place"] == written["place"] != ""
        assert question["understood"] == written["understood"] != ""
        assert question["choices"] == written["choices"] != {}
        assert question["takes"] == written.get("takes", "")


def test_without_a_target_the_sheet_is_printed_and_nothing_else(
    knobwright: Command, small: Path
) -> None:
    ran = knobwright("draft", small)
    assert (ran.status, ran.err) == (0, "")
    tree = tomllib.loads(ran.out)
    assert tree["format"] == 1
    assert ran.out.startswith("# Drafted by Knobwright from 'small.txt'.\n")
    assert [p["line"] for p in tree["parameter"] if p["label"] == "Volume"] == ["Bn 07 vv"]
    assert list(small.parent.iterdir()) == [small]


def test_pasted_text_is_drafted_like_a_file(knobwright: Command, small: Path) -> None:
    pasted = knobwright("draft", "-", typed=SMALL)
    assert (pasted.status, pasted.err) == (0, "")
    assert pasted.out.startswith("# Drafted by Knobwright from 'pasted text'.\n")
    typed, read = tomllib.loads(pasted.out), tomllib.loads(knobwright("draft", small).out)
    assert typed.pop("module")["name"] == "pasted text"  # a nameless leaflet is called by its place
    assert read.pop("module")["name"] == "small"
    assert typed == read


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "cp1252"])
def test_pasted_text_may_have_the_encodings_of_files(
    knobwright: Command, tmp_path: Path, encoding: str
) -> None:
    text = "Lautstärke    Bn 07 vv    00-7F\nGröße         Bn 46 vv    00-7F\n"
    path = tmp_path / "leaflet.txt"
    path.write_bytes(text.encode(encoding))
    pasted = tomllib.loads(knobwright("draft", "-", typed=path.read_bytes()).out)
    assert [p["label"] for p in pasted["parameter"]] == ["Lautstärke", "Größe"]
    assert pasted == tomllib.loads(knobwright("draft", path).out)


def test_a_pdf_may_come_through_a_pipe(knobwright: Command) -> None:
    pdf = ROOT / LEAFLETS[-1]
    piped = knobwright("draft", "-", typed=pdf.read_bytes())
    assert tomllib.loads(piped.out) == tomllib.loads(knobwright("draft", pdf).out)


def test_a_sheet_that_is_there_is_replaced_only_when_that_is_said(
    knobwright: Command, small: Path, tmp_path: Path
) -> None:
    target = tmp_path / "mine.sheet.toml"
    target.write_text("# my answers\n", encoding="utf-8")
    for words in ([], ["--json"]):
        ran = knobwright("draft", small, "-o", target, *words)
        assert (ran.status, ran.out) == (2, "")
        assert "--replace" in ran.err
        assert target.read_text(encoding="utf-8") == "# my answers\n"
    assert knobwright("draft", small, "-o", target, "--replace").status == 0
    assert "Volume" in target.read_text(encoding="utf-8")


def test_an_empty_file_may_be_filled(knobwright: Command, small: Path, tmp_path: Path) -> None:
    target = tmp_path / "new.sheet.toml"
    target.touch()
    assert knobwright("draft", small, "-o", target).status == 0
    assert target.stat().st_size > 0


def test_a_leaflet_without_parameters_is_a_finding(knobwright: Command) -> None:
    ran = knobwright("draft", "-", typed="Thank you for choosing this fine lamp.\n")
    assert ran.status == 1
    assert "parameter" not in tomllib.loads(ran.out)


TARGETS = {
    "a folder": (".", "folder"),
    "in no folder": ("none/x.sheet.toml", "folder does not exist"),
    "below a file": ("small.txt/x.sheet.toml", "is a file, not a folder"),
    "too long a name": ("x" * 300, "too long"),
    "a device": ("/dev/full", "is a device or pipe"),
}


@pytest.mark.parametrize(("name", "said"), TARGETS.values(), ids=TARGETS.keys())
def test_where_no_sheet_can_be_written_is_said(
    knobwright: Command, small: Path, name: str, said: str
) -> None:
    ran = knobwright("draft", small, "-o", small.parent / name)
    assert (ran.status, ran.out) == (3, "")
    assert ran.err.startswith(f"knobwright: {small.parent / name}: ")
    assert said in ran.err.lower()
    assert list(small.parent.iterdir()) == [small]


@pytest.mark.parametrize("failing", ["write", "fsync", "chmod", "replace"])
@pytest.mark.parametrize("before", [None, "# my answers\n"], ids=["no file", "a file"])
def test_a_failing_write_leaves_what_was_there(
    knobwright: Command,
    small: Path,
    monkeypatch: pytest.MonkeyPatch,
    failing: str,
    before: str | None,
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    folder = small.parent / "sheets"
    folder.mkdir()
    target = folder / "x.sheet.toml"
    if before is not None:
        target.write_text(before, encoding="utf-8")
    with monkeypatch.context() as patch:
        if failing == "write":
            patch.setattr("knobwright.adapters.files.safe.os.fdopen", fail)
        else:
            patch.setattr(f"knobwright.adapters.files.safe.os.{failing}", fail)
        ran = knobwright("draft", small, "-o", target, "--replace")
    assert (ran.status, ran.out) == (3, "")
    assert "the disk is full" in ran.err
    assert [p.name for p in folder.iterdir()] == ([target.name] if before else [])
    if before is not None:
        assert target.read_text(encoding="utf-8") == before


def test_a_disk_that_ends_in_the_middle_leaves_what_was_there(small: Path) -> None:
    """The system itself stops the writing: no file of this process may pass 200 bytes."""
    folder = small.parent / "sheets"
    folder.mkdir()
    target = folder / "x.sheet.toml"
    target.write_text("# my answers\n", encoding="utf-8")

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (200, 200))

    words = [sys.executable, "-m", "knobwright", "draft", small, "-o", target, "--replace"]
    done = subprocess.run(
        [str(word) for word in words],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        preexec_fn=limit,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
    )
    assert done.returncode == 3, done.stderr
    assert done.stdout == ""
    assert done.stderr.startswith(f"knobwright: {target}: can't be written: ")
    assert target.read_text(encoding="utf-8") == "# my answers\n"
    assert list(folder.iterdir()) == [target]


def test_a_stop_in_the_middle_of_reading_writes_nothing(
    knobwright: Command, small: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    target = small.parent / "x.sheet.toml"
    monkeypatch.setattr("knobwright.core.reading.draft", stop)
    assert knobwright("draft", small, "-o", target).status == 130
    assert not target.exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [([], "Missing argument 'LEAFLET'"), (["a", "b"], "unexpected extra argument")],
)
def test_a_wrong_call_is_bad_input(knobwright: Command, words: list[str], said: str) -> None:
    ran = knobwright("draft", *words)
    assert (ran.status, ran.out) == (2, "")
    assert said in ran.err


@pytest.mark.parametrize("leaflet", LEAFLETS)
def test_every_choice_of_every_question_can_be_given(
    knobwright: Command, tmp_path: Path, leaflet: str
) -> None:
    drafted = tmp_path / "drafted.sheet.toml"
    ran = knobwright("draft", "--json", ROOT / leaflet, "-o", drafted)
    refused = []
    for question in json.loads(ran.out)["questions"]:
        for choice in question["choices"]:
            sheet = tmp_path / "answered.sheet.toml"
            shutil.copy(drafted, sheet)
            given = knobwright("answer", sheet, f"{question['about']}={choice}")
            if given.status not in (0, 1):
                refused.append((question["about"], choice, given.err))
    assert refused == []
