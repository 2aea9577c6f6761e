"""Reading scripts: all faults at once, each with its line."""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.adapters.ports.script import Away, Step, read_script
from knobwright.adapters.ports.throughs import fault
from knobwright.core.errors import SheetError

GOOD = """format = 1
ignore = ["F8", "FE"]
[[step]]
expect = "F0 7d ?? F7"
reply = ["90 3C 40", "F8"]
after_ms = 5
[[step]]
reply = "FA"
[away]
after_bytes = 10
for_ms = 20
"""


def faults(text: str) -> tuple[str, ...]:
    with pytest.raises(SheetError) as caught:
        read_script(text, "far.script.toml")
    assert caught.value.where == "far.script.toml"
    return caught.value.faults


def test_a_script_of_steps() -> None:
    script = read_script(GOOD, "far.script.toml")
    assert script.steps == (
        Step((0xF0, 0x7D, None, 0xF7), (b"\x90\x3c\x40", b"\xf8"), 5_000_000),
        Step((), (b"\xfa",), 0),
    )
    assert script.ignore == {b"\xf8", b"\xfe"}
    assert script.away == Away(10, 20_000_000)
    assert script.faults is None
    assert script.steps[0].words() == "F0 7D ?? F7"
    assert script.steps[0].fits(b"\xf0\x7d\x01\xf7")
    assert not script.steps[0].fits(b"\xf0\x7d\x01\x02\xf7")
    assert not script.steps[0].fits(b"\xf0\x7e\x01\xf7")


def test_a_script_of_a_through() -> None:
    script = read_script(
        'format = 1\n[through]\nseed = 4\nbaud = 0\n[[through.fault]]\nname = "echo"\n', "x"
    )
    assert script.faults == (fault("echo"),)
    assert (script.seed, script.baud, script.steps) == (4, 0, ())
    assert read_script("format = 1\n[through]\n", "x").faults == ()


def test_all_faults_are_told_at_once_with_their_lines() -> None:
    text = """format = 2
ignore = ["F", "90 3C"]
speed = 3
[[step]]
expect = "F0 7D xx"
reply = ["3C 40", 5]
after_ms = -1
[[step]]
exspect = "F8"
[[step]]
expect = "3C 40"
reply = 3
[through]
baud = "fast"
[[through.fault]]
name = "ecko"
[[through.fault]]
name = "exclusive-cut"
n_bytes = 1
[[through.fault]]
n_bytes = true
[away]
after_bytes = 0
"""
    found = faults(text)
    for line, said in (
        (1, "format = 1"),
        (2, "a message in hex is expected, not 'F'"),
        (2, "expected 2 data bytes after 90"),
        (3, "there is no key 'speed' here"),
        (5, "hex bytes, or ?? for any, are expected"),
        (6, "expected a status byte 80 to FF first"),
        (6, "a message in hex is expected, not 5"),
        (7, "after_ms is 0 to 3600000, not -1"),
        (9, "did you mean 'expect'?"),
        (11, "a message begins with a status byte, not 3C"),
        (12, "reply is a text or a list of texts"),
        (13, "not both"),
        (14, "baud is a whole number"),
        (15, "did you mean 'echo'?"),
        (17, "n_bytes of exclusive-cut is 3 to 1048576, not 1"),
        (21, "n_bytes is a whole number"),
        (20, "a fault has a name"),
        (23, "after_bytes is 1 to"),
        (22, "'for_ms' is missing in [away]"),
    ):
        assert any(fault.startswith(f"line {line}: ") and said in fault for fault in found), (
            line,
            said,
            found,
        )


@pytest.mark.parametrize(
    "text",
    [
        "",
        "format = 1",
        "format = 1\nstep = 3",
        "format = 1\nstep = [3]",
        "format = true\n[through]",
        "format = 1\n[through]\nfault = 1",
        "format = 1\n[through]\nfault = [1]",
        "format = 99999999999999999999999999\n[through]",
        "format = 1\n[[step]]\n",
        'format = 1\n[[step]]\nexpect = ""\n',
    ],
)
def test_what_is_no_script_has_faults(text: str) -> None:
    found = faults(text)
    assert found
    assert all(fault.startswith("line ") for fault in found)


@pytest.mark.parametrize("text", ["format = ", "a" + ".a" * 5_000 + " = 1", "a = " + "[" * 9_000])
def test_what_is_no_toml_is_said(text: str) -> None:
    with pytest.raises(SheetError):
        read_script(text, "x")


@given(
    st.text(max_size=40)
    | st.lists(st.sampled_from([*GOOD.splitlines(), "[through]", "a = [1]", "seed = 1"])).map(
        "\n".join
    )
)
def test_any_text_is_a_script_or_refused_with_lines(text: str) -> None:
    with contextlib.suppress(SheetError):
        script = read_script(text, "x")
        assert (script.faults is None) == bool(script.steps)
