"""When notes end: every rule is a row, with what it is taken from."""

from __future__ import annotations

from typing import Any, NamedTuple

import pytest

from knobwright.core.timing.voices.module import Cost, Drums, Polyphony
from tests.core.timing.voices.songs import ends_ms, heard


class Row(NamedTuple):
    """A small song, when its notes must end (in ms), and what else is chosen."""

    song: str
    ends_ms: list[float]
    choices: dict[str, Any] = {}  # noqa: RUF012


# "p." is a page of the MIDI 1.0 Detailed Specification 4.2.1.
ROWS = {
    "a note-off ends a note": Row("0 90 3C 40 \n 100 80 3C 40", [100]),
    "velocity 0 is a note-off (p. 10)": Row("0 90 3C 40 \n 100 90 3C 00", [100]),
    "another channel's note-off does not": Row("0 90 3C 40 \n 100 81 3C 40", [1000]),
    "one note-off is owed for each note-on, the oldest first (p. A-4)": Row(
        "0 90 3C 40 \n 50 90 3C 40 \n 100 80 3C 40 \n 200 80 3C 40", [100, 200]
    ),
    "a voice that begins anew ends with the first note-off (common practice, no source)": Row(
        "0 90 3C 40 \n 50 90 3C 40 \n 100 80 3C 40 \n 200 80 3C 40", [50, 100],
        {"repeats": "same"},
    ),
    "a stray note-off does nothing to the note after it": Row(
        "0 80 3C 40 \n 50 90 3C 40 \n 90 80 3C 40", [90]
    ),
    "the tail begins with the release": Row(
        "0 90 3C 40 \n 100 80 3C 40", [130], {"tail_ms": 30}
    ),
    "the damper holds what is released under it (p. 12: on from 64)": Row(
        "0 90 3C 40 \n 50 B0 40 40 \n 100 80 3C 40 \n 300 B0 40 3F", [300]
    ),
    "63 is up": Row("0 90 3C 40 \n 50 B0 40 3F \n 100 80 3C 40", [100]),
    "the damper holds a note that begins under it": Row(
        "0 B0 40 7F \n 10 90 3C 40 \n 20 80 3C 40 \n 300 B0 40 00", [300]
    ),
    "a damper pressed after the release catches nothing (common practice, no source)": Row(
        "0 90 3C 40 \n 100 80 3C 40 \n 110 B0 40 7F \n 500 B0 40 00", [150], {"tail_ms": 50}
    ),
    "the damper of one channel leaves the others alone": Row(
        "0 90 3C 40 \n 0 91 3C 40 \n 9 B0 40 7F \n 50 80 3C 40 \n 60 81 3C 40 \n 300 B0 40 00",
        [300, 60],
    ),
    "the tail begins when the damper comes up": Row(
        "0 90 3C 40 \n 50 B0 40 7F \n 100 80 3C 40 \n 300 B0 40 00", [320], {"tail_ms": 20}
    ),
    "sostenuto holds the keys that are down at its press": Row(
        "0 90 3C 40 \n 50 B0 42 7F \n 100 80 3C 40 \n 300 B0 42 00", [300]
    ),
    "sostenuto does not hold what begins under it": Row(
        "0 90 3C 40 \n 50 B0 42 7F \n 60 90 40 40 \n 100 80 3C 40 \n 110 80 40 40 \n 300 B0 42 00",
        [300, 110],
    ),
    "sostenuto does not hold what only the damper holds": Row(
        "0 B0 40 7F \n 1 90 3C 40 \n 20 80 3C 40 \n 30 B0 42 7F \n 50 B0 40 00 \n 300 B0 42 00",
        [50],
    ),
    "a second message of a pressed sostenuto is no press": Row(
        "0 B0 42 7F \n 10 90 3C 40 \n 20 B0 42 7F \n 30 80 3C 40 \n 300 B0 42 00", [30]
    ),
    "a sostenuto let go and pressed again holds what is down then": Row(
        "0 B0 42 7F \n 10 90 3C 40 \n 20 B0 42 00 \n 21 B0 42 7F \n 30 80 3C 40 \n 300 B0 42 00",
        [300],
    ),
    "damper and sostenuto must both be up, sostenuto last": Row(
        "0 90 3C 40 \n 10 B0 42 7F \n 20 B0 40 7F \n 30 80 3C 40 \n 200 B0 40 00 \n 300 B0 42 00",
        [300],
    ),
    "damper and sostenuto must both be up, damper last": Row(
        "0 90 3C 40 \n 10 B0 42 7F \n 30 80 3C 40 \n 150 B0 40 7F \n 200 B0 42 00 \n 300 B0 40 00",
        [300],
    ),
    "Reset All Controllers lifts both pedals (RP-015)": Row(
        "0 90 3C 40 \n 10 B0 42 7F \n 20 B0 40 7F \n 30 80 3C 40 \n 200 B0 79 00", [200]
    ),
    "All Notes Off lets go (p. 24)": Row("0 90 3C 40 \n 100 B0 7B 00", [100]),
    "All Notes Off waits for the damper (p. 24)": Row(
        "0 90 3C 40 \n 50 B0 40 7F \n 100 B0 7B 00 \n 300 B0 40 00", [300]
    ),
    "All Notes Off is passed over while omni is on (p. 24)": Row(
        "0 B0 7D 00 \n 1 90 3C 40 \n 100 B0 7B 00 \n 200 80 3C 40", [200]
    ),
    "All Notes Off counts again when omni is off": Row(
        "0 B0 7D 00 \n 1 B0 7C 00 \n 2 90 3C 40 \n 100 B0 7B 00 \n 200 80 3C 40", [100]
    ),
    "mode messages let go as well (p. 25)": Row("0 90 3C 40 \n 100 B0 7F 00", [100]),
    "a note-off that comes after All Notes Off is not the next note's": Row(
        "0 90 3C 40 \n 10 B0 7B 00 \n 20 80 3C 40 \n 30 90 3C 40 \n 99 80 3C 40", [10, 99]
    ),
    "All Sound Off cuts what a pedal holds and what rings (p. 25)": Row(
        "0 90 3C 40 \n 1 90 40 40 \n 2 B0 40 7F \n 3 80 3C 40 \n 100 B0 78 00", [100, 100],
        {"tail_ms": 500},
    ),
    "All Sound Off cuts a tail": Row(
        "0 90 3C 40 \n 50 80 3C 40 \n 100 B0 78 00", [100], {"tail_ms": 500}
    ),
    "General MIDI on silences the module (common practice, no source)": Row(
        "0 90 3C 40 \n 1 B0 40 7F \n 2 95 3C 40 \n 100 F0 7E 7F 09 01 F7", [100, 100]
    ),
    "General MIDI 2 on does so too": Row("0 90 3C 40 \n 100 F0 7E 10 09 03 F7", [100]),
    "System Reset in an escape does so too (p. 33)": Row("0 90 3C 40 \n 100 F7 FF", [100]),
    "General MIDI off does not": Row("0 90 3C 40 \n 100 F0 7E 7F 09 02 F7 \n 200 80 3C 40", [200]),
    "a reset lifts the pedals": Row(
        "0 B0 40 7F \n 10 F0 7E 7F 09 01 F7 \n 20 90 3C 40 \n 90 80 3C 40", [90]
    ),
    "mono: the next note takes over, its key alone counts": Row(
        "0 B0 7E 01 \n 10 90 3C 40 \n 20 90 40 40 \n 50 80 40 40 \n 90 80 3C 40", [20, 50]
    ),
    "mono: a tail is taken over, too": Row(
        "0 B0 7E 01 \n 10 90 3C 40 \n 20 80 3C 40 \n 50 90 40 40 \n 90 80 40 40", [50, 190],
        {"tail_ms": 100},
    ),
    "poly ends mono": Row(
        "0 B0 7E 01 \n 1 B0 7F 00 \n 10 90 3C 40 \n 20 90 40 40 \n 50 80 40 40 \n 90 80 3C 40",
        [90, 50],
    ),
    "a note that nothing lets go lasts as long as the song": Row("0 90 3C 40", [1000]),
    "drums ring out whatever their note-off says (General MIDI 2, 2.8.1)": Row(
        "0 99 26 40 \n 10 89 26 40", [500]
    ),
    "drums that are no one-shots end as other notes": Row(
        "0 99 26 40 \n 10 89 26 40", [10], {"one_shot": False}
    ),
    "All Sound Off cuts drums": Row("0 99 26 40 \n 10 B9 78 00", [10]),
}  # fmt: skip


