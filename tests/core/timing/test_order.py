"""The order rules, one small scene each, on a modelled MIDI cable.

The words are those of ``docs/reference/order.md``; the examples of that page are rows here. Facts
of the standard: MIDI 1.0 Detailed Specification 4.2.1, page at the row.
"""

from __future__ import annotations

from typing import NamedTuple

import pytest

from knobwright.core.timing.items import ALL_CHANNELS, BEND, KEPT, NOTE, VALUE, Item
from knobwright.core.timing.merge import Merge, from_messages
from knobwright.core.timing.order import Queue
from knobwright.core.timing.pacing import Pacing
from tests.core.timing.drive import DIN_NS, Drive, hexes

MS = 1_000_000
SONG = "F0 7D 20 00 01 F7"  # an exclusive that nobody explains


def parse(text: str) -> list[bytes]:
    return [bytes.fromhex(part) for part in text.split("|")]


def items_of(*texts: str, source: str = "keys") -> list[Item]:
    """Return the items of messages that one source sends; ``|`` parts messages."""
    merge = Merge(source)
    return [item for text in texts for m in parse(text) for item in merge.feed(m)]


def knob(text: str, channels: int, name: str) -> Item:
    """Return an explained exclusive that sets a continuous parameter."""
    return Item(tuple(parse(text)), VALUE, channels, name, name)


class Scene(NamedTuple):
    """What waits behind a message on the wire, in order, and what leaves after it."""

    pushed: str
    sent: str


