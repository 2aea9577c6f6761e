"""Items of encoded parameters: what the sheet says decides what may wait."""

from __future__ import annotations

from pathlib import Path

import pytest

import knobwright
from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.timing.items import ALL_CHANNELS, BEND, KEPT, VALUE, Item
from knobwright.core.timing.merge import Merge, from_messages, from_setting, shared_bases
from knobwright.core.timing.places import Places
from tests.core.timing.test_order import parse

SHEET = """
format = 1
[module]
name = "Invented"
[checksum.body]
rule = "negated-sum-7"
[map.part]
of = "channel"
values = [1, 2, 3, 4, 5, 6, 7, 8, 9, 0, 10, 11, 12, 13, 14, 15]
[programs]
line = "Bn 00 bh 20 bl Cn pp"
[[parameter]]
key = "tone"
per = ["channel"]
line = "Bn 63 05 62 12 06 vv"
[[parameter.route]]
line = "Bn 4A vv"
[[parameter]]
key = "volume"
per = ["channel"]
line = "Bn 07 vh 27 vl"
[[parameter]]
key = "modulation"
per = ["channel"]
line = "Bn 01 vv"
[[parameter]]
key = "hold"
per = ["channel"]
line = "Bn 40 vv"
[[parameter]]
key = "chorus.on"
per = ["channel"]
line = "Bn 50 vv"
range = [0, 1]
[[parameter]]
key = "kind"
per = ["channel"]
line = "Bn 51 vv"
choices = { 0 = "soft", 1 = "hard", 2 = "odd" }
[[parameter]]
key = "pan"
per = ["channel"]
line = "Bn 0A vv"
range = [0, 127]
choices = { 0 = "left", 64 = "centre", 127 = "right" }
[[parameter]]
key = "sort"
per = ["channel"]
line = "Bn 52 vv"
range = [0, 7]
choices = { 0 = "a", 1 = "b", 2 = "c", 3 = "d" }
[[parameter]]
key = "wheel"
per = ["channel"]
line = "En vl vh"
[[parameter]]
key = "bend.cents"
per = ["channel"]
line = "Bn 65 00 64 00 26 vv"
range = [0, 99]
default = 0
[[parameter]]
key = "bend.semitones"
per = ["channel"]
line = "Bn 65 00 64 00 06 vv 26 {bend.cents}"
range = [0, 24]
[[parameter]]
key = "drum.level"
per = ["channel", "key"]
line = "Bn 63 1A 62 kk 06 vv"
[[parameter]]
key = "banked.a"
per = ["channel"]
line = "Bn 63 06 62 01 06 03 26 vv"
[[parameter]]
key = "banked.b"
per = ["channel"]
line = "Bn 63 06 62 01 06 04 26 vv"
[[parameter]]
key = "hall.time"
line = "F0 7D 10 42 [ 30 05 vv ] cs F7"
[[parameter]]
key = "hall.kind"
line = "F0 7D 10 42 [ 30 06 vv ] cs F7"
choices = { 0 = "room", 1 = "stage", 2 = "plate" }
[[parameter]]
key = "part.level"
per = ["channel"]
line = "F0 7D 10 42 [ 4p 02 vv ] cs F7"
map = { p = "part" }
[[parameter]]
key = "all.off"
per = ["channel"]
line = "Bn 78 00"
[[parameter]]
key = "short.time"
line = "F0 7D 10 42 [ 31 00 vv ] cs F7"
when = { "hall.kind" = ["room"] }
[[parameter]]
key = "long.time"
line = "F0 7D 10 42 [ 31 00 vv ] cs F7"
when = { "hall.kind" = ["stage"] }
"""


def load(name: str) -> str:
    """Return the text of a standard sheet."""
    folder = Path(knobwright.__file__).parent / "core" / "sheet" / "standard"
    return (folder / f"{name}.sheet.toml").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def codec() -> Codec:
    checked = check_sheet(SHEET)
    assert checked.sheet is not None, checked.faults
    return Codec(checked.sheet)


def item(codec: Codec, key: str, value: int, channel: int = 1, note: int | None = None) -> Item:
    parameter = codec.parameters[key]
    shared = shared_bases(codec.sheet.parameters)
    messages = codec.encode(key, value, channel, note)
    return from_setting(parameter, messages, channel, note, shared=shared, source="knob")