@pytest.mark.parametrize("row", ROWS.values(), ids=ROWS.keys())
def test_notes_end_as_the_rule_says(row: Row) -> None:
    assert ends_ms(heard(row.song, **row.choices)) == row.ends_ms


#: Program byte 1 takes two voices and rings for 7 ms; bank 1, 0 has a variation of three voices.
TWO = Polyphony(programs={(0, 0, 1): Cost(2, 7_000_000), (1, 0, 1): Cost(3, -1)})


def test_a_program_says_voices_and_tail() -> None:
    voices = heard("0 C0 01 \n 1 90 3C 40 \n 50 80 3C 40", module=TWO)
    assert (ends_ms(voices), voices.peak) == ([57], 2)


def test_a_program_that_nobody_knows_takes_one_voice_and_the_chosen_tail() -> None:
    voices = heard("0 C0 05 \n 1 90 3C 40 \n 50 80 3C 40", module=TWO, tail_ms=4)
    assert (ends_ms(voices), voices.peak) == ([54], 1)


def test_a_note_keeps_its_sound_when_the_program_changes() -> None:
    """General MIDI 2 recommends it (1.2a)."""
    voices = heard("0 C0 01 \n 1 90 3C 40 \n 10 C0 00 \n 50 80 3C 40", module=TWO)
    assert (ends_ms(voices), voices.level.tolist()) == ([57], [0, 2, 2, 2])