SCENES = {
    # rule 2
    "pedal, note, pedal, note": Scene(
        "B0 40 7F|90 3C 40|B0 40 00|90 3E 40", "B0 40 7F|90 3C 40|B0 40 00|90 3E 40"
    ),
    "a note overtakes a volume": Scene("B0 07 10|90 3C 40", "90 3C 40|B0 07 10"),
    "a note does not overtake a program": Scene("C0 05|90 3C 40", "C0 05|90 3C 40"),
    "a note overtakes a program of another channel": Scene("C1 05|90 3C 40", "90 3C 40|C1 05"),
    "notes of all channels keep their order": Scene(
        "90 3C 40|91 3C 40|80 3C 40", "90 3C 40|91 3C 40|80 3C 40"
    ),
    "no value crosses a program": Scene("B0 4A 10|C0 05|90 3C 40", "B0 4A 10|C0 05|90 3C 40"),
    "a value of another channel stays behind": Scene(
        "B1 4A 10|C0 05|90 3C 40", "C0 05|90 3C 40|B1 4A 10"
    ),
    "a value crosses a pedal": Scene("B0 4A 10|B0 40 7F|90 3C 40", "B0 40 7F|90 3C 40|B0 4A 10"),
    "a value does not cross a step of its own": Scene(
        "B0 63 05|B0 62 12|B0 06 10|B0 60 00|90 3C 40",
        "B0 63 05|B0 62 12|B0 06 10|B0 60 00|90 3C 40",
    ),
    "a bend stays before its note": Scene("E0 00 50|90 3C 40", "E0 00 50|90 3C 40"),
    "a bend range stays before its note": Scene(
        "B0 65 00|B0 64 00|B0 06 0C|90 3C 40", "B0 65 00|B0 64 00|B0 06 0C|90 3C 40"
    ),
    "a song's exclusive addresses all channels": Scene(
        f"B3 4A 10|{SONG}|92 3C 40", f"B3 4A 10|{SONG}|92 3C 40"
    ),
    "a mode keeps its place": Scene("B0 7B 00|90 3C 40", "B0 7B 00|90 3C 40"),
    # 126 with value 2 is for two channels from its own up (page 24)
    "mono on is for as many channels as it says": Scene(
        "B0 7E 02|91 3C 40|92 3C 40", "B0 7E 02|91 3C 40|92 3C 40"
    ),
    "mono on leaves other channels alone": Scene("B0 7E 02|92 3C 40", "92 3C 40|B0 7E 02"),
    "a velocity prefix stays before its note": Scene(
        "B0 4A 01|B0 58 22|90 3C 40", "B0 58 22|90 3C 40|B0 4A 01"
    ),
    # rule 3: the examples of the page
    "a program pulls its values along": Scene(
        "B0 4A 10|C0 05|90 3C 40|91 3C 40", "B0 4A 10|C0 05|90 3C 40|91 3C 40"
    ),
    "a pedal does not": Scene(
        "B0 4A 10|B0 40 7F|90 3C 40|91 3C 40", "B0 40 7F|90 3C 40|91 3C 40|B0 4A 10"
    ),
    "kept before values": Scene("B0 4A 10|B1 40 7F", "B1 40 7F|B0 4A 10"),
    "values first come first served": Scene("B0 4A 10|B1 4A 10|D0 10", "B0 4A 10|B1 4A 10|D0 10"),
    # rule 4
    "a newer value takes the place": Scene("B0 4A 10|B0 07 01|B0 4A 20", "B0 4A 20|B0 07 01"),
    "across a program the newer one stays behind it": Scene(
        "B0 4A 10|B0 07 01|C0 05|B0 4A 20", "B0 07 01|C0 05|B0 4A 20"
    ),
    "across a mode too": Scene("B0 4A 10|B0 79 00|B0 4A 20", "B0 79 00|B0 4A 20"),
    "only that half which is newer": Scene(
        "B0 07 05|B0 27 09|C0 05|B0 27 01", "B0 07 05|C0 05|B0 27 01"
    ),
    "not across an exclusive, which may store it": Scene(
        f"B0 4A 10|{SONG}|B0 4A 20", f"B0 4A 10|{SONG}|B0 4A 20"
    ),
    "but across another channel's": Scene("B0 4A 10|C1 05|B0 4A 20", "C1 05|B0 4A 20"),
    "and across a note": Scene("B0 4A 10|90 3C 40|B0 4A 20", "90 3C 40|B0 4A 20"),
    "halves stand in the order last set": Scene("B0 07 05|B0 27 09|B0 07 06", "B0 27 09|B0 07 06"),
    "and keep their place in the line": Scene(
        "B0 07 05|B0 27 09|B0 0A 40|B0 07 06", "B0 27 09|B0 07 06|B0 0A 40"
    ),
    "both halves newer": Scene("B0 07 05|B0 27 09|B0 07 06|B0 27 01", "B0 07 06|B0 27 01"),
    "a bend is replaced": Scene("E0 00 10|E0 00 20|90 3C 40", "E0 00 20|90 3C 40"),
    "a bend is not replaced across a note": Scene(
        "E0 00 10|E0 00 20|90 3C 40|E0 00 30", "E0 00 20|90 3C 40|E0 00 30"
    ),
    "nor across a pedal": Scene("E0 00 10|B0 40 7F|E0 00 20", "E0 00 10|B0 40 7F|E0 00 20"),
    "but across another channel's note": Scene("E0 00 10|91 3C 40|E0 00 20", "91 3C 40|E0 00 20"),
    "steps are all sent": Scene(
        "B0 63 05|B0 62 12|B0 60 00|B0 60 00", "B0 63 05|B0 62 12|B0 60 00|B0 60 00"
    ),
    "pedals are all sent": Scene("B0 40 7F|B0 40 00|B0 40 7F", "B0 40 7F|B0 40 00|B0 40 7F"),
    "keys have their own pressure": Scene("A0 3C 10|A0 3E 10|A0 3C 20", "A0 3C 20|A0 3E 10"),
}


@pytest.mark.parametrize("name", SCENES)
def test_what_waits_leaves_by_the_rules(name: str) -> None:
    scene = SCENES[name]
    drive = Drive(Pacing(byte_ns=DIN_NS, stream=True))
    drive.push(Item((b"\xcf\x00",), KEPT, 1 << 15))  # on the wire, so that all else waits
    # A selection that is in force is left out on the wire: see test_line.
    assert hexes(drive.run(items_of(scene.pushed)))[1:] == hexes(parse(scene.sent))


