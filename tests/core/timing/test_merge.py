"""One source's raw messages made into items: classes, selections and banks.

Numbers of controllers: MIDI 1.0 Detailed Specification 4.2.1, pages 11 to 25; RP-015 for 121.
"""

from __future__ import annotations

import pytest

from knobwright.core.timing.classify import of_group
from knobwright.core.timing.items import ALL_CHANNELS, BEND, KEPT, NOTE, REAL_TIME, VALUE, Item
from knobwright.core.timing.merge import Merge
from knobwright.core.timing.places import Places
from tests.core.timing.test_order import parse
from tests.core.timing.traffic import codec

CLASSES = {
    "90 3C 40": (NOTE, 1),
    "8F 3C 40": (NOTE, 1 << 15),
    "90 3C 00": (NOTE, 1),
    "A0 3C 40": (VALUE, 1),
    "B0 01 40": (VALUE, 1),
    "B0 27 40": (VALUE, 1),
    "B0 46 40": (VALUE, 1),
    "B0 00 40": (KEPT, 1),
    "B0 20 40": (KEPT, 1),
    **{f"B1 {number:02X} 7F": (KEPT, 2) for number in range(64, 70)},
    "B0 54 40": (KEPT, 1),
    "B0 58 40": (KEPT, 1),
    **{f"B2 {number:02X} 00": (KEPT, 4) for number in (120, 121, 122, 123, 124, 125, 127)},
    "B2 7E 01": (KEPT, 4),
    "B2 7E 03": (KEPT, 4 | 8 | 16),
    "BE 7E 04": (KEPT, 1 << 14 | 1 << 15),
    "B0 7E 00": (KEPT, ALL_CHANNELS),  # as many as there are voices
    "C3 05": (KEPT, 8),
    "D0 05": (VALUE, 1),
    "E0 00 40": (BEND, 1),
    "F0 7D 01 F7": (KEPT, ALL_CHANNELS),
    "F1 23": (REAL_TIME, 0),
    "F2 00 00": (REAL_TIME, 0),
    "F3 05": (REAL_TIME, 0),
    "F6": (KEPT, ALL_CHANNELS),
    **{f"{status:02X}": (REAL_TIME, 0) for status in (0xF8, 0xFA, 0xFB, 0xFC)},
    "FF": (KEPT, ALL_CHANNELS),
}


@pytest.mark.parametrize("text", CLASSES)
def test_each_message_is_of_its_sort_and_channels(text: str) -> None:
    message = bytes.fromhex(text)
    (item,) = Merge("keys").feed(message)
    assert (item.sort, item.channels) == CLASSES[text]
    assert item.messages == (message,)
    assert item.source == "keys"
    assert of_group([message])[:2] == CLASSES[text]


def test_what_may_set_anything_has_no_base() -> None:
    open_ended = ("C0 05", "B0 79 00", "F0 7D 01 F7", "FF")
    assert all(Merge().feed(bytes.fromhex(text))[0].base is None for text in open_ended)
    explains_itself = ("B0 40 00", "B0 00 01", "F6", "B0 58 01")
    assert all(Merge().feed(bytes.fromhex(text))[0].base is not None for text in explains_itself)


def items_of(merge: Merge, text: str) -> list[Item]:
    return [item for message in parse(text) for item in merge.feed(message)]


def test_both_halves_of_a_controller_have_one_base() -> None:
    high, low = items_of(Merge(), "B0 07 01|B0 27 01")
    assert high.base == low.base
    assert high.key != low.key


def test_a_switch_above_63_is_no_low_half() -> None:
    bases = {item.base for item in items_of(Merge(), "B0 07 01|B0 47 01|B0 67 01")}
    assert len(bases) == 3


# -- selections ------------------------------------------------------------------------------------

SELECTIONS = {
    "nrpn": ("B0 63 05|B0 62 12|B0 06 40", ["B0 63 05|B0 62 12|B0 06 40"]),
    "either order (p. 50 has the low part first)": (
        "B0 62 12|B0 63 05|B0 06 40",
        ["B0 63 05|B0 62 12|B0 06 40"],
    ),
    "rpn with both parts of the data": (
        "B0 65 00|B0 64 01|B0 06 40|B0 26 01",
        ["B0 65 00|B0 64 01|B0 06 40", "B0 65 00|B0 64 01|B0 26 01"],
    ),
    "one part of the number alone, later": (
        "B0 63 05|B0 62 12|B0 62 13|B0 06 40",
        ["B0 63 05|B0 62 13|B0 06 40"],
    ),
    "the last kind selected counts": (
        "B0 63 05|B0 62 12|B0 65 00|B0 64 01|B0 06 40|B0 62 12|B0 06 41",
        ["B0 65 00|B0 64 01|B0 06 40", "B0 63 05|B0 62 12|B0 06 41"],
    ),
    "steps": ("B0 63 05|B0 62 12|B0 60 00", ["B0 63 05|B0 62 12|B0 60 00"]),
    "channels apart": (
        "B0 63 05|B1 63 06|B0 62 12|B1 62 13|B0 06 01|B1 06 02",
        ["B0 63 05|B0 62 12|B0 06 01", "B1 63 06|B1 62 13|B1 06 02"],
    ),
    "null is sent, and data behind it are dropped": (
        "B0 65 00|B0 64 00|B0 65 7F|B0 64 7F|B0 06 01",
        ["B0 65 7F|B0 64 7F"],
    ),
    "nothing selected": ("B0 06 01|B0 26 01|B0 60 00|B0 61 00", []),
    "half a number": ("B0 63 05|B0 06 01", []),
    "after 121 nothing is selected (RP-015)": (
        "B0 63 05|B0 62 12|B0 79 00|B0 06 40",
        ["B0 79 00"],
    ),
    "after FF nothing is selected (p. 33)": ("B0 63 05|B0 62 12|FF|B0 06 40", ["FF"]),
    "bank and program": (
        "B0 00 01|B0 20 02|C0 05",
        ["B0 00 01", "B0 20 02", "B0 00 01|B0 20 02|C0 05"],
    ),
    "in the order sent": (
        "B0 20 02|B0 00 01|C0 05",
        ["B0 20 02", "B0 00 01", "B0 20 02|B0 00 01|C0 05"],
    ),
    "the bank stays": ("B0 00 01|C0 05|C0 06", ["B0 00 01", "B0 00 01|C0 05", "B0 00 01|C0 06"]),
    "no bank set": ("C0 05|B1 00 01|C0 06", ["C0 05", "B1 00 01", "C0 06"]),
}


