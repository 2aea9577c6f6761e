"""The command line as a whole: help, statuses, what never happens."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from knobwright.cli.commands import COMMANDS
from knobwright.cli.exits import INTERRUPTED, OWN_FAULT
from tests.cli.conftest import Command


def test_help_lists_every_command_with_its_words(knobwright: Command) -> None:
    ran = knobwright("--help")
    assert ran.status == 0
    for row in COMMANDS.values():
        assert row.name in ran.out
        assert row.words.split(":")[0] in " ".join(ran.out.split())


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_of_its_own(knobwright: Command, name: str) -> None:
    ran = knobwright(name, "--help")
    assert ran.status == 0
    assert ran.out.startswith(f"Usage: knobwright {name}")


@pytest.mark.parametrize(
    "words", [["frob"], ["bytes"], ["check"], ["bytes", "--channel", "17", "--sheet", "x", "a=1"]]
)
def test_a_wrong_call_is_bad_input(knobwright: Command, words: list[str]) -> None:
    ran = knobwright(*words)
    assert ran.status == 2
    assert "Traceback" not in ran.err


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_prints_a_script_that_names_the_program(knobwright: Command, shell: str) -> None:
    ran = knobwright("completion", shell)
    assert ran.status == 0
    assert "_KNOBWRIGHT_COMPLETE" in ran.out


def test_a_fault_of_our_own_is_said_without_a_traceback(
    knobwright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(path: str) -> None:
        raise ZeroDivisionError("by \x1b[2J")

    monkeypatch.setattr("knobwright.cli.commands.check.load_checked", fail)
    ran = knobwright("check", "x")
    assert ran.status == OWN_FAULT
    assert "fault in Knobwright itself" in ran.err
    assert "\x1b" not in ran.err
    assert "Traceback" not in ran.err


def test_ctrl_c_ends_with_the_usual_status(
    knobwright: Command, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stop(path: str) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("knobwright.cli.commands.check.load_checked", stop)
    assert knobwright("check", "x").status == INTERRUPTED


def test_a_reader_that_goes_away_is_no_fault() -> None:
    words = [sys.executable, "-m", "knobwright", "params", "--sheet", "general-midi-2", "--json"]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.read(10)
    process.stdout.close()
    said = process.stderr.read()
    process.stderr.close()
    assert process.wait(timeout=60) == 0
    assert said == b""


def test_explain_without_a_sheet_imports_nothing_that_it_does_not_need() -> None:
    code = (
        "import sys; from knobwright.cli.main import run; status = run(['explain', 'B0 07 64']);"
        "heavy = {'msgspec', 'tomlkit', 'rich', 'numpy', 'pypdf', 'json', 'tomllib'};"
        "heavy &= set(sys.modules);"
        "sys.exit(f'imported: {heavy}' if heavy or status else 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stderr


def test_the_module_can_be_run(tmp_path: Path) -> None:
    words = [sys.executable, "-m", "knobwright", "--version"]
    done = subprocess.run(
        words, capture_output=True, text=True, cwd=tmp_path, check=False, timeout=60
    )
    assert done.stdout.startswith("knobwright ")
