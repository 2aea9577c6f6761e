"""The check of a surface: all faults at once, each with its line and a next step."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import KnobwrightError, NamingError, SheetError
from knobwright.core.surface.check import check_surface
from knobwright.core.surface.kinds import FORMS
from knobwright.core.surface.relative import RELATIVE
from knobwright.core.surface.shape import TABLES
from tests.core.surface.surfaces import EXAMPLE, HEAD, control, every_form, faults, surface


def test_the_example_has_every_form() -> None:
    found = {row.form for row in every_form().controls}
    assert found == set(FORMS)


def test_a_control_carries_what_its_table_says() -> None:
    ring = every_form().control("ring-1")
    assert (ring.kind, ring.form, ring.channels, ring.n_bits) == ("encoder", "control", (1,), 7)
    assert (ring.relative, ring.shows, ring.echoes) == ("twos", (1, 15), True)
    assert ring.acceleration == ((5.0, 8.0), (20.0, 3.0), (60.0, 1.0))
    strip = every_form().control("strip")
    assert (strip.n_bits, strip.range) == (14, (0, 1000))
    assert every_form().control("knob-1").channels == tuple(range(1, 17))


def test_a_name_that_is_not_there_lists_those_that_are() -> None:
    with pytest.raises(NamingError) as error:
        every_form().control("knob-9")
    assert "knob-1" in error.value.candidates


def test_all_faults_come_at_once_each_with_its_line() -> None:
    text = (
        'format = 1\n[surface]\nname = "X"\n'
        '[[control]]\nname = "a"\nkind = "nob"\nsends = "Bn 10 vv"\n'  # line 6
        '[[control]]\nname = "b"\nkind = "knob"\nsend = "Bn 11 vv"\n'  # line 11
        '[[control]]\nname = "c"\nkind = "knob"\nsends = "Bn 1G vv"\n'  # line 15
        '[[control]]\nname = "d"\nkind = "knob"\nsends = "Bn 10 vv"\nrange = [9, 3]\n'  # line 20
    )
    checked = check_surface(text, name="x.surface.toml")
    assert checked.surface is None
    lines = [fault.line for fault in checked.faults]
    assert {6, 11, 15, 20} <= set(lines)
    unknown = next(fault for fault in checked.faults if fault.line == 11)
    assert unknown.hint == "did you mean 'sends'?"
    with pytest.raises(SheetError) as error:
        checked.require()
    assert len(error.value.faults) == len(checked.faults)


# One row a rule: the rows of the control's table (kind knob), and words of the fault.
FAULTS: dict[str, tuple[str, str]] = {
    "keys": ('sends = "9n kk vv"', "'kk' has no place"),
    "checksum": ('sends = "F0 7D [ vv ] cs F7"', "'cs' has no place"),
    "map": ('sends = "Bp 10 vv"', "'Bp' has no place"),
    "no value, turned": ('sends = "B0 10 7F"', "a knob does not send a message without a value"),
    "note, turned": ('sends = "90 24 vv"', "a knob does not send a note"),
    "note off": ('sends = "80 24 vv"', "80 with a value is nothing"),
    "number missing": ('sends = "B0 vv 10"', "the number of the controller"),
    "bend high first": ('sends = "E0 vh vl"', "low part first"),
    "pair without low": ('sends = ["B0 01 vh", "B0 21 vh"]', "once each"),
    "pair of two values": ('sends = ["B0 01 vv", "B0 21 vv"]', "once each"),
    "two channels": ('sends = ["B0 01 vh", "B1 21 vl"]', "the same status byte"),
    "selection without data": ('sends = "B0 63 05 62 12"', "without a value sends one message"),
    "wrong data": ('sends = "B0 63 05 62 12 07 vv"', "behind the selection"),
    "low part in 6": ('sends = "B0 63 05 62 12 06 vl 26 vh"', "06 carries the high part"),
    "line and path": ('sends = "B0 10 vv"\npath = "/a"', "this has both"),
    "neither": ('label = "A"', "this has neither"),
    "channels fixed": ('sends = "B0 10 vv"\nchannels = "1-4"', "no channel n"),
    "channels": ('sends = "Bn 10 vv"\nchannels = "0-4"', "channels are written"),
    "range": ('sends = "B0 10 vv"\nrange = [0, 128]', "within 0 to 127"),
    "relative pair": (
        'sends = ["B0 01 vh", "B0 21 vl"]\nrelative = "twos"',
        "steps come in one byte",
    ),
    "relative name": ('sends = "B0 01 vv"\nrelative = "two"', "must be one of twos"),
    "acceleration alone": ('sends = "B0 01 vv"\nacceleration = [[5, 2]]', "only an encoder"),
    "acceleration order": (
        'sends = "B0 01 vv"\nrelative = "twos"\nacceleration = [[9, 2], [5, 1]]',
        "(ascending)",
    ),
    "factor": ('sends = "B0 01 vv"\nrelative = "twos"\nacceleration = [[9, 0.5]]', "between 1 and"),
    "action, turned": ('sends = "B0 01 vv"\naction = "toggle"', "is not pressed"),
    "release, turned": ('sends = "B0 01 vv"\nrelease = "B0 01 00"', "is not pressed"),
    "echo of steps": ('sends = "B0 01 vv"\nrelative = "twos"\necho = true', "by another line"),
    "echo line": ('sends = "B0 01 vv"\necho = "B0 01 7F"', "no value to show"),
    "echo kind": ('sends = "B0 01 vv"\necho = 5', "true (by its own line) or a line"),
    "follows": ('sends = "B0 01 vv"\nfollows = true', "echo is missing"),
    "on": ('sends = "B0 01 vv"\non = 128', "0 to 127"),
    "numbers": ('path = "/a"\nnumbers = [1, 1]', "at the low and at the high end"),
    "numbers that are none": ('path = "/a"\nnumbers = [nan, 1]', "at the low and at the high end"),
    "real time with a value": ('sends = "F3 vv"', "F3 with a value is nothing"),
    "name": ('sends = "B0 01 vv"\nlabel = 5', "label must be a text"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_what_can_not_be_is_named(name: str) -> None:
    rows, words = FAULTS[name]
    found = faults(control(rows))
    assert any(words in fault for fault in found), found


# Two controls that could not be told apart, and pairs that can.
CLASHES = [
    ("Bn 10 vv", "B3 10 vv", True),
    ("B0 10 vv", "B1 10 vv", False),
    ("B0 10 vv", "B0 11 vv", False),
    ("Bn 01 vh 21 vl", "B0 21 vv", True),
    ("B0 63 05 62 12 06 vv", "B0 63 05 62 13 06 vv", False),
    ("B0 63 05 62 12 06 vv", "B0 63 05 62 12 06 vh 26 vl", True),
    ("B0 63 05 62 12 06 vv", "B0 65 05 64 12 06 vv", False),
    ("B0 63 05 62 12 06 vv", "B0 06 vv", True),
    ("B0 06 vv", "B0 63 05 62 12 06 vv", True),
    ("B0 63 05 62 12 06 vv", "B1 06 vv", False),
    ("E0 vl vh", "E0 00 vv", True),
    ("F0 7D vv F7", "F0 7D vv F7", True),
    ("F0 7D vv F7", "F0 7D 01 vv F7", False),
    ("A0 24 vv", "D0 vv", False),
]


@pytest.mark.parametrize(("one", "two", "clash"), CLASHES)
def test_two_controls_that_send_the_same_are_a_fault(one: str, two: str, clash: bool) -> None:
    found = faults(control(f'sends = "{one}"'), control(f'sends = "{two}"', "b"))
    assert any("b sends what a sends" in fault for fault in found) is clash, found


PRESS_CLASHES = [
    ("B0 10 7F", "B0 10 7F", True),
    ("B0 10 7F", "B0 10 40", False),
    ("B0 10 7F", "B0 10 vv", True),
    ("B0 10 vv", "B0 10 7F", True),
    ("90 24 vv", "80 24 00", True),
    ("C0 05", "C0 06", False),
    ("FA", "FA", True),
    ("FA", "FC", False),
]


@pytest.mark.parametrize(("one", "two", "clash"), PRESS_CLASHES)
def test_two_buttons_that_send_the_same_are_a_fault(one: str, two: str, clash: bool) -> None:
    rows = [control(f'sends = "{line}"', name, "button") for line, name in ((one, "a"), (two, "b"))]
    assert any("b sends what a sends" in fault for fault in faults(*rows)) is clash


def test_a_fixed_program_clashes_with_a_control_of_all_programs() -> None:
    fixed = control('sends = "C0 05"', "a", "button")
    for rows in ((fixed, control('sends = "C0 pp"', "b")), (control('sends = "C0 pp"'), fixed)):
        assert faults(*rows)


def test_a_name_twice_is_a_fault() -> None:
    found = faults(control('sends = "B0 01 vv"'), control('sends = "B0 02 vv"'))
    assert any("two controls 'a'" in fault for fault in found)


def test_a_path_twice_is_a_fault() -> None:
    assert faults(control('path = "/a"'), control('path = "/a"', "b"))
    assert not faults(control('path = "/a"'), control('path = "/b"', "b"))


def test_text_that_is_no_toml_is_one_fault_with_its_line() -> None:
    checked = check_surface("format = 1\n[surface\n")
    assert [fault.line for fault in checked.faults] == [2]


@pytest.mark.parametrize("text", ["a" * 2_000_000, "a." * 400 + "b = 1", "x = " + "[" * 9000])
def test_hostile_text_is_refused_quickly(text: str) -> None:
    assert check_surface(text).surface is None


def test_every_coding_can_be_written() -> None:
    for name in RELATIVE:
        rows = f'sends = "Bn 10 vv"\nrelative = "{name}"'
        assert surface(control(rows, kind="encoder")).controls[0].relative == name


VALUES = st.one_of(
    st.integers(-5, 300),
    st.booleans(),
    st.sampled_from(['"Bn 10 vv"', '"F0 7D vv F7"', '"90 24 vv"', '""', '"[ ] cs"', '"FA"', "nan"]),
    st.sampled_from(["[]", "[1, 2]", "[[1, 2]]", "{}", '["Bn 01 vh", "Bn 21 vl"]', "1.5", '"n"']),
)


@given(st.dictionaries(st.sampled_from(sorted(TABLES["control"])), VALUES, max_size=8))
def test_any_table_gives_a_surface_or_faults_and_never_another_error(
    rows: dict[str, object],
) -> None:
    def toml(value: object) -> str:
        return str(value).lower() if isinstance(value, bool) else str(value)

    table = "\n[[control]]\n" + "".join(f"{key} = {toml(v)}\n" for key, v in rows.items())
    checked = check_surface(HEAD + table)
    try:
        assert checked.require().controls
    except KnobwrightError:
        assert checked.faults


def test_the_example_is_in_the_reference_page() -> None:
    page = EXAMPLE.parents[2] / "docs" / "reference" / "surface.md"
    text = page.read_text(encoding="utf-8")
    missing = [key for key in TABLES["control"] if f"`{key}`" not in text]
    assert not missing