def test_bank_select_alone_changes_nothing() -> None:
    """MIDI 1.0 Detailed Specification 4.2.1, p. 13: the program change takes it up."""
    voices = heard("0 C0 01 \n 1 B0 00 01 \n 2 90 3C 40 \n 3 C0 01 \n 4 90 3E 40", module=TWO)
    assert voices.notes.sounds.voices.tolist() == [2, 3]


def test_a_bank_half_that_the_module_does_not_hear_counts_as_zero() -> None:
    song = "0 B0 00 01 \n 1 C0 01 \n 2 90 3C 40"
    assert heard(song, module=TWO).peak == 3
    assert heard(song, module=TWO._replace(hears_bank=(False, True))).peak == 2


def test_a_reset_brings_the_first_program_back() -> None:
    song = "0 C0 01 \n 1 F0 7E 7F 09 01 F7 \n 2 90 3C 40"
    assert heard(song, module=TWO).peak == 1


#: Closed, foot and open hat stop each other: General MIDI 2 (1.2a), 2.8.1, standard set.
HATS = Polyphony(kits={(0, 0, 0): Drums(300_000_000, ((42, 44, 46), (71, 72)))})


def test_a_drum_stops_the_others_of_its_group() -> None:
    voices = heard("0 99 2E 40 \n 100 99 2A 40 \n 150 99 47 40", module=HATS)
    assert ends_ms(voices) == [100, 400, 450]


def test_a_drum_of_a_group_does_not_stop_itself() -> None:
    assert ends_ms(heard("0 99 2E 40 \n 100 99 2E 40 \n 150 99 2A 40", module=HATS)) == [
        150, 150, 450,
    ]  # fmt: skip


def test_groups_hold_on_drum_channels_only() -> None:
    assert ends_ms(heard("0 90 2E 40 \n 100 90 2A 40", module=HATS)) == [1000, 1000]


def test_of_two_messages_at_one_time_the_order_decides() -> None:
    """The module receives one before the other: two voices are wanted when the note-on is first."""
    first_off = "0 90 3C 40 \n 100 80 3C 40 \n 100 90 40 40 \n 200 80 40 40"
    first_on = "0 90 3C 40 \n 100 90 40 40 \n 100 80 3C 40 \n 200 80 40 40"
    assert (heard(first_off).peak, heard(first_on).peak) == (1, 2)


def test_a_tail_that_ends_at_the_time_of_a_note_is_over_by_then() -> None:
    song = "0 90 3C 40 \n 100 80 3C 40 \n 150 90 40 40 \n 200 80 40 40"
    assert (heard(song, tail_ms=50).peak, heard(song, tail_ms=51).peak) == (1, 2)
