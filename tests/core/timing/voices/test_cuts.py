"""Which notes are cut by which rule. The receiver is free (MIDI 1.0 4.2.1, p. A-4)."""

from __future__ import annotations

import pytest

from knobwright.core.errors import NamingError
from knobwright.core.timing.voices.cuts import RULES
from knobwright.core.timing.voices.front import Voices, figures
from knobwright.core.timing.voices.module import Cost, Polyphony
from knobwright.core.timing.voices.told import cut_notes, outcomes
from tests.core.timing.voices.songs import MS, ends_ms, heard

#: Four notes, each of another kind when the fifth (key 64 hex) comes: held and loud (3C), released
#: and ringing (40), held by the pedal alone (43), held and soft (47).
FIVE = """
  0 90 3C 50
 10 91 40 40
 20 92 43 30
 30 92 47 20
 40 B2 40 7F
 50 82 43 40
 60 81 40 40
100 93 64 40
"""
#: The number of the note that each rule cuts.
VICTIM = {"oldest": 0, "quietest": 3, "released": 1, "last": 3, "refused": 4}


def five(rule: str, n_voices: int = 4) -> Voices:
    """Return the song of five notes on a module of so many voices."""
    return heard(FIVE, module=Polyphony(n_voices), rule=rule, tail_ms=500)


def cuts(voices: Voices) -> list[tuple[int, int]]:
    """Return (note, by which)."""
    return list(zip(voices.cuts.note.tolist(), voices.cuts.by.tolist(), strict=True))


def test_every_rule_has_a_row() -> None:
    assert VICTIM.keys() == RULES.keys()


@pytest.mark.parametrize("rule", RULES)
def test_a_rule_chooses_its_note(rule: str) -> None:
    assert cuts(five(rule)) == [(VICTIM[rule], 4)]
    assert cuts(five(rule, 5)) == []


def test_released_first_takes_the_pedals_note_before_one_that_is_held() -> None:
    assert cuts(five("released", 3)) == [(0, 3), (1, 4)]
    assert [note for note, _ in cuts(five("released", 2))] == [0, 1, 2]


def test_what_is_lost_is_the_rest_of_the_note() -> None:
    found = five("released").cuts
    assert found.lost_ns.tolist() == [460 * MS]  # released at 60, rings to 560, cut at 100
    assert (found.is_held.tolist(), found.is_ringing.tolist()) == ([False], [True])


def test_the_figures_tell_cut_notes_apart() -> None:
    told = figures(five("refused", 2))
    assert (told.n_cut, told.n_refused, told.n_cut_held, told.limit) == (3, 3, 0, 2)
    told = figures(five("oldest", 4))
    assert (told.n_cut, told.n_cut_held, told.n_cut_ringing) == (1, 1, 0)
    assert [(part.channel, part.n_cut) for part in told.parts if part.n_cut] == [(1, 1)]


def test_a_module_of_unknown_size_cuts_nothing() -> None:
    told = figures(five("oldest", 0))
    assert (told.n_cut, told.above_ns, told.peak) == (0, 0, 5)


def test_an_unknown_rule_is_refused_with_those_that_there_are() -> None:
    with pytest.raises(NamingError, match="no rule 'loudest'") as caught:
        five("loudest")
    assert caught.value.candidates == tuple(RULES)


HEAVY = Polyphony(4, {(0, 0, 1): Cost(2), (0, 0, 2): Cost(5), (0, 0, 3): Cost(0)})


def test_a_note_of_two_voices_may_cut_two_notes() -> None:
    song = "0 C1 01 \n 1 90 3C 40 \n 2 90 3D 40 \n 3 90 3E 40 \n 4 90 3F 40 \n 5 91 40 40"
    assert cuts(heard(song, module=HEAVY)) == [(0, 4), (1, 4)]


def test_a_note_of_two_voices_is_cut_whole() -> None:
    song = "0 C1 01 \n 1 91 3C 40 \n 2 91 3D 40 \n 3 90 3E 40 \n 4 90 3F 40 \n 5 90 40 40"
    assert cuts(heard(song, module=HEAVY)) == [(0, 2), (1, 4)]


def test_a_note_that_can_never_fit_cuts_no_other() -> None:
    song = "0 C1 02 \n 1 90 3C 40 \n 2 90 3D 40 \n 3 91 3E 40"
    assert cuts(heard(song, module=HEAVY)) == [(2, 2)]


def test_a_note_without_voices_is_never_cut_and_cuts_nothing() -> None:
    song = "0 C1 03 \n" + "".join(f"{k + 1} 91 {60 + k:X} 40 \n" for k in range(9))
    assert cuts(heard(song, module=HEAVY)) == []


def test_a_reserve_is_left_alone() -> None:
    """Channel 1 keeps two voices: the note of channel 2 cuts one of its own channel."""
    song = "0 90 3C 40 \n 1 90 3D 40 \n 2 91 3E 40 \n 3 91 3F 40 \n 4 91 40 40"
    assert cuts(heard(song, module=Polyphony(4))) == [(0, 4)]
    assert cuts(heard(song, module=Polyphony(4, reserve={1: 2}))) == [(2, 4)]


def test_a_reserve_is_kept_free_for_notes_to_come() -> None:
    song = "0 91 3C 40 \n 1 91 3D 40 \n 2 91 3E 40 \n 3 90 40 40"
    assert cuts(heard(song, module=Polyphony(3))) == [(0, 3)]
    assert cuts(heard(song, module=Polyphony(3, reserve={1: 1}))) == [(0, 2)]


def test_where_all_is_reserved_for_others_the_note_is_not_played() -> None:
    assert cuts(heard("0 91 3C 40", module=Polyphony(2, reserve={1: 2}))) == [(0, 0)]


def test_cut_notes_are_told_one_by_one() -> None:
    told = cut_notes(five("released", 2))
    rows = [(row.at_ns // MS, row.channel, row.key, row.by_channel, row.by_key, row.was)
            for row in told]  # fmt: skip
    assert rows == [
        (20, 1, 0x3C, 3, 0x43, "held"), (30, 2, 0x40, 3, 0x47, "held"),
        (100, 3, 0x43, 4, 0x64, "by pedal"),
    ]  # fmt: skip
    assert cut_notes(five("released"))[0].was == "ringing"
    (refused,) = cut_notes(five("refused"))
    assert (refused.was, refused.velocity, refused.key, refused.by_key) == (
        "not played", 0x40, 0x64, 0x64,
    )  # fmt: skip
    assert cut_notes(five("released", 2), n_most=1) == told[:1]
    (drum,) = cut_notes(heard("0 99 26 40 \n 10 89 26 40 \n 20 90 3C 40", module=Polyphony(1)))
    assert (drum.was, drum.lost_ns) == ("drum", 480 * MS)


def test_every_rules_outcome_is_what_that_rule_finds() -> None:
    for told in outcomes(five("oldest", 2)):
        found = figures(five(told.rule, 2))
        assert (told.n_cut, told.n_cut_held, told.n_cut_ringing, told.n_refused) == (
            found.n_cut, found.n_cut_held, found.n_cut_ringing, found.n_refused,
        )  # fmt: skip
        assert told.lost_ns == sum(row.lost_ns for row in cut_notes(five(told.rule, 2)))
    assert [told.rule for told in outcomes(five("oldest"))] == list(RULES)


def test_cutting_a_note_changes_no_other_notes_end() -> None:
    assert ends_ms(five("oldest", 1)) == ends_ms(five("refused", 4))
