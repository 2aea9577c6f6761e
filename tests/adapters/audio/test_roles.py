"""Which parameter is heard as what, and how a stand-in's doings become a score."""

from __future__ import annotations

import pytest

from knobwright.adapters.audio import roles as r
from knobwright.adapters.audio.notes import Sounding, sounding
from knobwright.adapters.audio.roles import roles_of
from knobwright.adapters.audio.score import Control, PlayedNote, PlayedProgram, Score, make_score
from knobwright.adapters.files.standard import library
from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.events import Event, Note, Plain, ProgramSet, Setting
from knobwright.core.sheet.records import Sheet

CH = 'per = ["channel"]'
HEAD = 'format = 1\n[module]\nname = "Wren"\n[programs]\nline = "Cn pp"\n'


def sheet_of(*parameters: str) -> Sheet:
    return check_sheet(
        HEAD + "".join(f"[[parameter]]\n{text}\n" for text in parameters), library=library()
    ).require()


# A parameter, its role, a raw value and that value in the role's unit.
BY_BYTES: dict[str, tuple[str, str, int, float]] = {
    "controller 7": (f'{CH}\nline = "Bn 07 vv"', r.VOLUME, 64, 64),
    "controller 10": (f'{CH}\nline = "Bn 0A vv"', r.PAN, 1, 1),
    "controller 11": (f'{CH}\nline = "Bn 0B vv"', r.EXPRESSION, 127, 127),
    "controller 74": (f'{CH}\nline = "Bn 4A vv"', r.BRIGHTNESS, 9, 9),
    "controller 71": (f'{CH}\nline = "Bn 47 vv"', r.RESONANCE, 9, 9),
    "controller 73, signed": (
        f'{CH}\nline = "Bn 49 vv"\nrange = [-64, 63]\ncoding = "offset"',
        r.ATTACK,
        0,
        64,
    ),
    "controllers 7 and 39": (f'{CH}\nline = "Bn 07 vh 27 vl"', r.VOLUME, 16383, 127),
    "an NRPN with a route": (
        f'{CH}\nline = "Bn 63 05 62 12 06 vv"\n[[parameter.route]]\nline = "Bn 4A vv"',
        r.BRIGHTNESS,
        100,
        100,
    ),
    "pitch bend": (f'{CH}\nline = "En vl vh"', r.BEND, 0, -1),
    "RPN 0": (f'{CH}\nline = "Bn 65 00 64 00 06 vv"\nrange = [0, 24]', r.BEND_RANGE, 12, 12),
    "RPN 0 with cents": (
        f'{CH}\nline = "Bn 65 00 64 00 06 vh 26 vl"',
        r.BEND_RANGE,
        2 << 7 | 50,
        2.5,
    ),
    "RPN 1": (f'{CH}\nline = "Bn 65 00 64 01 06 vh 26 vl"', r.FINE, 0x2000 - 4096, -50),
    "RPN 2": (f'{CH}\nline = "Bn 65 00 64 02 06 vv"', r.COARSE, 52, -12),
    "master volume": ('line = "F0 7F 7F 04 01 vl vh F7"', r.MASTER, 16383, 127),
}
BY_WORDS: dict[str, tuple[str, str, int, float]] = {
    "an exclusive level": (f'{CH}\nlabel = "Part level"\nline = "F0 7D 0n vv F7"', r.LEVEL, 32, 32),
    "a level of the whole": ('label = "Volume"\nline = "F0 7D 01 vv F7"', r.MASTER, 32, 32),
    "a narrow range": (
        f'{CH}\nlabel = "Panorama pan"\nline = "F0 7D 0n vv F7"\nrange = [0, 100]',
        r.PAN,
        100,
        127,
    ),
    "cut-off": (f'{CH}\nlabel = "Filter cut-off"\nline = "F0 7D 0n vv F7"', r.BRIGHTNESS, 3, 3),
    "attack": (f'{CH}\nlabel = "EG attack time"\nline = "F0 7D 0n vv F7"', r.ATTACK, 3, 3),
    "release": (f'{CH}\nlabel = "Release"\nline = "F0 7D 0n vv F7"', r.RELEASE, 3, 3),
    "vibrato": (f'{CH}\nlabel = "Vibrato rate"\nline = "F0 7D 0n vv F7"', r.VIBRATO_RATE, 3, 3),
    "a level per key": (
        'per = ["key"]\nlabel = "Key level"\nline = "B9 63 1A 62 kk 06 vv"',
        r.KEY_LEVEL,
        3,
        3,
    ),
}
NONE = {
    "an effect's level": 'label = "Hall level"\nline = "F0 7D 01 vv F7"',
    "a send": f'{CH}\nlabel = "Reverb send level"\nline = "F0 7D 0n vv F7"',
    "a depth of something else": f'{CH}\nlabel = "LFO pitch depth"\nline = "F0 7D 0n vv F7"',
    "a pan per key": 'per = ["key"]\nlabel = "Key pan"\nline = "B9 63 1C 62 kk 06 vv"',
    "a part of a word": f'{CH}\nlabel = "Expand"\nline = "F0 7D 0n vv F7"',
    "an action": f'{CH}\nlabel = "Level reset"\nline = "Bn 78 00"',
    "a text": 'label = "Level name"\ntype = "text"\nline = "F0 7D 01 t*8 F7"',
    "controller 8": f'{CH}\nlabel = "Balance"\nline = "Bn 08 vv"',
    "another RPN": f'{CH}\nline = "Bn 65 00 64 05 06 vv"',
}


