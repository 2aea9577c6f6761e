"""What channels play and ask for, on made songs and on real ones counted by mido."""

from __future__ import annotations

import pytest

from knobwright.core.fitting.part_findings import part_findings
from knobwright.core.fitting.parts import Part, PartsReader, read_parts
from knobwright.core.song.read import read_song
from knobwright.core.song.timeline import timeline
from tests.core.fitting.made import general_midi, larkfield, played
from tests.core.song import made
from tests.oracle import midifile

SONG = made.song(
    "00 C0 00 00 B0 07 50 00 B0 0A 20 00 90 3C 40 10 90 48 40 10 C0 05 00 90 54 40 00 FF 2F 00",
    "00 C9 00 00 99 23 40 00 99 7F 40 00 99 7F 40 00 FF 2F 00",
    "00 B1 10 01 00 B1 47 02 00 B1 65 00 00 B1 64 00 00 B1 06 0C 00 B1 63 01 00 B1 62 02 00 B1 06"
    " 05 00 91 3C 40 00 FF 2F 00",
)


def parts_of(data: bytes) -> dict[int, Part]:
    found = read_parts(read_song(data), larkfield(), standard=general_midi())
    return {part.channel: part for part in found.parts}


def test_programs_have_both_names_and_their_notes() -> None:
    part = parts_of(SONG)[1]
    assert [(p.number, p.name, p.standard_name, p.n_notes, p.keys) for p in part.programs] == [
        (1, "Upright", "Acoustic Grand Piano", 2, (60, 72)),
        (6, "Music box", "Electric Piano 2", 1, (84, 84)),
    ]
    assert [p.is_other_kind for p in part.programs] == [False, True]
    assert part.starts == {"volume": 0x50, "pan": 0x20}
    assert (part.n_notes, part.keys, part.is_drums) == (3, (60, 84), False)


def test_drum_keys_have_the_kits_names_and_those_of_general_midi() -> None:
    part = parts_of(SONG)[10]
    assert part.is_drums
    assert [(k.key, k.name, k.standard_name, k.is_known, k.n_notes) for k in part.drum_keys] == [
        (35, "deep drum", "Acoustic Bass Drum", True, 1),
        (127, "", "", False, 2),
    ]


def test_what_a_channel_asks_for_is_held_against_the_sheet() -> None:
    part = parts_of(SONG)[2]
    assert [(a.words, a.key, a.is_known, a.n, a.last) for a in part.asked] == [
        ("controller 16 (general purpose 1)", "", False, 1, 1),
        ("controller 71 (timbre/harmonic intensity)", "tone.resonance", True, 1, 2),
        ("NRPN 1, 2", "", False, 1, 5),
        ("RPN 0, 0 (bend range)", "channel.bend-range", True, 1, 12),
    ]


def test_each_lack_is_a_finding_with_its_place() -> None:
    found = part_findings(read_parts(read_song(SONG), larkfield(), standard=general_midi()))
    assert [(f.name, f.channel, f.tick) for f in found] == [
        ("part-program-other", 1, 32),
        ("part-no-program", 2, 0),
        ("part-controller-unknown", 2, 0),
        ("part-parameter-unknown", 2, 0),
        ("part-drum-key-missing", 10, 0),
    ]
    assert "key 127; 2 notes" in found[-1].sentence
    assert "NRPN 1, 2, once" in found[3].sentence


def test_a_program_that_is_not_there_is_told_with_its_bank() -> None:
    data = made.song("00 B0 00 05 00 C0 63 00 90 3C 40 00 FF 2F 00")
    (found,) = part_findings(read_parts(read_song(data), larkfield(), standard=general_midi()))
    assert found.name == "part-program-missing"
    assert found.sentence == (
        "channel 1: program 100 of bank 5, 0 (General MIDI: FX 4 (atmosphere)) is no program of "
        "the module; 1 note"
    )


def test_a_bank_that_comes_behind_the_program_does_not_count_for_it() -> None:
    data = made.song("00 C0 03 00 B0 00 01 00 90 3C 40 10 C0 03 00 90 3E 40 00 FF 2F 00")
    programs = parts_of(data)[1].programs
    assert [(p.number, p.bank, p.name) for p in programs] == [
        (4, (0, 0), "Reed piano"),
        (4, (1, 0), "Reed piano, soft"),
    ]


def test_a_value_outside_the_sheets_range_is_refused() -> None:
    data = made.song("00 B0 65 00 00 B0 64 00 00 B0 06 30 00 C0 00 00 90 3C 40 00 FF 2F 00")
    (found,) = part_findings(read_parts(read_song(data), larkfield(), standard=general_midi()))
    assert found.name == "part-value-refused"
    assert "48" in found.sentence


def test_without_a_sheet_nothing_is_called_unknown() -> None:
    found = read_parts(read_song(SONG), standard=general_midi())
    assert [p.is_known for part in found.parts for p in part.programs] == [None] * 4
    assert {a.is_known for part in found.parts for a in part.asked} == {None}
    assert part_findings(found)[0].name == "part-no-program"


def test_data_for_nothing_are_not_asked_about() -> None:
    data = made.song("00 B0 06 30 00 B0 65 7F 00 B0 64 7F 00 B0 06 01 00 90 3C 40 00 FF 2F 00")
    assert parts_of(data)[1].asked == ()


@pytest.mark.parametrize("package", midifile.PACKAGES)
def test_notes_and_keys_of_real_songs_agree_with_mido(package: str) -> None:
    midifile.require(package)
    reader = PartsReader(larkfield(), general_midi())
    for name, data in midifile.songs(package)[::12]:
        mended = midifile._ODD_KEY.sub(lambda found: found[0][:-1] + b"\x00", data)
        wanted: dict[int, list[int]] = {}
        programs: dict[int, set[int]] = {}
        for row in played(mended):
            channel = (row.message[0] & 15) + 1
            if row.message[0] >> 4 == 9 and row.message[2]:
                wanted.setdefault(channel, []).append(row.message[1])
            elif row.message[0] >> 4 == 0xC:
                programs.setdefault(channel, set()).add(row.message[1] + 1)
        parts = reader.read(timeline(read_song(data, name)))
        assert {p.channel: p.n_notes for p in parts.playing} == {
            channel: len(keys) for channel, keys in wanted.items()
        }, name
        for part in parts.playing:
            keys = wanted[part.channel]
            assert part.keys == (min(keys), max(keys)), name
            assert sum(p.n_notes for p in part.programs) == len(keys), name
            chosen = {p.number for p in part.programs if p.is_chosen}
            assert chosen == programs.get(part.channel, set()), name
            if part.is_drums:
                assert {k.key for k in part.drum_keys} == set(keys)
