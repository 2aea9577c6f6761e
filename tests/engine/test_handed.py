"""Of a sweep only the end is decoded, save where a condition depends on every value."""

from __future__ import annotations

from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.timing.items import KEPT, VALUE, Item
from knobwright.core.timing.merge import from_setting, shared_bases
from knobwright.engine.handed import HandedOver
from knobwright.engine.making import Maker
from tests.engine.benches import SHEET

CODEC = Codec(check_sheet(SHEET.read_text()).require())
SHARED = shared_bases(CODEC.sheet.parameters)


def value(number: int, key: str = "a") -> Item:
    return Item((bytes((0xB0, 7, number)),), VALUE, 1, key, ("place", key, 1, None))


def test_the_last_of_each_value_counts_and_everything_kept() -> None:
    handed = HandedOver(CODEC.sheet.parameters, SHARED)
    kept = Item((b"\xc0\x05",), KEPT, 1)
    items = [value(1), kept, value(2, "b"), value(3), kept, value(4)]
    handed.add(0, items, 5)
    handed.add(1, [value(5)], 6)  # another link's
    assert len(handed) == 7
    found = list(handed.take(100))
    assert [row.item for row in found] == [*items, value(5)]
    assert [row.is_over for row in found] == [True, False, False, True, False, False, False]
    assert [(row.link, row.at_ns) for row in found[-2:]] == [(0, 5), (1, 6)]
    assert len(handed) == 0


def test_pieces_keep_the_order_whatever_comes_between() -> None:
    handed = HandedOver(CODEC.sheet.parameters, SHARED)
    handed.add(0, [value(i, f"key {i}") for i in range(10)], 0)
    first = [row.item for row in handed.take(3)]
    handed.add(0, [value(99, "late")], 0)
    assert [*first, *(row.item for row in handed.take(100))] == [
        *(value(i, f"key {i}") for i in range(10)),
        value(99, "late"),
    ]


def test_every_value_that_a_condition_depends_on_is_followed() -> None:
    text = """
format = 1
[module]
name = "Wren 5"
[[parameter]]
key = "depth"
line = "F0 7D 01 vv F7"
[[parameter]]
key = "time"
line = "F0 7D 02 vv F7"
when = { depth = [5] }
"""
    codec = Codec(check_sheet(text).require())
    shared = shared_bases(codec.sheet.parameters)
    handed = HandedOver(codec.sheet.parameters, shared)
    items = []
    for key, raw in (("depth", 5), ("time", 1), ("depth", 6), ("time", 2), ("depth", 7)):
        messages = codec.encode(key, raw)
        items.append(from_setting(codec.parameters[key], messages, None, shared=shared))
    handed.add(0, items, 0)
    over = [row.is_over for row in handed.take(10)]
    assert [over[0], over[2], over[4]] == [False, False, False]


def test_an_item_that_is_made_again_is_the_same_as_made_anew() -> None:
    maker = Maker(SHARED)
    for parameter in CODEC.sheet.parameters:
        low, high = parameter.ranges[0]
        for raw in (low, high, low):
            for channel in (1, 10):
                note = 36 if "key" in parameter.per else None
                messages = CODEC.encode(parameter.key, raw, channel, note)
                fresh = from_setting(
                    parameter, messages, channel, note, shared=SHARED, source="x/y"
                )
                assert maker.item(parameter, messages, channel, note, "x/y") == fresh
