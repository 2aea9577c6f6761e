"""The standard sheets against the published standards, not against themselves.

Where a check comes from, named in its rows:

- *MIDI 1.0*: MIDI 1.0 Detailed Specification 4.2.1 (1996)
- *RP-003*: General MIDI System Level 1
- *GM2*: General MIDI 2, version 1.2a (RP-024), with its section
- *CA-020* to *CA-026*: the additions of 1999 to tuning, controllers and global parameters
- *calc*: worked out by hand here from the rule named
"""

from __future__ import annotations

import pytest

from knobwright.adapters.files import standard
from knobwright.core.codec.check import check_sheet
from tests.core.sheet.standard_sheets import parameter, sheet, tree

NAMES = ("midi-1", "general-midi-1", "general-midi-2", "midi-tuning")

# RP-003, tables 1 and 2, spelled as printed
PROGRAMS = """
Piano: Acoustic Grand Piano; Bright Acoustic Piano; Electric Grand Piano; Honky-tonk Piano;
Electric Piano 1; Electric Piano 2; Harpsichord; Clavi

Chromatic Percussion: Celesta; Glockenspiel; Music Box; Vibraphone; Marimba; Xylophone; Tubular
Bells; Dulcimer

Organ: Drawbar Organ; Percussive Organ; Rock Organ; Church Organ; Reed Organ; Accordion;
Harmonica; Tango Accordion

Guitar: Acoustic Guitar (nylon); Acoustic Guitar (steel); Electric Guitar (jazz); Electric
Guitar (clean); Electric Guitar (muted); Overdriven Guitar; Distortion Guitar; Guitar harmonics

Bass: Acoustic Bass; Electric Bass (finger); Electric Bass (pick); Fretless Bass; Slap Bass 1;
Slap Bass 2; Synth Bass 1; Synth Bass 2

Strings: Violin; Viola; Cello; Contrabass; Tremolo Strings; Pizzicato Strings; Orchestral Harp;
Timpani

Ensemble: String Ensemble 1; String Ensemble 2; SynthStrings 1; SynthStrings 2; Choir Aahs;
Voice Oohs; Synth Voice; Orchestra Hit

Brass: Trumpet; Trombone; Tuba; Muted Trumpet; French Horn; Brass Section; SynthBrass 1;
SynthBrass 2

Reed: Soprano Sax; Alto Sax; Tenor Sax; Baritone Sax; Oboe; English Horn; Bassoon; Clarinet

Pipe: Piccolo; Flute; Recorder; Pan Flute; Blown Bottle; Shakuhachi; Whistle; Ocarina

Synth Lead: Lead 1 (square); Lead 2 (sawtooth); Lead 3 (calliope); Lead 4 (chiff); Lead 5
(charang); Lead 6 (voice); Lead 7 (fifths); Lead 8 (bass + lead)

Synth Pad: Pad 1 (new age); Pad 2 (warm); Pad 3 (polysynth); Pad 4 (choir); Pad 5 (bowed); Pad 6
(metallic); Pad 7 (halo); Pad 8 (sweep)

Synth Effects: FX 1 (rain); FX 2 (soundtrack); FX 3 (crystal); FX 4 (atmosphere); FX 5
(brightness); FX 6 (goblins); FX 7 (echoes); FX 8 (sci-fi)

Ethnic: Sitar; Banjo; Shamisen; Koto; Kalimba; Bag pipe; Fiddle; Shanai

Percussive: Tinkle Bell; Agogo; Steel Drums; Woodblock; Taiko Drum; Melodic Tom; Synth Drum;
Reverse Cymbal

Sound Effects: Guitar Fret Noise; Breath Noise; Seashore; Bird Tweet; Telephone Ring;
Helicopter; Applause; Gunshot
"""

# RP-003, table 3: keys 35 to 81
DRUMS = """
Acoustic Bass Drum; Bass Drum 1; Side Stick; Acoustic Snare; Hand Clap; Electric Snare; Low
Floor Tom; Closed Hi Hat; High Floor Tom; Pedal Hi-Hat; Low Tom; Open Hi-Hat; Low-Mid Tom; Hi
Mid Tom; Crash Cymbal 1; High Tom; Ride Cymbal 1; Chinese Cymbal; Ride Bell; Tambourine; Splash
Cymbal; Cowbell; Crash Cymbal 2; Vibraslap; Ride Cymbal 2; Hi Bongo; Low Bongo; Mute Hi Conga;
Open Hi Conga; Low Conga; High Timbale; Low Timbale; High Agogo; Low Agogo; Cabasa; Maracas;
Short Whistle; Long Whistle; Short Guiro; Long Guiro; Claves; Hi Wood Block; Low Wood Block;
Mute Cuica; Open Cuica; Mute Triangle; Open Triangle
"""

