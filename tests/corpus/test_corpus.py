"""The reader against the corpus: nothing wrong that was not asked about, and nearly all right.

The answers were written from the printed leaflets before the reader and without it; the bytes of
their vectors were worked out by hand. See ``score.py`` for what right, asked and wrong mean.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from tests.corpus.score import ASKED, RIGHT, WRONG, Score, leaflets, score, share_right

FOLDERS = leaflets()


@cache
def scored(folder: Path) -> Score:
    """Return the verdicts on one leaflet, worked out once."""
    return score(folder)


@pytest.mark.parametrize("folder", FOLDERS, ids=[f.name for f in FOLDERS])
def test_nothing_is_wrong_that_was_not_asked_about(folder: Path) -> None:
    result = scored(folder)
    assert result.faults == ()
    assert result.verdicts
    wrong = [f"{v.section} / {v.label}: {v.why}" for v in result.verdicts if v.state == WRONG]
    assert wrong == []


@pytest.mark.parametrize("folder", FOLDERS, ids=[f.name for f in FOLDERS])
def test_what_the_print_does_not_decide_is_asked(folder: Path) -> None:
    undecided = [v for v in scored(folder).verdicts if v.should_ask]
    assert [v.label for v in undecided if v.state != ASKED] == []


def test_nearly_all_that_the_print_decides_is_right() -> None:
    scores = [scored(f) for f in FOLDERS]
    assert len(FOLDERS) >= 16
    assert sum(s.count(RIGHT) for s in scores) > 500
    assert share_right(scores) >= 0.95
