"""The user's table: read, applied, turned round; and proposals for it."""

from __future__ import annotations

import pytest

from knobwright.core.errors import InputError, SheetError
from knobwright.core.fitting.families import (
    DRUM_GROUPS,
    RELATED,
    family_by_name,
    family_of_program,
    likeness,
    nearest,
    nearest_key,
)
from knobwright.core.fitting.mapping import Mapping, ProgramRow, check_mapping
from knobwright.core.fitting.parts import read_parts
from knobwright.core.fitting.programs import FAMILIES, Choice, Names, family_of, spans
from knobwright.core.fitting.propose import propose, with_proposals
from knobwright.core.song.read import read_song
from tests.core.fitting.made import codec_of, general_midi, larkfield
from tests.core.song import made

TARGET = Names(larkfield().sheet)

#: RP-003, tables 1 and 2: first and last program of each family, as printed (standards, D.2).
PUBLISHED = {
    "Piano": ("Acoustic Grand Piano", "Clavi"),
    "Chromatic Percussion": ("Celesta", "Dulcimer"),
    "Organ": ("Drawbar Organ", "Tango Accordion"),
    "Guitar": ("Acoustic Guitar (nylon)", "Guitar harmonics"),
    "Bass": ("Acoustic Bass", "Synth Bass 2"),
    "Strings": ("Violin", "Timpani"),
    "Ensemble": ("String Ensemble 1", "Orchestra Hit"),
    "Brass": ("Trumpet", "SynthBrass 2"),
    "Reed": ("Soprano Sax", "Clarinet"),
    "Pipe": ("Piccolo", "Ocarina"),
    "Synth Lead": ("Lead 1 (square)", "Lead 8 (bass + lead)"),
    "Synth Pad": ("Pad 1 (new age)", "Pad 8 (sweep)"),
    "Synth Effects": ("FX 1 (rain)", "FX 8 (sci-fi)"),
    "Ethnic": ("Sitar", "Shanai"),
    "Percussive": ("Tinkle Bell", "Reverse Cymbal"),
    "Sound Effects": ("Guitar Fret Noise", "Gunshot"),
}


def checked(text: str) -> Mapping:
    return check_mapping("format = 1\n" + text, general_midi(), TARGET, name="x").require()


def faults(text: str) -> list[str]:
    return [str(f) for f in check_mapping(text, general_midi(), TARGET).faults]


def test_families_are_those_of_the_published_table() -> None:
    assert tuple(PUBLISHED) == FAMILIES
    for number, (family, (first, last)) in enumerate(PUBLISHED.items()):
        low = number * 8 + 1
        assert family_of(low) == family_of(low + 7) == family
        names = [general_midi().program(Choice(n)) for n in (low, low + 7)]
        assert [p.name for p in names if p] == [first, last]
    for program in general_midi().sheet.program:
        assert family_of_program(program) == family_of(program.number)


def test_drum_keys_have_the_published_names() -> None:
    """RP-003, table 3 (standards, D.3): the ends and some between."""
    kit = general_midi().kit(None)
    assert kit is not None
    assert sorted(kit.names) == list(range(35, 82))
    some = {
        35: "Acoustic Bass Drum",
        42: "Closed Hi Hat",
        57: "Crash Cymbal 2",
        81: "Open Triangle",
    }
    assert {key: kit.names[key] for key in some} == some


def test_tables_of_kin_name_what_there_is() -> None:
    assert set(RELATED) == set(FAMILIES)
    assert {kin for row in RELATED.values() for kin in row} <= set(FAMILIES)
    keys = [key for group in DRUM_GROUPS.values() for key in group]
    assert len(keys) == len(set(keys))
    kit = general_midi().kit(None)
    assert kit is not None
    assert set(kit.names) <= set(keys)


def test_names_point_to_families_by_their_last_telling_word() -> None:
    wanted = {
        "Upright": "Piano", "Reed piano, soft": "Piano", "Reed organ": "Organ", "Vibes": PERC,
        "Solo violin": "Strings", "Strings, slow": "Ensemble", "Round bass": "Bass", "Zx 81": "",
    }  # fmt: skip
    assert {name: family_by_name(name) for name in wanted} == wanted