# GM2, appendix B, Standard set: keys 27 to 34 and 82 to 87
LOW_DRUMS = """
High Q; Slap; Scratch Push; Scratch Pull; Sticks; Square Click; Metronome Click; Metronome Bell
"""
HIGH_DRUMS = """
Shaker; Jingle Bell; Bell Tree; Castanets; Mute Surdo; Open Surdo
"""


def listed(text: str) -> list[str]:
    """Return the names of a printed list."""
    return [" ".join(item.split()) for item in text.split(";")]


# ---------------------------------------------------------------- the sheets as sheets


@pytest.mark.parametrize("name", NAMES)
def test_a_standard_sheet_has_neither_faults_nor_questions_nor_notes(name: str) -> None:
    checked = check_sheet(standard.text(name), name=name, library=standard.text)
    assert [str(fault) for fault in checked.faults] == []
    assert [str(note) for note in checked.notes] == []
    assert sheet(name).questions == ()


@pytest.mark.parametrize("name", NAMES)
def test_every_parameter_names_its_source_section_and_label(name: str) -> None:
    for table in tree(name)["parameter"]:
        assert {"from", "section", "label"} <= table.keys(), table["key"]


@pytest.mark.parametrize("name", NAMES)
def test_no_device_id_is_taken_for_granted(name: str) -> None:
    # a sheet that includes one of these and forgets its own device ids must not get ours
    assert "device_ids" not in tree(name)["module"]


def test_all_four_can_be_included_together() -> None:
    text = f'format = 1\ninclude = {list(NAMES)}\n[module]\nname = "All of them"\n'
    checked = check_sheet(text, name="all", library=standard.text)
    assert [str(fault) for fault in checked.faults] == []
    assert checked.sheet is not None
    keys = {p.key for p in checked.sheet.parameters}
    assert {"breath", "gm.on", "reverb.time", "tuning.note"} <= keys


# ---------------------------------------------------------------- which controllers there are

# MIDI 1.0 table III with the MIDI Association's table of 2020; 88: CA-031
DEFINED = {1, 2, 4, 5, 7, 8, 10, 11, 12, 13, *range(16, 20), *range(64, 85), 88, *range(91, 96)}
MODES = set(range(120, 128))  # MIDI 1.0, table V


def controllers(name: str) -> set[int]:
    """Return the numbers of the controllers that a parameter sends by itself."""
    found = set()
    for p in sheet(name).parameters:
        cells = list(p.routes[0].template.line.cells())
        if len(cells) == 3 and cells[0].word == "Bn":
            found.add(cells[1].fixed)
    return found


def test_midi_1_has_every_defined_controller_and_no_other() -> None:
    assert controllers("midi-1") == DEFINED | MODES


def test_general_midi_1_asks_for_nothing_beyond_its_list() -> None:
    # RP-003: controllers 1, 7, 10, 11, 64, 121, 123; RPN 0, 1, 2; channel pressure; bend
    assert controllers("general-midi-1") == {1, 7, 10, 11, 64, 121, 123}
    rest = {p.key for p in sheet("general-midi-1").parameters} - {
        *("modulation", "volume", "pan", "expression", "hold", "controllers.reset", "notes.off"),
        *("bend.range", "bend.range.cents", "tuning.fine", "tuning.coarse", "pressure", "bend"),
    }
    assert rest == {"gm.on", "gm.off"}
    line = sheet("general-midi-1").programs
    assert line is not None
    assert [c.word for c in line.template.line.cells()] == ["Cn", "pp"]  # no bank select in RP-003


def test_general_midi_2_has_its_controllers() -> None:
    # GM2 3.3 and 3.5; a maker's public list of what level 2 requires agrees
    assert controllers("general-midi-2") == {
        *(1, 5, 7, 10, 11, 64, 65, 66, 67, *range(71, 79), 91, 93),
        *(120, 121, 123, 126, 127),
    }


# ---------------------------------------------------------------- programs, drums, defaults


def test_the_128_programs_are_those_printed_with_their_families() -> None:
    families = [part.split(":", 1) for part in PROGRAMS.strip().split("\n\n")]
    printed = [(name, family) for family, names in families for name in listed(names)]
    assert len(printed) == 128
    ours = sorted(sheet("general-midi-1").program, key=lambda p: p.number)
    assert [p.number for p in ours] == list(range(1, 129))
    assert [(p.name, p.family) for p in ours] == printed


