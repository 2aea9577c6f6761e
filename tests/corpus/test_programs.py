"""Programs of the corpus: no program is ever chosen by wrong bytes that nobody was asked about."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.corpus.programs import score_programs
from tests.corpus.score import leaflets

FOLDERS = leaflets()


@pytest.mark.parametrize("folder", FOLDERS, ids=[f.name for f in FOLDERS])
def test_no_program_has_wrong_bytes(folder: Path) -> None:
    scored = score_programs(folder)
    assert not scored.wrong, scored.words


def test_the_example_lists_every_program_with_its_bank() -> None:
    folder = next(f for f in FOLDERS if f.name == "larkfield-t4")
    assert score_programs(folder).right == 24