PERC = "Chromatic Percussion"


def test_likeness_is_a_share_of_words_that_begin_alike() -> None:
    assert likeness("Music Box", "music box") == 1
    assert likeness("Drawbar Organ", "Drawbars") == pytest.approx(7 / 8 / 2)
    assert likeness("Flute", "Trumpet") == 0
    assert likeness("7", "") == 0


def test_the_nearest_program_is_of_the_same_family_before_one_of_kin() -> None:
    programs = larkfield().sheet.program
    wanted = {
        "Music Box": "Music box", "Vibraphone": "Vibes", "Drawbar Organ": "Drawbars",
        "Electric Bass (pick)": "Picked bass", "String Ensemble 1": "Strings", "Trumpet": "Trumpet",
        "Banjo": "Nylon guitar", "Pad 2 (warm)": "Warm pad",
    }  # fmt: skip
    by_name = {p.name: p for p in general_midi().sheet.program}
    for name, expected in wanted.items():
        found = nearest(by_name[name], programs)
        assert found is not None
        assert found.program.name == expected, name
    assert nearest(by_name["Gunshot"], programs) is None


def test_the_nearest_drum_is_of_the_same_group() -> None:
    kit = larkfield().sheet.kits[0].names
    assert nearest_key(57, kit) == (49, "both are crashes")
    assert nearest_key(53, kit) == (51, "both are rides")
    assert nearest_key(78, kit) is None
    assert nearest_key(3, kit) is None


def test_rows_are_numbers_names_or_both_with_a_bank() -> None:
    mapping = checked("""
[[program]]
from = "acoustic grand piano"
to = "Upright, wide"
[[program]]
from = { number = 5, bank = [0, 1] }
to = { number = 4, bank = [1, 0] }
channels = [3]
[[drum]]
from = "Crash Cymbal 2"
to = "crash"
[[drum]]
from = 53
to = 51
""")
    assert mapping.programs == (
        ProgramRow(1, None, Choice(1, (1, 0))),
        ProgramRow(5, (0, 1), Choice(4, (1, 0)), (3,)),
    )
    assert mapping.drums == {57: 49, 53: 51}
    assert mapping.program(Choice(1, (9, 9)), 2) == Choice(1, (1, 0))
    assert mapping.program(Choice(5, (0, 1)), 3) == Choice(4, (1, 0))
    assert mapping.program(Choice(5, (0, 1)), 4) is None
    assert mapping.program(Choice(5, (0, 0)), 3) is None
    assert mapping.program(Choice(1), 10, is_drums=True) is None


def test_the_closer_row_wins_wherever_it_stands() -> None:
    rows = (
        ProgramRow(1, None, Choice(1)),
        ProgramRow(1, None, Choice(2), (5,)),
        ProgramRow(1, (2, 0), Choice(3)),
    )
    for order in (rows, rows[::-1]):
        mapping = Mapping(order)
        assert mapping.program(Choice(1), 1) == Choice(1)
        assert mapping.program(Choice(1), 5) == Choice(2)
        assert mapping.program(Choice(1, (2, 0)), 1) == Choice(3)