def test_a_note_goes_into_a_group_but_no_other_selection_does() -> None:
    drive = Drive(Pacing(byte_ns=DIN_NS, stream=True))
    for item in items_of("B0 63 05|B0 62 12|B0 06 40"):
        drive.push(item)
    step, note = items_of("B0 63 07|B0 62 03|B0 60 00|90 3C 40", source="song")
    drive.push(note, 100_000)
    drive.until(1_100_000)
    drive.push(step)
    drive.push(note)
    drive.until(100 * MS)
    assert hexes(drive.messages()) == [
        "B0 63 05",
        "90 3C 40",
        "B0 62 12",
        "B0 06 40",
        "B0 63 07",
        "B0 62 03",
        "B0 60 00",
        "90 3C 40",
    ]


def test_a_barrier_of_another_channel_goes_into_a_group() -> None:
    drive = Drive(Pacing(byte_ns=DIN_NS, stream=True))
    for item in items_of("B0 63 05|B0 62 12|B0 06 40"):
        drive.push(item)
    for item in items_of("C1 05|91 3C 40"):
        drive.push(item)
    drive.until(100 * MS)
    assert hexes(drive.messages()) == ["B0 63 05", "C1 05", "91 3C 40", "B0 62 12", "B0 06 40"]


def test_a_group_goes_on_before_what_is_kept_on_other_channels() -> None:
    drive = Drive(Pacing(byte_ns=DIN_NS, stream=True))
    for item in items_of("B0 63 05|B0 62 12|B0 06 40|C1 05"):
        drive.push(item)
    drive.until(100 * MS)
    assert hexes(drive.messages()) == ["B0 63 05", "B0 62 12", "B0 06 40", "C1 05"]


def test_a_note_waits_for_a_program_with_its_bank_that_is_under_way() -> None:
    drive = Drive(Pacing(byte_ns=DIN_NS, stream=True))
    drive.push(from_messages(parse("B0 00 01|B0 20 00|C0 05")))
    for item in items_of("90 3C 40"):
        drive.push(item)
    drive.until(100 * MS)
    assert hexes(drive.messages()) == ["B0 00 01", "B0 20 00", "C0 05", "90 3C 40"]


def test_what_is_under_way_is_not_replaced() -> None:
    drive = Drive(Pacing(byte_ns=DIN_NS, stream=True, selections="always"))
    for value in ("06 10", "06 20", "06 30"):
        for item in items_of(f"B0 63 05|B0 62 12|B0 {value}"):
            drive.push(item)
    drive.until(100 * MS)
    assert [m for m in hexes(drive.messages()) if m[3:5] == "06"] == ["B0 06 10", "B0 06 30"]


def test_a_knob_that_never_rests_does_not_hold_up_the_others() -> None:
    drive = Drive(Pacing(byte_ns=DIN_NS, stream=True))
    for i in range(100):
        for control in ("4A", "47", "07"):
            for item in items_of(f"B0 {control} {i:02X}"):
                drive.push(item, i * MS)
    drive.until(1000 * MS)
    sent = [m[1] for m in drive.messages()]
    for number in (0x4A, 0x47, 0x07):
        assert 30 <= sent.count(number) <= 40  # 100 ms of line, a third each


# -- rests -----------------------------------------------------------------------------------------


def rest_drive(gap_holds: str = "exclusive") -> Drive:
    return Drive(Pacing(byte_ns=DIN_NS, stream=True, gap_ns=20 * MS, gap_holds=gap_holds))


FIRST, SECOND = "F0 7D 10 01 00 F7", "F0 7D 10 02 00 F7"
#: Six bytes at 320 microseconds each, then the rest of 20 ms.
FIRST_END_NS = 6 * DIN_NS
REST_END_NS = FIRST_END_NS + 20 * MS


def starts(drive: Drive) -> dict[str, int]:
    """Return when each message began to leave, by its hex."""
    out: dict[str, int] = {}
    begun = None
    for sent in drive.sent:
        begun = sent.start_ns if begun is None else begun
        if sent.hand.message:
            out[sent.hand.message.hex(" ").upper()] = begun
            begun = None
    return out


def test_only_the_next_exclusive_waits_for_the_rest() -> None:
    drive = rest_drive()
    drive.push(knob(FIRST, 1, "a"))
    drive.run([knob(SECOND, 2, "b"), *items_of("90 3C 40|B0 07 10")])
    found = starts(drive)
    assert found["90 3C 40"] == FIRST_END_NS
    assert found["B0 07 10"] == FIRST_END_NS + 3 * DIN_NS
    assert found[SECOND] == REST_END_NS


