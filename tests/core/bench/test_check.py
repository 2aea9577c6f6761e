"""A bench is checked with its sheet and surfaces: every fault at once, each with its line."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.bench.records import Link, Proven
from knobwright.core.errors import SheetError
from knobwright.core.sheet.records import Receiver
from tests.core.bench.benchtext import HEAD, INPUTS, LINK, check, faults

ASSIGN = '[[assignment]]\ninput = "desk"\ncontrol = "knob-1"\nparameter = "tone.level"\n'


def test_a_whole_bench_is_read() -> None:
    checked = check(
        HEAD
        + 'name = "Table"\ndevice = "11"\n'
        + '[[link]]\nout = "serial:/dev/x"\nin = "serial:/dev/x"\nbaud = 38400\n'
        + "[link.proven]\nrunning_status = true\nrest_ms = 30\nlongest_exclusive = 256\n"
        + INPUTS
        + '[[assignment]]\ninput = "desk"\ncontrol = "knob-1"\nparameter = "tone.level"\n'
        + 'channels = "1-3, 10"\nlow = "-20"\nhigh = 100\nlayer = "button-1"\n'
        + '[[keys]]\ninput = "keys"\nkeys = [0, 59]\nchannels = [2]\ntranspose = -12\n'
        + '[pass]\nclock = false\nallow = ["F0 43 10"]\n'
        + '[quiet]\nways = ["notes-off", "reset-controllers"]\nchannels = "all"\n'
    )
    bench, codec = checked.require()
    assert checked.faults == ()
    assert (bench.name, bench.device, codec.device) == ("Table", 0x11, 0x11)
    (link,) = bench.links
    assert (link.out, link.into, link.baud) == ("serial:/dev/x", "serial:/dev/x", 38400)
    assert link.proven == Proven(True, 256, 30)
    (assigned,) = bench.assigned("desk")
    assert assigned.channels == (1, 2, 3, 10)
    assert (assigned.low, assigned.high) == (44, 100)  # -20 shown is 44 raw: v - 64
    assert bench.assigned("keys") == ()
    (zone,) = bench.zones("keys")
    assert (zone.keys, zone.channels, zone.transpose) == ((0, 59), (2,), -12)
    assert bench.zones("desk") == ()
    assert bench.passing.allow == ("F0 43 10",)
    assert bench.quiet.controllers == (123, 121)
    assert list(checked.surfaces) == ["desk"]


def test_what_is_not_said_has_its_usual_value() -> None:
    bench, _ = check(HEAD + LINK).require()
    assert bench.links[0].baud == 31_250  # MIDI 1.0 Detailed Specification 4.2.1, page 1
    assert bench.passing.exclusive == "explained"
    assert not bench.passing.reset
    assert bench.quiet.controllers == (120, 123)


def test_every_fault_is_reported_at_once_with_its_line() -> None:
    found = faults(
        '[[assignment]]\ninput = "desk"\ncontrol = "nob-1"\nparameter = "tone.level"\n'
        '[[assignment]]\ninput = "desks"\ncontrol = "knob-1"\nparameter = "tone.levels"\n'
        "[pass]\nclocks = true\n"
        '[quiet]\nways = ["silence"]\n'
    )
    n_head = (HEAD + LINK + INPUTS).count("\n")
    assert [int(text.split()[1].rstrip(":")) - n_head for text in found] == [3, 6, 8, 10, 12]
    assert "did you mean 'knob-1'" in found[0]
    assert "did you mean 'desk'" in found[1]
    assert "did you mean 'tone.level'" in found[2]
    assert "did you mean 'clock'" in found[3]
    assert "the ways are sound-off, reset-controllers, notes-off" in found[4]


ROWS = [
    ("", 'format = 1\nsheet = "wren.sheet.toml"\n', "'link' is missing"),
    ("", 'format = 2\nsheet = "wren.sheet.toml"\n' + LINK, "must lie between 1 and 1"),
    ("", 'format = 1\nsheet = "lark.sheet.toml"\n' + LINK, "there is no such sheet"),
    ('device = "80"', "", "two hex digits, 00 to 7F"),
    ('[[link]]\nout = "a:b"\n[[link]]\nout = "a:c"', "", "one link, or two"),
    (LINK, "", "both links send to the same port"),
    ('[[input]]\nname = "desk"\nport = "memory:x"', "", "two inputs 'desk'"),
    ('[[input]]\nname = "x"\nport = "memory:module"', "", "would come in again"),
    ('[[input]]\nname = "x"\nport = "memory:x"\nlink = 2', "", "no second [[link]]"),
    ('[[input]]\nname = "x"\nport = "memory:x"\nlink = 3', "", "between 1 and 2"),
    ('[[input]]\nname = "x"\nport = "a:b"\nsurface = "bad.surface.toml"', "", "knob"),
    (ASSIGN + "channels = [0]", "", "channels are written"),
    (ASSIGN + "channels = [17]", "", "those of a second [[link]]"),
    (ASSIGN + 'channels = "1-"', "", "channels are written"),
    (ASSIGN + "channels = true", "", "channels are written"),
    (ASSIGN + "low = 200", "", "does not take 200"),
    (ASSIGN + 'low = "loud"', "", "loud"),
    (ASSIGN + "low = 1.5", "", "a raw number or a value as text"),
    (ASSIGN + "steps = [1, true]", "", "a raw number or a value as text"),
    (ASSIGN + "points = [[0, 0], [1]]", "", "points are written"),
    (ASSIGN + 'curve = "lineal"', "", "curve"),
    (ASSIGN + 'meet = "jump"', "", "meet"),
    (ASSIGN + 'layer = "button-9"', "", "no control 'button-9'"),
    (ASSIGN + 'layer = "knob-1"', "", "can't be held"),
    (ASSIGN + 'mode = "next"', "", "does not fit"),
    (ASSIGN.replace("tone.level", "store"), "", "marked as dangerous"),
    (ASSIGN.replace('"desk"', '"keys"'), "", "has no surface"),
    ("[[keys]]\nkeys = [60, 10]", "", "keys are the lowest and the highest"),
    ("[[keys]]\nkeys = [60]", "", "must be [lowest, highest]"),
    ('[[keys]]\ntakes = ["pedal"]', "", "does not take 'pedal'"),
    ("[[keys]]\nchannels = [17]", "", "a second [[link]]"),
    ("[[keys]]\nlistens = [17]", "", "channels are written"),
    ('[pass]\nallow = ["F0"]', "", "written in hex with F0 and the maker's id"),
    ('[pass]\nexclusive = "all"', "", "must be one of explained, none"),
    ("[link.proven]\nrest_ms = -1", HEAD + LINK, "between 0 and 60000"),
    ('[link.proven]\nrunning_status = "yes"', HEAD + LINK, "true or false"),
]


@pytest.mark.parametrize("tables, head, words", ROWS)
def test_a_fault_says_what_was_expected(tables: str, head: str, words: str) -> None:
    whole = head + tables if head else HEAD + _before(tables) + LINK + INPUTS + _behind(tables)
    found = [str(fault) for fault in check(whole).faults]
    assert len(found) == 1, found
    assert words in found[0]


def _before(tables: str) -> str:
    return "" if tables.startswith("[") else tables + "\n"


def _behind(tables: str) -> str:
    return tables + "\n" if tables.startswith("[") else ""


def test_a_question_about_an_assigned_parameter_is_a_note() -> None:
    checked = check(HEAD + LINK + INPUTS + ASSIGN.replace("tone.level", "colour"))
    assert checked.faults == ()
    (note,) = checked.notes
    assert "not sent until its question is answered" in note.message


def test_an_assignment_for_every_input_needs_the_control_on_one_of_them() -> None:
    anywhere = ASSIGN.replace('input = "desk"\n', "")
    assert faults(anywhere) == []
    (found,) = faults(anywhere.replace("knob-1", "knob-7"))
    assert "there is no control 'knob-7'" in found


def test_faults_are_raised_with_all_of_them_at_hand() -> None:
    with pytest.raises(SheetError) as raised:
        check("format = 1\n").require()
    assert len(raised.value.faults) == 2
    assert raised.value.where == "bench.toml"


@pytest.mark.parametrize("text", ["format = ", "a.b.c = 1\n" * 2, "\0", "x = [" * 5000])
def test_what_is_no_toml_is_one_fault(text: str) -> None:
    checked = check(text)
    assert checked.bench is None
    assert len(checked.faults) == 1


@given(st.text(max_size=200))
def test_any_text_is_checked_without_an_error(text: str) -> None:
    checked = check(text)
    assert checked.bench is None or not checked.faults


_VALUES = st.recursive(
    st.sampled_from(["1", "-1", "true", '"x"', '"1-16"', "1.5", "[]", "1979-05-27"]),
    lambda inner: st.lists(inner, max_size=3).map(lambda rows: "[" + ", ".join(rows) + "]"),
    max_leaves=4,
)


_KEYS = (
    ("out", "in", "baud", "name", "port", "surface", "control", "parameter", "channels", "low"),
    ("high", "steps", "points", "keys", "velocities", "listens", "loudness", "takes", "curve"),
    ("amount", "allow", "ways", "exclusive", "input", "value", "layer", "note", "link", "proven"),
)
_ROW = st.tuples(st.sampled_from([key for keys in _KEYS for key in keys]), _VALUES)


@given(
    st.sampled_from(["link", "input", "assignment", "keys", "pass", "quiet"]),
    st.lists(_ROW, max_size=6, unique_by=lambda row: row[0]),
)
def test_any_value_of_any_key_is_checked_without_an_error(
    table: str, rows: list[tuple[str, str]]
) -> None:
    brackets = f"[{table}]" if table in ("pass", "quiet") else f"[[{table}]]"
    body = "".join(f"{key} = {value}\n" for key, value in rows)
    checked = check(f"{HEAD}{LINK}{INPUTS}{brackets}\n{body}")
    assert checked.bench is None or not checked.faults


RUNNING = [
    # what the bench says, what the link test found, what the module takes, whether it is used
    ("proven", None, True, False),
    ("proven", False, True, False),
    ("proven", True, True, True),
    ("proven", True, False, False),
    ("always", None, True, True),
    ("always", True, False, False),
    ("never", True, True, False),
]


@pytest.mark.parametrize("says, proven, takes, used", RUNNING)
def test_running_status_is_used_only_where_the_module_and_the_way_take_it(
    says: str, proven: bool | None, takes: bool, used: bool
) -> None:
    link = Link("memory:x", running_status=says, proven=Proven(proven))
    assert link.uses_running_status(Receiver(running_status=takes)) is used


def test_the_longer_rest_counts() -> None:
    link = Link("memory:x", proven=Proven(rest_ms=30))
    assert (link.gap_ms(Receiver(gap_ms=20)), link.gap_ms(Receiver(gap_ms=40))) == (30, 40)
    assert link.longest_exclusive is None
    assert Link("memory:x", proven=Proven(longest_exclusive=64)).longest_exclusive == 64
