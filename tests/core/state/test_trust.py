"""Which exclusive messages pass: what the sheet explains, a short list, and what was allowed."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import InputError
from knobwright.core.state.trust import (
    HARMLESS,
    MAX_HARMLESS_BYTES,
    Trust,
    read_beginning,
    suggested_beginning,
)
from knobwright.core.wire.universal import universal

SHEET = """
format = 1
[module]
name = "Wren 3"
maker_id = "7D"
device_ids = ["10", "11"]
[[setup]]
line = "F0 7D id 7F 01 F7"
[[setup]]
line = "F0 7D id 7F 02 F7"
danger = "it empties the memory"
[checksum.body]
rule = "negated-sum-7"
[[parameter]]
key = "hall"
line = "F0 7D id 42 [ 30 vv ] cs F7"
range = [0, 100]
[[parameter]]
key = "colour"
line = "F0 7D id 42 [ 31 vv ] cs F7"
at = { block = "all", byte = 1 }
[[parameter]]
key = "store"
line = "F0 7D id 43 vv F7"
danger = "it writes over the user's sounds"
[[parameter]]
key = "pair"
line = ["F0 7D id 50 vh F7", "F0 7D id 51 vl F7"]
[[block]]
key = "all"
request = "F0 7D id 11 F7"
line = "F0 7D id 12 [ data* ] cs F7"
size = 2
[[block]]
key = "user"
line = "F0 7D id 13 [ data* ] cs F7"
size = 2
danger = "it writes over the user's sounds"
[[block]]
key = "plain"
line = "F0 7D id 14 [ data* ] cs F7"
size = 2
"""
QUESTION = """
[[question]]
about = "colour"
place = "page 1"
understood = "F0 7D id 42 [ 31 vv ] cs F7"
choices = { yes = "it is", no = "it is not" }
"""


def trust(*allow: str, text: str = SHEET) -> Trust:
    return Trust(Codec(check_sheet(text).require()), allow)


# Checksums by hand: 80 less the sum of what stands in brackets (hexadecimal, low seven bits).
ROWS = [
    ("F0 7D 10 42 30 40 10 F7", True, "the sheet explains it"),  # 30 + 40 = 70
    ("F0 7D 11 42 30 40 10 F7", True, "the sheet explains it"),  # its other device id
    ("F0 7D 12 42 30 40 10 F7", False, "addressed to device 12"),
    ("F0 7D 10 42 30 40 11 F7", False, "checksum"),
    ("F0 7D 10 42 30 7F 51 F7", False, "outside its range"),  # 30 + 7F = AF: 2F, 80 - 2F
    ("F0 7D 10 43 05 F7", False, "it writes over the user's sounds"),
    ("F0 7D 10 50 05 F7", True, "the sheet explains it"),  # the first half of a pair
    ("F0 7D 10 11 F7", True, "the sheet explains it"),  # a request
    ("F0 7D 10 12 01 02 7D F7", True, "the sheet explains it"),  # 1 + 2 = 3
    ("F0 7D 10 13 01 02 7D F7", False, "user is marked as dangerous"),
    ("F0 7D 11 7F 01 F7", True, "part of the sheet's setup"),
    ("F0 7D 10 7F 02 F7", False, "setup as dangerous"),
    ("F0 7E 7F 06 01 F7", True, "explains"),  # an identity request
    ("F0 7E 7F 09 01 F7", True, "harmless universal"),
    ("F0 7F 7F 04 01 00 40 F7", True, "harmless universal"),
    ("F0 7F 7F 04 01 00 40 00 F7", False, "no line"),  # a byte too many
    ("F0 43 10 4C 00 00 7E 00 F7", False, "another maker"),
    ("F0 F7", False, "another maker"),
    ("90 3C 40", True, "no exclusive"),
]


@pytest.mark.parametrize("message, allowed, why", ROWS)
def test_a_message_is_judged_with_its_reason(message: str, allowed: bool, why: str) -> None:
    verdict = trust().judge(bytes.fromhex(message))
    assert verdict.allowed is allowed
    assert why in verdict.why


def test_an_open_question_keeps_a_message_back_also_inside_a_dump() -> None:
    judge = trust(text=SHEET + QUESTION).judge
    # 31 + 05 = 36, 80 - 36 = 4A
    assert not judge(bytes.fromhex("F0 7D 10 42 31 05 4A F7")).allowed
    inside = judge(bytes.fromhex("F0 7D 10 12 01 02 7D F7"))
    assert not inside.allowed
    assert "open question" in inside.why
    assert judge(bytes.fromhex("F0 7D 10 14 01 02 7D F7")).allowed


DENIED = [
    # MIDI 1.0 Detailed Specification 4.2.1: sample dump p. 35, file dump p. 51, tuning dump p. 48,
    # machine control and show control by their own documents; DLS by the table of universal ones
    "F0 7E 10 01 01 00 10 00 00 01 00 00 01 00 00 00 00 00 00 7F F7",
    "F0 7E 10 03 01 00 F7",
    "F0 7E 10 07 01 11 4D 49 44 49 00 00 00 00 F7",
    "F0 7E 10 08 01 05" + " 00" * 16 + " F7",
    "F0 7E 10 0A 01 F7",
    "F0 7E 10 7B 00 F7",
    "F0 7E 10 7D 00 F7",
    "F0 7E 10 7F 00 F7",
    "F0 7F 10 02 01 01 F7",
    "F0 7F 10 06 02 F7",
    "F0 7E 10 0D 70 01 F7",
]


@pytest.mark.parametrize("message", DENIED)
def test_dumps_handshakes_and_machines_are_not_harmless(message: str) -> None:
    assert not trust().judge(bytes.fromhex(message)).allowed


@pytest.mark.parametrize("row", HARMLESS, ids=lambda row: row.words)
def test_every_harmless_message_is_a_published_one_and_passes(row: object) -> None:
    from knobwright.core.state.trust import Harmless

    assert isinstance(row, Harmless)
    assert row.source
    for sub_2 in row.sub_2:
        head = bytes((0xF0, row.area, 0x7F, row.sub_1, sub_2))
        published = universal(head + b"\xf7")
        assert published is not None
        n_body = published.n_bytes - len(head) - 1 if published.n_bytes else 7
        message = head + bytes(n_body) + b"\xf7"
        assert trust().judge(message).allowed
        assert not trust().judge(head + bytes(MAX_HARMLESS_BYTES) + b"\xf7").allowed


def test_an_allowed_beginning_passes_but_no_danger_with_it() -> None:
    judge = trust("F0 43 10", "F0 7D 10").judge
    assert judge(bytes.fromhex("F0 43 10 4C 00 F7")).allowed
    assert not judge(bytes.fromhex("F0 43 11 4C 00 F7")).allowed
    assert judge(bytes.fromhex("F0 7D 10 42 30 40 11 F7")).allowed  # the user said so
    assert not judge(bytes.fromhex("F0 7D 10 43 05 F7")).allowed
    whole = trust("F0 7D 10 43 05 F7")
    assert whole.judge(bytes.fromhex("F0 7D 10 43 05 F7")).allowed
    assert not whole.judge(bytes.fromhex("F0 7D 10 43 06 F7")).allowed


TOO_MUCH = ["", "F0", "F0 00 20", "90 3C", "F0 4", "F0 90", "F0 7E", "F0 7F 7F"]


@pytest.mark.parametrize("text", TOO_MUCH)
def test_a_beginning_that_would_allow_too_much_is_refused(text: str) -> None:
    with pytest.raises(InputError, match=r"a beginning that is allowed|would allow every"):
        read_beginning(text)


@given(st.binary(max_size=20))
def test_any_message_is_judged_and_what_is_suggested_would_let_it_pass(body: bytes) -> None:
    message = b"\xf0" + bytes(byte & 0x7F for byte in body) + b"\xf7"
    verdict = trust().judge(message)
    assert verdict.why
    if verdict.allowed or len(message) < 8:
        return
    allowed = trust(suggested_beginning(message)).judge(message)
    assert allowed.allowed or "dangerous" in allowed.why