@pytest.mark.parametrize("name", SELECTIONS)
def test_data_go_out_with_the_selection_of_their_source(name: str) -> None:
    fed, wanted = SELECTIONS[name]
    items = items_of(Merge(), fed)
    assert [list(item.messages) for item in items] == [parse(text) for text in wanted]
    for item in items:
        n_data = 2 if item.messages[0][1:] == b"\x65\x7f" else 1
        assert item.n_selection == (len(item.messages) - 1 if n_data == 1 else 0)


def test_data_without_a_selection_are_counted() -> None:
    merge = Merge()
    items_of(merge, "B0 06 01|B0 60 00|B0 63 05|B0 62 12|B0 06 01|B0 63 7F|B0 62 7F|B0 26 01")
    assert merge.n_unplaced == 3


def test_sources_do_not_share_selections() -> None:
    keys, song = Merge("keys"), Merge("song")
    items_of(keys, "B0 63 05|B0 62 12")
    items_of(song, "B0 63 06|B0 62 13")
    assert [i.messages[:2] for i in items_of(keys, "B0 06 01")] == [
        tuple(parse("B0 63 05|B0 62 12"))
    ]
    assert items_of(Merge("third"), "B0 06 01") == []


def test_active_sensing_is_taken_out_and_counted() -> None:
    merge = Merge()
    assert merge.feed(b"\xfe") == []
    assert merge.n_sensing == 1


def test_pitch_is_a_bend_and_choices_of_the_standard_are_kept() -> None:
    sorts = {}
    for high, low in ((0, 0), (0, 1), (0, 2), (0, 3), (0, 4), (0, 5), (0, 6), (61, 0)):
        (item,) = items_of(Merge(), f"B0 65 {high:02X}|B0 64 {low:02X}|B0 06 01")
        sorts[high, low] = item.sort
    assert sorts == {
        (0, 0): BEND,  # bend range, fine and coarse tuning (4.2.1, page 18)
        (0, 1): BEND,
        (0, 2): BEND,
        (0, 3): KEPT,  # tuning program and bank (page 50)
        (0, 4): KEPT,
        (0, 5): VALUE,  # modulation depth (CA-026)
        (0, 6): KEPT,  # zones of single-note channels; from memory: RP-053
        (61, 0): VALUE,  # three-dimensional sound (RP-049)
    }


def test_made_up_numbers_do_not_fill_the_memory() -> None:
    merge = Merge()
    for i in range(20_000):
        items_of(merge, f"B0 63 {i >> 7 & 127:02X}|B0 62 {i & 127:02X}|B0 06 01")
    assert len(merge._classes) <= 8192


# -- by the sheet ----------------------------------------------------------------------------------


def test_the_sheet_joins_what_sets_one_parameter() -> None:
    merge = Merge("keys", Places(codec().sheet.parameters))
    tone, step, other = items_of(
        merge, "B1 63 05|B1 62 12|B1 06 40|B1 60 00|B1 63 05|B1 62 14|B1 06 40"
    )
    assert tone.base == step.base == ("place", "tone", 2, None)
    assert step.sort == KEPT
    assert other.base == ("nrpn", 1, 5, 20)
    (bright,) = items_of(merge, "B2 4A 01")
    assert bright.base == ("place", "bright", 3, None)


def test_a_part_that_the_line_does_not_have_is_of_the_same_place() -> None:
    # The module may well clear it when the other part comes (4.2.1, page 12).
    places = Places(codec().sheet.parameters)
    low = places(tuple(parse("B0 63 05|B0 62 12|B0 26 40")))
    assert low is not None
    assert low == places(tuple(parse("B0 63 05|B0 62 12|B0 06 40")))


def test_without_a_selection_nothing_of_a_selected_parameter_is_meant() -> None:
    places = Places(codec().sheet.parameters)
    assert places(tuple(parse("B0 06 40"))) is None
    assert places(tuple(parse("B0 63 05|B0 62 40|B0 06 40"))) is None
