"""``knobwright check`` on benches and surfaces: every fault at once, with its line."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from tests.cli.conftest import Command
from tests.policy.tree import ROOT

EXAMPLE = ROOT / "examples/larkfield-bench"


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    return Path(shutil.copytree(EXAMPLE, tmp_path / "bench"))


@pytest.mark.parametrize("named", ["", "bench.toml"])
def test_a_bench_is_named_by_its_folder_or_its_file(
    knobwright: Command, bench: Path, named: str
) -> None:
    ran = knobwright("check", bench / named)
    assert (ran.status, ran.err) == (0, "")
    assert ran.out == "1 link, 2 inputs, 6 assignments, 2 zones, no faults\n"


def test_every_fault_of_a_bench_is_listed_with_its_line(knobwright: Command, bench: Path) -> None:
    file = bench / "bench.toml"
    text = file.read_text(encoding="utf-8")
    text = text.replace('control = "knob-1"', 'control = "knob-9"').replace("baud", "bawd")
    file.write_text(text, encoding="utf-8")
    ran = knobwright("check", bench)
    assert ran.status == 1
    for source, words in (("bawd = 31250", "baud"), ('control = "knob-9"', "knob-9")):
        lines = [row.partition("#")[0].strip() for row in text.splitlines()]
        number = lines.index(source) + 1
        assert any(
            line.startswith(f"{file}:{number}: fault: ") and words in line
            for line in ran.out.splitlines()
        ), ran.out
    assert ran.out.splitlines()[-1] == "2 faults"


def test_a_surface_is_checked_like_a_sheet(knobwright: Command, bench: Path) -> None:
    file = bench / "desk.surface.toml"
    assert knobwright("check", file).out == "6 controls, no faults\n"
    text = file.read_text(encoding="utf-8").replace('kind = "fader"', 'kind = "fadr"')
    file.write_text(text, encoding="utf-8")
    ran = knobwright("check", file)
    number = text.splitlines().index('kind = "fadr"') + 1
    assert ran.status == 1
    assert f"{file}:{number}: fault: " in ran.out
    assert "fader" in ran.out


def test_a_bench_and_a_surface_as_json(knobwright: Command, bench: Path) -> None:
    found = json.loads(knobwright("check", "--json", bench).out)
    assert (found["links"], found["inputs"], found["findings"]) == (1, 2, [])
    found = json.loads(knobwright("check", "--json", bench / "desk.surface.toml").out)
    assert (found["controls"], found["findings"]) == (6, [])


def test_a_folder_without_a_bench_says_what_is_missing(knobwright: Command, tmp_path: Path) -> None:
    ran = knobwright("check", tmp_path)
    assert ran.status == 2
    assert "no bench.toml" in ran.err
