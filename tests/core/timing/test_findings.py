"""The table of findings and what a finding tells."""

from __future__ import annotations

import msgspec
import pytest

from knobwright.core.errors import InputError
from knobwright.core.timing.causes import CAUSES
from knobwright.core.timing.findings import FINDINGS, SEVERITIES, Finding, in_order, make


@pytest.mark.parametrize("name", FINDINGS)
def test_every_kind_says_what_it_means_and_what_to_do(name: str) -> None:
    kind = FINDINGS[name]
    assert kind.name == name
    assert name == name.lower().replace(" ", "-")
    assert kind.severity in SEVERITIES
    assert len(kind.words) > 20
    assert len(kind.next_step) > 20
    assert not kind.words.endswith(".")


def test_every_cause_has_its_kind() -> None:
    assert set(CAUSES.values()) <= set(FINDINGS)


def test_a_finding_of_no_kind_is_refused() -> None:
    with pytest.raises(InputError, match="no kind of finding 'wire-surprise'"):
        make("wire-surprise", "words")


def test_a_finding_is_read_back_from_json_and_knows_its_kind() -> None:
    found = make("wire-notes", "words", at_ns=5, tick=1, bar=2, beat=1.5, value=3.0, unit="ms")
    again = msgspec.json.decode(msgspec.json.encode(found), type=Finding)
    assert again == found
    assert again.kind is FINDINGS["wire-notes"]
    assert (again.severity, again.next_step) == (again.kind.severity, again.kind.next_step)


def test_findings_stand_in_order_of_time_with_the_whole_song_first() -> None:
    rows = [
        make("wire-notes", "later", at_ns=9), make("wire-full", "whole"),
        make("wire-chord", "b", at_ns=2), make("wire-set-up", "a", at_ns=2),
    ]  # fmt: skip
    assert [row.sentence for row in in_order(rows)] == ["whole", "a", "b", "later"]