def test_a_note_behind_a_resting_exclusive_of_its_channel_waits_and_others_go_on() -> None:
    drive = rest_drive()
    second = Item(tuple(parse(SECOND)), KEPT, 1)
    drive.push(knob(FIRST, 1, "a"))
    drive.run([second, *items_of("90 3C 40|91 3C 40|90 3C 00|91 3C 00")])
    found = starts(drive)
    assert found["91 3C 40"] == FIRST_END_NS
    assert found["91 3C 00"] == FIRST_END_NS + 3 * DIN_NS
    assert found[SECOND] == REST_END_NS
    assert found["90 3C 40"] == REST_END_NS + 6 * DIN_NS
    assert found["90 3C 00"] == REST_END_NS + 9 * DIN_NS


def test_a_program_goes_as_soon_as_what_held_it_is_made_old() -> None:
    drive = rest_drive()
    drive.push(knob(FIRST, ALL_CHANNELS, "a"))
    drive.run([knob(SECOND, ALL_CHANNELS, "b"), *items_of("C0 05|90 3C 40")], 10 * MS)
    assert hexes(drive.messages()) == [
        FIRST
    ]  # the second value rests, and is the program's barrier
    newer = "F0 7D 10 02 01 F7"
    drive.push(knob(newer, ALL_CHANNELS, "b"), 10 * MS)
    drive.until(100 * MS)
    found = starts(drive)
    assert found["C0 05"] == 10 * MS
    assert found["90 3C 40"] == 10 * MS + 2 * DIN_NS
    assert found[newer] == REST_END_NS


def test_everything_but_real_time_waits_where_the_rest_holds_all() -> None:
    drive = rest_drive("all")
    drive.push(knob(FIRST, 1, "a"))
    for item in items_of("90 3C 40|B0 07 10|F2 00 00"):
        drive.push(item)
    for item in items_of("F8"):
        drive.push(item, FIRST_END_NS + 5 * MS)
    drive.until(100 * MS)
    found = starts(drive)
    assert found["F2 00 00"] == REST_END_NS
    assert found["90 3C 40"] == REST_END_NS + 4 * DIN_NS
    # The clock came behind a song position, and does not pass it.
    assert found["F8"] > found["F2 00 00"]


def test_a_clock_passes_a_rest_for_all() -> None:
    drive = rest_drive("all")
    drive.push(knob(FIRST, 1, "a"))
    drive.push(items_of("90 3C 40")[0])
    drive.push(items_of("F8")[0], FIRST_END_NS + 5 * MS)
    drive.until(100 * MS)
    assert starts(drive)["F8"] == FIRST_END_NS + 5 * MS


def test_a_reset_asks_for_a_rest_of_its_own() -> None:
    drive = Drive(Pacing(byte_ns=DIN_NS, stream=True))
    reset = from_messages(parse("F0 7E 7F 09 01 F7"), rest_ns=100 * MS)
    drive.run([reset, *items_of("91 3C 40|B0 07 10")])
    assert starts(drive)["91 3C 40"] == FIRST_END_NS + 100 * MS


def test_each_message_of_a_sequence_waits_for_the_rest_before_it() -> None:
    drive = rest_drive()
    drive.push(knob(f"{FIRST}|{SECOND}", ALL_CHANNELS, "a"))
    drive.run(items_of("90 3C 40"))
    found = starts(drive)
    assert found["90 3C 40"] == FIRST_END_NS
    assert found[SECOND] == REST_END_NS


# -- the queue by itself ---------------------------------------------------------------------------


def test_an_empty_queue_has_nothing_next() -> None:
    assert Queue().next() is None
    assert Queue().next(resting=True) is None


def test_the_queue_counts_what_waits() -> None:
    queue = Queue()
    for item in items_of("90 3C 40|B0 07 05|B0 27 01|B0 07 06|E0 00 00"):
        queue.put(item, 0)
    assert len(queue) == 4
    assert {entry.sort for entry in queue} == {NOTE, VALUE, BEND}
    while (entry := queue.next()) is not None:
        queue.advance(entry)
    assert len(queue) == 0
