"""Findings about voices: each with its place, its figures and a next step."""

from __future__ import annotations

from knobwright.core.timing.findings import FINDINGS, REMARK, TROUBLE, Finding
from knobwright.core.timing.voices.findings import voice_findings
from knobwright.core.timing.voices.module import Cost, Polyphony
from tests.core.timing.voices.songs import MS, heard


def named(findings: list[Finding], name: str) -> list[Finding]:
    """Return the findings of one kind."""
    return [finding for finding in findings if finding.name == name]


#: Three notes on two voices, twice in quick succession, and once more after a long time.
CROWD = "".join(
    f"{at} 90 3C 40 \n {at} 90 40 40 \n {at} 91 43 40 \n"
    f"{at + 50} 80 3C 40 \n {at + 50} 80 40 40 \n {at + 50} 81 43 40 \n"
    for at in (100, 1900, 9000)
)


def test_notes_that_are_cut_near_each_other_are_one_finding() -> None:
    found = named(voice_findings(heard(CROWD, module=Polyphony(2))), "voices-short")
    places = [(one.at_ns, one.until_ns, one.tick, one.channel) for one in found]
    assert places == [(100 * MS, 1900 * MS, 100, 1), (9000 * MS, 9000 * MS, 9000, 1)]
    assert [(one.value, one.limit, one.unit) for one in found] == [(3.0, 2.0, "voices")] * 2
    assert found[0].sentence == (
        "up to 3 voices are wanted and the module has 2: 2 notes cut (2 with the key still "
        "down), all on channel 1; rule: oldest"
    )
    assert found[0].severity == TROUBLE
    assert "suggestions" in found[0].next_step


def test_what_is_cut_is_told_apart() -> None:
    song = "0 90 3C 40 \n 50 80 3C 40 \n 60 91 40 40 \n 70 92 41 40"
    (found,) = named(voice_findings(heard(song, module=Polyphony(1), tail_ms=500)), "voices-short")
    assert "2 notes cut (1 with the key still down, 1 only ringing out), most on channel 1 (1)" in (
        found.sentence
    )
    (found,) = named(
        voice_findings(heard(song, module=Polyphony(1), tail_ms=500, rule="refused")),
        "voices-short",
    )
    assert "2 not played at all" in found.sentence
    assert found.channel is None


def test_a_program_heavier_than_the_module_is_said_once_a_channel() -> None:
    module = Polyphony(3, {(0, 0, 7): Cost(4)})
    song = "0 C2 07 \n 5 92 3C 40 \n 6 82 3C 40 \n 7 92 3C 40 \n 8 82 3C 40"
    (found,) = named(voice_findings(heard(song, module=module)), "voices-too-heavy")
    assert (found.at_ns, found.channel, found.value, found.limit) == (5 * MS, 3, 4.0, 3.0)


def test_a_pedal_that_is_never_lifted_is_found_where_it_goes_down() -> None:
    song = "0 90 3C 40 \n 7 B0 40 7F \n 9 B0 40 60 \n 50 80 3C 40 \n 60 90 3E 40 \n 70 80 3E 40"
    (found,) = voice_findings(heard(song))
    assert (found.name, found.at_ns, found.value) == ("voices-pedal-stuck", 7 * MS, 2.0)
    assert "the damper pedal goes down here and is never lifted; 2 notes ring to the end" in (
        found.sentence
    )


def test_a_sostenuto_that_is_never_lifted_is_found_too() -> None:
    (found,) = voice_findings(heard("0 90 3C 40 \n 7 B0 42 7F \n 50 80 3C 40 \n 60 90 3E 40 \n"
                                    "70 80 3E 40"))  # fmt: skip
    assert "sostenuto pedal" in found.sentence
    assert "1 note rings to the end" in found.sentence


def test_a_pedal_that_holds_no_note_at_the_end_is_not_spoken_of() -> None:
    assert voice_findings(heard("0 90 3C 40 \n 50 80 3C 40 \n 60 B0 40 7F")) == []


def test_a_note_without_a_note_off_is_found_where_it_begins() -> None:
    song = "3 94 3C 40 \n 5 94 3D 40 \n 6 84 3D 40 \n 7 94 3E 40"
    (found,) = voice_findings(heard(song))
    assert (found.name, found.at_ns, found.channel, found.value) == (
        "voices-note-never-ends", 3 * MS, 5, 2.0,
    )  # fmt: skip


def test_doubled_notes_are_a_remark() -> None:
    song = "3 90 3C 40 \n 3 90 3C 30 \n 9 80 3C 40 \n 9 80 3C 40"
    (found,) = voice_findings(heard(song))
    assert (found.name, found.at_ns, found.severity) == ("voices-doubled", 3 * MS, REMARK)


def test_a_song_that_fits_has_no_findings() -> None:
    assert voice_findings(heard(CROWD, module=Polyphony(3))) == []


def test_every_row_of_the_table_is_made_by_a_test_here() -> None:
    rows = {name for name in FINDINGS if name.startswith("voices-")}
    assert rows == {"voices-short", "voices-too-heavy", "voices-pedal-stuck",
                    "voices-note-never-ends", "voices-doubled"}  # fmt: skip