@pytest.mark.parametrize("row", BY_BYTES | BY_WORDS)
def test_a_parameter_is_heard_as_what_its_bytes_or_words_say(row: str) -> None:
    text, wanted, raw, value = (BY_BYTES | BY_WORDS)[row]
    role = roles_of(sheet_of(f'key = "x"\n{text}'))["x"]
    assert role.name == wanted
    assert role.convert(raw) == pytest.approx(value)
    assert role.by_bytes == (row in BY_BYTES)


@pytest.mark.parametrize("row", NONE)
def test_what_is_no_part_of_the_tone_has_no_role(row: str) -> None:
    assert roles_of(sheet_of(f'key = "x"\n{NONE[row]}')) == {}


def test_every_role_has_a_value_at_rest() -> None:
    assert {wanted for _, wanted, _, _ in (BY_BYTES | BY_WORDS).values()} <= r.AT_REST.keys()
    assert set(r.CONTROLLERS.values()) <= r.AT_REST.keys()


SHEET = sheet_of(
    f'key = "level"\n{CH}\nline = "F0 7D 0n vv F7"\ndefault = 90',
    f'key = "volume"\n{CH}\nline = "Bn 07 vv"\ndefault = 80',
    'key = "master.volume"\nline = "F0 7F 7F 04 01 vl vh F7"',
)


def played(*acted: tuple[int, Event]) -> list[object]:
    """Return the events of a score behind the sheet's defaults."""
    events = make_score(acted, SHEET).events
    assert len(make_score((), SHEET).events) == 32
    return list(events[32:])


def test_a_score_begins_with_the_sheets_defaults() -> None:
    events = make_score((), SHEET).events
    assert Control(0.0, 3, r.LEVEL, 90) in events
    assert events[-1] == Control(0.0, 16, r.VOLUME, 80)  # by bytes last


def test_settings_programs_and_notes_keep_their_times() -> None:
    assert played(
        (1_000_000, ProgramSet(2, 5, (0, 0))),
        (2_000_000, Note(2, 60, 99)),
        (3_000_000, Setting("volume", 64, 2)),
        (4_000_000, Note(2, 60, 0)),
    ) == [
        PlayedProgram(0.001, 2, 4),
        PlayedNote(0.002, 2, 60, 99),
        Control(0.003, 2, r.VOLUME, 64),
        PlayedNote(0.004, 2, 60, 0),
    ]


def test_what_is_for_the_whole_module_is_for_every_channel() -> None:
    found = played((0, Setting("master.volume", 16383)))
    assert found == [Control(0.0, channel, r.MASTER, 127) for channel in range(1, 17)]


def test_a_reset_ends_notes_and_brings_the_defaults_back() -> None:
    found = played(
        (0, Note(1, 60, 9)), (10**9, Setting("volume", 1, 1)), (2 * 10**9, Plain("reset"))
    )
    assert PlayedNote(2.0, 1, 60, 0) in found
    moves = [e for e in found if isinstance(e, Control) and (e.channel, e.role) == (1, r.VOLUME)]
    assert [move.value for move in moves] == [1, 100, 80]
    assert moves[-1].at_s == 2.0


def test_notes_that_begin_again_or_are_never_let_go_have_an_end() -> None:
    score = Score((PlayedNote(0, 1, 60, 1), PlayedNote(1, 1, 60, 2), PlayedNote(2, 1, 61, 3),
                   PlayedNote(3, 1, 61, 0)))  # fmt: skip
    assert sounding(score) == [
        Sounding(0, 1, 1, 60, 1, 0),
        Sounding(2, 3, 1, 61, 3, 0),
        Sounding(1, 3, 1, 60, 2, 0),
    ]
