"""What the module should have, as text and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.bench.known import FORMAT, read_known, write_known
from knobwright.core.errors import InputError
from knobwright.core.state.values import HEARD, SENT, Known, KnownProgram

VALUES = (
    Known("hall.time", None, None, SENT, 64),
    KnownProgram(2, HEARD, 4, (1, 0)),
    Known("name", 3, None, SENT, "PIANO 1"),
    Known("mask", None, 36, HEARD, (1, 5, 9)),
)


def test_values_come_back_as_they_were_in_their_order() -> None:
    assert read_known(write_known("x.sheet.toml", [VALUES, ()])) == ("x.sheet.toml", [VALUES, ()])


def test_times_are_not_kept() -> None:
    _, ((value,),) = read_known(write_known("x", [[Known("a", 1, None, SENT, 5, at_ns=99)]]))
    assert value.at_ns == 0


@pytest.mark.parametrize(
    "text, words",
    [
        ("", "can't be read"),
        ("{}", "missing required field"),
        ("[" * 100_000, "can't be read"),
        (f'{{"format":"{FORMAT}","version":2,"sheet":"x","links":[]}}', "version 2"),
        ('{"format":"x","version":1,"sheet":"x","links":[]}', "not 'knobwright-known'"),
        (f'{{"format":"{FORMAT}","version":1,"sheet":"x","links":[[5]]}}', "can't be read"),
    ],
)
def test_what_is_none_is_refused_with_a_reason(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words) as raised:
        read_known(text, where="bench/known.json")
    assert raised.value.where == "bench/known.json"
    assert raised.value.hint


@given(st.binary(max_size=200))
def test_any_bytes_raise_nothing_but_our_own_error(data: bytes) -> None:
    with pytest.raises(InputError):
        read_known(data)
