"""What passes of an input that is neither assigned nor played by a zone."""

from __future__ import annotations

import pytest

from knobwright.engine.tally import MAX_KINDS, Tally
from knobwright.engine.told import Asked, DroppedBytes, Refused, Told
from tests.engine.benches import Rig

ROWS = [
    # what the bench says, what comes, what passes
    ("", "90 3C 40 80 3C 40", "90 3C 40 | 80 3C 40"),
    ("notes = false", "90 3C 40 80 3C 40", ""),
    ("controls = false", "B0 07 40", ""),
    ("programs = false", "C0 05 B0 07 40", "B0 07 40"),
    ("bend = false", "E0 00 40", ""),
    ("pressure = false", "D0 40 A0 3C 40", ""),
    ("", "D0 40 A0 3C 40", "D0 40 | A0 3C 40"),
    ("", "F8 FA FB FC", "F8 | FA | FB | FC"),
    ("clock = false", "F8 FA FB FC F6", "F6"),
    ("common = false", "F1 05 F2 00 01 F3 02 F6 F8", "F8"),
    ("", "F1 05 F2 00 01 F3 02 F6", "F1 05 | F2 00 01 | F3 02 | F6"),
    ("", "FF", ""),
    ("reset = true", "FF", "FF"),
    ("", "FE", ""),  # the link has its own active sensing
]


@pytest.mark.parametrize("says, comes, passes", ROWS)
def test_the_bench_says_what_passes(says: str, comes: str, passes: str) -> None:
    assert Rig(f"[pass]\n{says}\n").play("keys", comes) == passes


def test_an_input_that_passes_nothing_still_moves_its_controls() -> None:
    tables = '[[input]]\nname = "mute"\nport = "memory:mute"\npasses = false\n'
    rig = Rig(tables)
    assert rig.play("mute", "90 3C 40 F8") == ""
    assert rig.bridge.counts()["not_passed_on"] == 2


def test_an_input_may_belong_to_the_second_link() -> None:
    tables = (
        '[[link]]\nout = "memory:second"\n'
        '[[input]]\nname = "high"\nport = "memory:high"\nlink = 2\n'
    )
    rig = Rig(tables)
    assert rig.play("high", "90 3C 40") == ""
    assert [item.messages for item in rig.links[1]] == [(bytes.fromhex("90 3C 40"),)]


def test_an_exclusive_that_the_sheet_explains_passes() -> None:
    assert Rig().play("keys", "F0 7D 10 42 30 05 40 0B F7") == "F0 7D 10 42 30 05 40 0B F7"


def test_a_strangers_exclusive_is_asked_about_and_counted() -> None:
    rig = Rig()
    for i in range(40):
        assert rig.play("keys", f"F0 43 10 4C 00 00 {i:02X} 00 F7") == ""
    rig.tick()
    rig.play("keys", "F0 43 10 4C 00 00 7E 00 F7")
    rig.tick()
    (asked,) = rig.told_of(Asked)  # once a second at most
    assert (asked.source, asked.first, asked.n, asked.n_bytes) == ("keys", "F0 43 10 4C", 40, 9)
    assert "another maker" in asked.why
    rig.tick(1000)
    assert [record.n for record in rig.told_of(Asked)] == [40, 41]
    assert rig.bridge.counts()["asked"] == 41


def test_what_was_asked_about_passes_once_the_bench_allows_it() -> None:
    message = "F0 43 10 4C 00 00 7E 00 F7"
    asked = Rig()
    asked.play("keys", message)
    asked.tick()
    allow = asked.told_of(Asked)[0].allow
    assert Rig(f'[pass]\nallow = ["{allow}"]\n').play("keys", message) == message
    only = Rig(f'[pass]\nexclusive = "none"\nallow = ["{allow}"]\n')
    assert only.play("keys", message) == message
    assert only.play("keys", "F0 7D 10 42 30 05 40 0B F7") == ""


def test_a_wrong_checksum_does_not_pass() -> None:
    rig = Rig()
    assert rig.play("keys", "F0 7D 10 42 30 05 40 0C F7") == ""
    rig.tick()
    assert "checksum" in rig.told_of(Asked)[0].why


def test_the_tally_tells_few_things_apart_and_loses_no_count() -> None:
    tally = Tally()
    for i in range(300):
        tally.dropped("keys", f"reason {i}", b"\x90")
        tally.refused("keys", f"parameter {i}", "no")
        tally.asked("keys", bytes((0xF0, 1 + i % 120, i >> 7, i & 127, 0, 0xF7)), "nobody knows")
    told: list[Told] = []
    tally.tell(told.append, 0)
    assert sum(record.n for record in told if isinstance(record, Refused)) == 300
    dropped = [record for record in told if isinstance(record, DroppedBytes)]
    asked = [record for record in told if isinstance(record, Asked)]
    assert sum(record.n for record in dropped) + len(asked) == 600
    assert len(told) <= 3 * (MAX_KINDS + 1)