def test_the_way_back_says_what_it_can_not_tell_apart() -> None:
    mapping = checked("""
program = [{ from = 1, to = 1 }, { from = 2, to = 1 }, { from = 49, to = 16 }]
drum = [{ from = 57, to = 49 }, { from = 55, to = 49 }]
""")
    back, lost = mapping.back()
    assert back.program(Choice(1), 1) == Choice(1)
    assert back.program(Choice(16), 1) == Choice(49)
    assert back.drums == {49: 57}
    assert lost == (
        "program 1 goes back to program 1, not to program 2",
        "drum key 49 goes back to 57, not to 55",
    )
    again, none = back.back()
    assert again.program(Choice(49), 1) == Choice(16)
    assert none == ()


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("program = []", 1, "'format' is missing"),
        ("format = 1\n[[program]]\nfrom = 1", 2, "'to' is missing"),
        ("format = 1\n[[program]]\nfrom = 'Grand Panio'\nto = 1", 3, "no program is called"),
        ("format = 1\n[[program]]\nfrom = 1\nto = 99", 4, "the module's list has no program 99"),
        ("format = 1\n[[program]]\nfrom = true\nto = 1", 3, "a program is a printed number"),
        ("format = 1\n[[program]]\nfrom = { number = 1, bank = [1] }\nto = 1", 3, "two numbers"),
        ("format = 1\n[[program]]\nform = 1\nto = 1", 3, "there is no key 'form'"),
        ("format = 1\ndrum = [{ from = 57, to = 127 }]", 2, "no drum on key 127"),
        ("format = 1\ndrum = [{ from = 157, to = 49 }]", 2, "key number from 0 to 127"),
        ("format = 1\ndrum = [{ from = 57, to = 49 }, { from = 57, to = 36 }]", 2, "already"),
        ("format = 1\nprogram = [{ from = 1, to = 1 }, { from = 1, to = 2 }]", 2, "row 1 maps"),
        ("format = 1\n= 3", 2, "not TOML"),
        ("format = 1\n[[program]]\nfrom = 1\nto = 1\nchannels = [17]", 5, "between 1 and 16"),
    ],
)  # fmt: skip
def test_a_fault_has_its_line(text: str, line: int, words: str) -> None:
    found = faults(text)
    assert any(f"line {line}:" in fault and words in fault for fault in found), found


def test_all_faults_come_at_once_and_are_raised() -> None:
    text = "format = 1\n[[program]]\nfrom = 'x'\nto = 'y'\n[[drum]]\nfrom = -1\nto = 200\n"
    found = check_mapping(text, general_midi(), TARGET, name="a.mapping.toml")
    assert len(found.faults) == 4
    with pytest.raises(SheetError, match="and 3 more"):
        found.require()


SONG = made.song(
    "00 C0 00 00 90 3C 40 00 C0 30 00 90 3C 40 00 C0 7F 00 90 3C 40 00 FF 2F 00",
    "00 99 39 40 00 99 24 40 00 99 4E 40 00 FF 2F 00",
)


def test_proposals_are_made_for_what_lacks_and_are_not_applied_twice() -> None:
    parts = read_parts(read_song(SONG), larkfield(), standard=general_midi())
    found = propose(parts, general_midi(), TARGET)
    assert [(p.kind, p.source, p.to, p.to_name) for p in found] == [
        ("program", 49, 16, "Strings"),
        ("program", 128, None, ""),
        ("drum", 57, 49, "crash"),
        ("drum", 78, None, ""),
    ]
    before = "# mine\nformat = 1\n\n[[program]]\nfrom = 3\nto = 3 # as I like it\n"
    text = with_proposals(before, found)
    assert text.startswith(before)
    assert "# program 128 Gunshot: nothing of the module" in text
    mapping = check_mapping(text, general_midi(), TARGET).require()
    assert mapping.drums == {57: 49}
    assert [row.number for row in mapping.programs] == [3, 49]
    again = propose(parts, general_midi(), TARGET, mapping)
    assert [p.source for p in again] == [128, 78]


def test_proposals_count_from_the_standards_first_program() -> None:
    """A module that counts from 0: the song's byte 48 is printed 49 in General MIDI."""
    codec = codec_of("""
format = 1
[module]
name = "Sedge"
[programs]
line = "Cn pp"
first = 0
[[program]]
number = 0
name = "Slow strings"
""")
    parts = read_parts(read_song(SONG), codec, standard=general_midi())
    found = propose(parts, general_midi(), Names(codec.sheet))
    assert [(p.source, p.to) for p in found] == [(1, None), (49, 0), (128, None)]


def test_a_text_that_is_no_toml_takes_no_proposals() -> None:
    with pytest.raises(InputError, match="not TOML"):
        with_proposals("= 1", [])


def test_spans_join_what_follows() -> None:
    assert spans([10, 1, 2, 3, 4, 4]) == "1-4, 10"
    assert spans([]) == ""