ROWS = {
    # key: sort, channels, may set other things too, messages that only select
    "tone": (VALUE, 4, False, 2),
    "volume": (VALUE, 4, False, 0),
    "modulation": (VALUE, 4, False, 0),
    "hold": (KEPT, 4, False, 0),  # the number says that it is a switch
    "chorus.on": (KEPT, 4, True, 0),
    "kind": (KEPT, 4, True, 0),
    "pan": (VALUE, 4, False, 0),  # a few names do not make a choice of a range
    "sort": (KEPT, 4, True, 0),
    "wheel": (BEND, 4, False, 0),
    "bend.semitones": (BEND, 4, False, 2),
    "bend.cents": (BEND, 4, False, 2),
    "drum.level": (VALUE, 4, False, 2),
    "banked.a": (VALUE, 4, False, 2),
    "hall.time": (VALUE, ALL_CHANNELS, False, 0),
    "hall.kind": (KEPT, ALL_CHANNELS, True, 0),
    "part.level": (VALUE, 4, False, 0),
    "all.off": (KEPT, 4, True, 0),
}


@pytest.mark.parametrize("key", ROWS)
def test_a_parameter_is_of_its_sort(codec: Codec, key: str) -> None:
    found = item(codec, key, 0 if key == "all.off" else 1, 3, 36)
    wanted = ROWS[key]
    assert (found.sort, found.channels, found.base is None, found.n_selection) == wanted
    assert (found.key is not None) == (found.sort != KEPT)
    assert found.source == "knob"


def test_parameters_whose_bytes_hold_another_share_its_base(codec: Codec) -> None:
    semitones, cents = item(codec, "bend.semitones", 2), item(codec, "bend.cents", 5)
    assert semitones.base == cents.base
    assert semitones.key != cents.key


def test_parameters_with_one_line_share_a_base(codec: Codec) -> None:
    assert item(codec, "short.time", 2).base == item(codec, "long.time", 2).base
    assert item(codec, "short.time", 2).base != item(codec, "hall.time", 2).base


def test_channels_and_keys_have_their_own_place(codec: Codec) -> None:
    bases = {item(codec, "drum.level", 1, c, n).base for c in (1, 2) for n in (36, 38)}
    assert len(bases) == 4


@pytest.mark.parametrize(
    ("key", "raw"),
    [
        ("tone", "B2 63 05|B2 62 12|B2 06 40"),
        ("tone", "B2 4A 40"),
        ("volume", "B2 07 40"),
        ("volume", "B2 27 40"),
        ("modulation", "B2 01 40"),
        ("modulation", "B2 21 40"),
        ("bend.semitones", "B2 65 00|B2 64 00|B2 06 02"),
        ("bend.cents", "B2 65 00|B2 64 00|B2 26 02"),
        ("drum.level", "B2 63 1A|B2 62 24|B2 06 01"),
    ],
)
def test_raw_messages_and_settings_of_one_parameter_have_one_base(
    codec: Codec, key: str, raw: str
) -> None:
    merge = Merge("keys", Places(codec.sheet.parameters))
    *_, last = [i for message in parse(raw) for i in merge.feed(message)]
    assert last.base == item(codec, key, 1, 3, 36).base
    assert last.sort == item(codec, key, 1, 3, 36).sort


def test_where_the_data_tell_the_parameter_raw_data_are_kept(codec: Codec) -> None:
    merge = Merge("keys", Places(codec.sheet.parameters))
    for message in parse("B0 63 06|B0 62 01"):
        assert merge.feed(message) == []
    assert [merge.feed(m)[0].sort for m in parse("B0 06 03|B0 26 01|B0 06 04")] == [KEPT] * 3


def test_raw_choices_are_kept_where_the_sheet_says_so(codec: Codec) -> None:
    (found,) = Merge("keys", Places(codec.sheet.parameters)).feed(b"\xb0\x51\x01")
    assert (found.sort, found.base) == (KEPT, None)
    (found,) = Merge("keys").feed(b"\xb0\x51\x01")
    assert found.sort == VALUE


def test_a_program_is_kept_with_its_bank(codec: Codec) -> None:
    found = from_messages(codec.program_bytes(5, (1, 0), 3), source="page")
    assert found.messages == tuple(parse("B2 00 01|B2 20 00|C2 04"))
    assert (found.sort, found.channels, found.base, found.n_selection) == (KEPT, 4, None, 2)


def test_a_setup_step_keeps_its_rest() -> None:
    found = from_messages(parse("F0 7E 7F 09 01 F7"), rest_ns=5)
    assert (found.sort, found.channels, found.rest_ns) == (KEPT, ALL_CHANNELS, 5)


@pytest.mark.parametrize("name", ["midi-1", "general-midi-1", "general-midi-2"])
def test_only_switches_of_the_standard_sheets_are_kept(name: str) -> None:
    checked = check_sheet(load(name), library=load)
    assert checked.sheet is not None, checked.faults
    merge = Merge("keys", Places(checked.sheet.parameters))
    # Every controller of one byte but data, selectors, and those of test_merge that are kept.
    plain = [n for n in range(120) if n not in {*range(64, 70), 0, 32, 84, 88}]
    items = [i for n in plain for i in merge.feed(bytes((0xB0, n, 1)))]
    assert len(items) == len(plain) - 8
    assert {i.sort for i in items} == {VALUE}
