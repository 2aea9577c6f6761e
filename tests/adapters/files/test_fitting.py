"""Mappings and parts files on disk: read, extended with comments kept, and refused whole."""

from __future__ import annotations

from pathlib import Path

import pytest

from knobwright.adapters.files.fitting import (
    MAX_BYTES,
    general_midi,
    load_mapping,
    load_wanted,
    save_proposals,
)
from knobwright.core.errors import InputError, SheetError, StoreError
from knobwright.core.fitting.programs import Choice, Names
from knobwright.core.fitting.propose import DRUM, PROGRAM, Proposal
from tests.core.fitting.made import larkfield

TARGET = Names(larkfield().sheet)
PROPOSALS = [
    Proposal(PROGRAM, 49, "String Ensemble 1", 16, (1, 0), "Strings, slow", "why", 3, (1,)),
    Proposal(DRUM, 57, "Crash Cymbal 2", 49, (0, 0), "crash", "why", 1, (10,)),
]


def test_proposals_make_a_mapping_and_go_into_one(tmp_path: Path) -> None:
    path = str(tmp_path / "a.mapping.toml")
    save_proposals(path, PROPOSALS[:1], general_midi(), TARGET)
    text = Path(path).read_text(encoding="utf-8").replace("[1, 0]", "[1, 0] ") + "# mine\n"
    Path(path).write_text(text, encoding="utf-8")
    save_proposals(path, PROPOSALS[1:], general_midi(), TARGET)
    assert "# mine" in Path(path).read_text(encoding="utf-8")
    mapping = load_mapping(path, general_midi(), TARGET)
    assert mapping.program(Choice(49), 1) == Choice(16, (1, 0))
    assert mapping.drums == {57: 49}


def test_a_mapping_with_faults_takes_no_proposals(tmp_path: Path) -> None:
    path = tmp_path / "a.mapping.toml"
    path.write_text("format = 1\nx = 2\n", encoding="utf-8")
    with pytest.raises(SheetError, match="no key 'x'"):
        save_proposals(str(path), PROPOSALS, general_midi(), TARGET)
    assert path.read_text(encoding="utf-8") == "format = 1\nx = 2\n"


def test_a_proposal_that_is_there_already_is_refused_and_nothing_written(tmp_path: Path) -> None:
    path = str(tmp_path / "a.mapping.toml")
    save_proposals(path, PROPOSALS, general_midi(), TARGET)
    before = Path(path).read_bytes()
    with pytest.raises(SheetError, match="already"):
        save_proposals(path, PROPOSALS, general_midi(), TARGET)
    assert Path(path).read_bytes() == before


@pytest.mark.parametrize(
    ("content", "error", "words"),
    [
        (None, StoreError, "can't be read"),
        (b"\xff\xfe", InputError, "not UTF-8"),
        (b"#" * (MAX_BYTES + 1), InputError, "at most 1 MiB"),
        (b"format = 2", SheetError, "format"),
    ],
)
def test_what_can_not_be_taken_is_said(
    tmp_path: Path, content: bytes | None, error: type[Exception], words: str
) -> None:
    path = tmp_path / "a.toml"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(error, match=words):
        load_mapping(str(path), general_midi(), TARGET)
    with pytest.raises(error, match=words):
        load_wanted(str(path), larkfield())
    with pytest.raises(InputError, match="ordinary file"):
        load_wanted(str(tmp_path), larkfield())
