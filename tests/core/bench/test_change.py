"""Changes of a bench's text keep its comments and make a bench without faults."""

from __future__ import annotations

import pytest

from knobwright.core.bench.change import with_allowed, with_assignment, with_proven
from knobwright.core.bench.records import Proven
from knobwright.core.errors import InputError
from knobwright.core.surface.assignment import Assignment
from tests.core.bench.benchtext import HEAD, INPUTS, LINK, check

TEXT = f"# my table\n{HEAD}\n{LINK}baud = 31250  # the cable\n{INPUTS}# the end\n"


def test_what_the_link_test_found_is_written_and_comments_stay() -> None:
    found = {"running_status": True, "rest_ms": 30, "longest_exclusive": 0, "at": "today"}
    text = with_proven(TEXT, 0, found)
    bench, _ = check(text).require()
    assert bench.links[0].proven == Proven(True, 0, 30, "today")
    for comment in ("# my table", "# the cable", "# the end"):
        assert comment in text
    again = with_proven(text, 0, {"running_status": None, "rest_ms": 5})
    assert check(again).require()[0].links[0].proven == Proven(None, 0, 5, "")
    assert again.count("[link.proven]") == 1


def test_the_second_links_findings_are_its_own() -> None:
    text = with_proven(TEXT + '[[link]]\nout = "memory:b"\n', 1, {"rest_ms": 7})
    bench, _ = check(text).require()
    assert [link.proven.rest_ms for link in bench.links] == [0, 7]


@pytest.mark.parametrize(
    "link, found, words",
    [
        (1, {"rest_ms": 5}, "no link 2"),
        (0, {"rests": 5}, "rests is no key"),
        (0, {"rest_ms": "5"}, "must be a whole number"),
    ],
)
def test_findings_that_are_none_are_refused(
    link: int, found: dict[str, object], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        with_proven(TEXT, link, found)


def test_an_assignment_is_added_with_only_what_it_says() -> None:
    first = Assignment("knob-1", "tone.level", "desk", (1, 10), meet="wait", low=10)
    second = Assignment("button-1", "hall.kind", "desk", mode="next")
    text = with_assignment(with_assignment(TEXT, first), second)
    assert check(text).require()[0].assignments == (first, second)
    assert "# the end" in text
    assert "curve" not in text


def test_an_assignment_with_everything_is_read_back_the_same() -> None:
    row = Assignment(
        "knob-1",
        "tone.level",
        "desk",
        (1,),
        meet="stretch",
        curve="points",
        points=((0.0, 0.0), (0.5, 0.25), (1.0, 1.0)),
        low=100,
        high=3,
        invert=True,
        mode="follow",
        layer="button-1",
    )
    assert check(with_assignment(TEXT, row)).require()[0].assignments == (row,)


def test_an_allowed_beginning_is_added_once() -> None:
    text = with_allowed(with_allowed(TEXT, "F0 43 10"), "F0 43 10")
    text = with_allowed(text, "F0 7D 01")
    assert check(text).require()[0].passing.allow == ("F0 43 10", "F0 7D 01")


def test_a_text_that_is_no_toml_is_refused() -> None:
    with pytest.raises(InputError, match="not TOML"):
        with_allowed("format = ", "F0 43 10")
