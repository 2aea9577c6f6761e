"""What was counted is told in words: every count that means a loss has its own."""

from __future__ import annotations

from knobwright.cli.counts import _INPUTS, _LINK, _UNTOLD, count_words
from knobwright.core.timing.pacing import Counts
from knobwright.engine.pacer import PacerCounts
from tests.engine.benches import Rig

#: Counts of a link that have other words, or are of no use to a person.
_OTHERWISE = {"n_sent", "n_bytes", "worst_note_ns", "worst_wake_ns", "n_refused_offs"}


def test_every_count_of_a_link_has_words() -> None:
    named = {name for name, _, _ in _LINK}
    counted = {*Counts._fields, *PacerCounts._fields}
    assert counted - named == _OTHERWISE
    assert named - counted == {"n_owed"}  # of the ledger


def test_every_count_of_the_inputs_has_words() -> None:
    named = {name for name, _, _ in _INPUTS}
    assert set(Rig().bridge.counts()) <= named | _UNTOLD


def test_a_count_without_words_is_told_by_its_name() -> None:
    assert count_words({"lost_in_space": 3, "messages_in": 5}) == ["inputs: 3 lost in space"]


def test_what_is_zero_is_not_told() -> None:
    counts = {"dropped": 0, "link 1 n_sent": 1, "link 1 n_bytes": 3, "link 1 n_replaced": 0}
    assert count_words(counts) == ["link 1: 1 message sent (3 bytes)"]


def test_one_and_many_are_told_apart_and_links_are_in_order() -> None:
    counts = {
        "link 2 n_sent": 2,
        "link 2 n_bytes": 6,
        "link 2 is_there": 0,
        "dropped": 1,
        "asked": 2,
        "link 1 n_sent": 0,
        "link 1 n_replaced": 1,
        "link 1 worst_note_ns": 2_560_000,
    }
    assert count_words(counts) == [
        "inputs: 1 piece of broken messages left out; 2 exclusive messages not passed on",
        "link 1: 0 messages sent (0 bytes); a note waited 2.6 ms at most; "
        "1 value replaced by a newer one",
        "link 2: 2 messages sent (6 bytes); the port is not there",
    ]


def test_counts_of_nothing_are_no_words() -> None:
    assert count_words({}) == []
