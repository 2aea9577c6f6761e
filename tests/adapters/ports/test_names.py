"""Which port a name means: exact, then a unique part, else the candidates."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.adapters.ports.names import match
from knobwright.core.errors import NamingError, one_line
from knobwright.core.interfaces import OUT, Found


def ports(*names: str) -> list[Found]:
    return [Found("rtmidi", name, OUT, name.rpartition(" ")[0] or name) for name in names]


TWO = ports("Larkfield T4 20:0", "Larkfield T4 B 24:0", "Quillmoor 28:0")


@pytest.mark.parametrize(
    ("typed", "meant"),
    [
        ("Larkfield T4 20:0", 0),  # exact
        ("Larkfield T4", 0),  # the identity, although it is a part of another name too
        ("T4 B", 1),  # a part that only one has
        ("quill", 2),  # whatever its capitals
        ("28:0", 2),
    ],
)
def test_a_name_finds_its_port(typed: str, meant: int) -> None:
    assert match(typed, TWO) is TWO[meant]


def test_a_part_that_two_have_names_both() -> None:
    with pytest.raises(NamingError, match="'larkfield' fits 2 ports") as caught:
        match("larkfield", TWO)
    assert caught.value.candidates == ("Larkfield T4 20:0", "Larkfield T4 B 24:0")
    assert '"Larkfield T4 B 24:0"' in caught.value.hint


def test_a_name_that_none_has_lists_all() -> None:
    with pytest.raises(NamingError, match="no port is called 'hall'") as caught:
        match("hall", TWO)
    assert len(caught.value.candidates) == 3
    with pytest.raises(NamingError, match="no port is called") as caught:
        match("hall", [])
    assert caught.value.hint == "no port is there now"


def test_an_empty_name_is_no_part_of_all() -> None:
    for name in ("", "  "):
        with pytest.raises(NamingError, match="a port needs a name"):
            match(name, ports("only one"))


def test_two_of_one_name_are_told_apart_by_their_identity() -> None:
    twins = [Found("serial", "UART", OUT, identity) for identity in ("1A86:7523:1", "1A86:7523:2")]
    with pytest.raises(NamingError, match="'UART' fits 2 ports") as caught:
        match("UART", twins)
    assert caught.value.candidates == ("1A86:7523:1", "1A86:7523:2")
    assert match(caught.value.candidates[1], twins) is twins[1]


def test_ports_of_several_kinds_are_told_apart_by_their_kind() -> None:
    found = [Found("rtmidi", "UART", OUT, "UART"), Found("serial", "UART", OUT, "1A86:7523:1")]
    with pytest.raises(NamingError, match="'UART' fits 2 ports") as caught:
        match("UART", found)
    assert caught.value.candidates == ("rtmidi:UART", "serial:UART")


def test_many_candidates_are_shown_in_part_and_carried_whole() -> None:
    with pytest.raises(NamingError) as caught:
        match("port", ports(*(f"port {i:02}" for i in range(40))))
    assert len(caught.value.candidates) == 40
    assert caught.value.hint.endswith("and 32 more")


def test_a_hostile_name_reaches_no_terminal_and_stays_raw() -> None:
    name = "\x1b[2J\x07bad\u202e port"
    [port] = ports(name)
    assert match("bad", [port]).name == name
    with pytest.raises(NamingError) as caught:
        match("other\x1b[1m", [port])
    assert one_line(caught.value).isprintable()
    assert caught.value.candidates == (name,)


@given(st.lists(st.text(max_size=6), max_size=5), st.text(max_size=4))
def test_what_is_found_fits_and_nothing_else_does_as_well(names: list[str], typed: str) -> None:
    found = [Found("rtmidi", name, OUT, "") for name in names]
    try:
        port = match(typed, found)
    except NamingError:
        exact = names.count(typed)
        parts = sum(typed.casefold() in name.casefold() for name in names)
        assert not typed.strip() or exact > 1 or (exact == 0 and parts != 1)
    else:
        assert (
            port.name == typed or [typed.casefold() in n.casefold() for n in names].count(True) == 1
        )