def test_general_midi_2_has_its_programs_in_its_own_bank_only() -> None:
    # GM2 2.4: melody bank 79 hex; appendix A spells four names differently
    first = {p.number: p.name for p in sheet("general-midi-1").program}
    second = {p.number: p.name for p in sheet("general-midi-2").program}
    assert {p.bank for p in sheet("general-midi-2").program} == {(0x79, 0)}
    assert {n: name for n, name in second.items() if name != first[n]} == {
        49: "String Ensembles 1",
        50: "String Ensembles 2",
        63: "Synth Brass 1",
        64: "Synth Brass 2",
    }
    assert len(second) == len(sheet("general-midi-2").program) == 128


def test_the_47_drum_keys_are_those_printed() -> None:
    (kit,) = sheet("general-midi-1").kits
    assert kit.names == dict(zip(range(35, 82), listed(DRUMS), strict=True))


def test_general_midi_2_has_its_nine_drum_sets() -> None:
    kits = {kit.number: kit for kit in sheet("general-midi-2").kits}
    assert {number: kit.name for number, kit in kits.items()} == {  # GM2, appendix B
        1: "Standard",
        9: "Room",
        17: "Power",
        25: "Electronic",
        26: "Analog",
        33: "Jazz",
        41: "Brush",
        49: "Orchestra",
        57: "SFX",
    }
    assert {kit.bank for kit in sheet("general-midi-2").kits} == {(0x78, 0)}  # GM2 2.4
    all_names = listed(LOW_DRUMS) + listed(DRUMS) + listed(HIGH_DRUMS)
    assert kits[1].names == dict(zip(range(27, 88), all_names, strict=True))
    assert kits[49].names == {88: "Applause"}
    assert {frozenset(group) for group in kits[1].exclusive} == {  # GM2 2.8.1
        *(frozenset(g) for g in [(42, 44, 46), (71, 72), (73, 74), (78, 79), (80, 81)]),
        *(frozenset(g) for g in [(29, 30), (86, 87)]),
    }


def test_the_module_facts_are_the_standards() -> None:
    first, second = sheet("general-midi-1"), sheet("general-midi-2")
    assert (first.module.voices, first.module.drum_channels) == (24, (10,))  # RP-003
    assert (second.module.voices, second.module.drum_channels) == (32, (10,))  # GM2 2.2, 2.4
    assert second.receiver.active_sensing  # GM2 5.1
    assert [s.template.line.text for s in first.setup] == [("F0 7E 7F 09 01 F7",)]
    assert [(s.template.line.text, s.rest_ms) for s in second.setup] == [
        (("F0 7E 7F 09 03 F7",), 100)  # GM2 4.9.1
    ]


GM2_DEFAULTS = {  # GM2 4.1 and 3.4
    "volume": 100,
    "pan": 64,
    "expression": 127,
    "reverb.send": 40,
    "chorus.send": 0,
    "sound.timbre": 64,
    "sound.release": 64,
    "sound.attack": 64,
    "sound.brightness": 64,
    "sound.decay": 64,
    "vibrato.rate": 64,
    "vibrato.depth": 64,
    "vibrato.delay": 64,
    "modulation": 0,
    "portamento.time": 0,
    "hold": 0,
    "portamento": 0,
    "sostenuto": 0,
    "soft": 0,
    "bend": 8192,
    "master.volume": 16383,
    "master.tuning.fine": 8192,
    "master.tuning.coarse": 64,
    "tuning.fine": 8192,
    "tuning.coarse": 64,
    "bend.range": 2,
    "modulation.range": 64,
    "reverb.type": 4,
    "chorus.type": 2,
}


@pytest.mark.parametrize(("key", "default"), GM2_DEFAULTS.items())
def test_general_midi_2_starts_where_the_standard_says(key: str, default: int) -> None:
    assert parameter("general-midi-2", key).default == default


def test_general_midi_1_names_no_default_that_rp_003_leaves_open() -> None:
    given = {p.key: p.default for p in sheet("general-midi-1").parameters if p.default is not None}
    assert given == {
        "volume": 100,
        "bend": 8192,
        "bend.range": 2,
        "bend.range.cents": 0,  # RP-003
        "tuning.fine": 8192,
        "tuning.coarse": 64,  # MIDI 1.0 p. 18
    }
