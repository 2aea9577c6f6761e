"""The arithmetic of the line, real time, bounds, and a link that is lost.

Sources: MIDI 1.0 Detailed Specification 4.2.1, pages 1 (31 250 baud: 320 microseconds a byte), 5,
30 (1 ms between start and clock), 32 (active sensing within 270 ms advised), A-4 (a note-off for
each note-on).
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.errors import InputError
from knobwright.core.timing.items import KEPT, VALUE, Item
from knobwright.core.timing.merge import Merge
from knobwright.core.timing.pacing import Hand, Pacing, release
from knobwright.core.wire import is_note_off, is_note_on, wire_time_us
from tests.core.timing.drive import DIN_NS, Drive, hexes
from tests.core.timing.test_order import items_of, parse

MS = 1_000_000
ON, OFF = "90 3C 40", "80 3C 40"


def drive(**options: object) -> Drive:
    settings = {"byte_ns": DIN_NS, "stream": True, **options}
    return Drive(Pacing(**settings), int(str(settings["byte_ns"])))  # type: ignore[arg-type]


def item(text: str) -> Item:
    (found,) = items_of(text)
    return found


# -- the line --------------------------------------------------------------------------------------


def test_a_byte_on_a_cable_takes_320_microseconds() -> None:
    assert wire_time_us(1) * 1000 == DIN_NS


def test_a_free_line_takes_a_message_in_the_same_call() -> None:
    line = drive()
    line.push(item(ON), 5 * MS)
    assert [(s.start_ns, s.hand) for s in line.sent] == [
        (5 * MS, Hand(bytes.fromhex(ON), (item(ON),), bytes.fromhex(ON)))
    ]
    assert line.pacing.next_ns is None
    assert line.pacing.due(5 * MS) is None


def test_messages_follow_each_other_without_a_gap_and_without_a_rounded_bit() -> None:
    line = drive()
    line.run(items_of("|".join([ON, OFF] * 500)))
    assert [s.start_ns for s in line.sent] == [i * 3 * DIN_NS for i in range(1000)]


def test_a_line_without_a_limit_takes_everything_at_once() -> None:
    line = drive(byte_ns=0)
    text = "|".join([ON, "B0 07 01", "F0 7D 01 F7", OFF])
    for one in items_of(text):
        line.push(one)
    assert hexes(line.messages()) == text.split("|")
    assert line.now_ns == 0


def test_the_line_may_be_filled_a_little_ahead() -> None:
    pacing = Pacing(byte_ns=DIN_NS, stream=True, ahead_ns=100_000)
    for _ in range(2):
        pacing.push(item(ON), 0)
    assert pacing.due(0) is not None
    assert pacing.next_ns == 3 * DIN_NS - 100_000
    assert pacing.due(3 * DIN_NS - 100_001) is None
    assert pacing.due(3 * DIN_NS - 100_000) is not None
    pacing.push(item(ON), 3 * DIN_NS)
    assert pacing.next_ns == 6 * DIN_NS - 100_000  # counted from when the line was free


def test_the_load_is_the_share_of_time_in_which_the_line_was_busy() -> None:
    line = drive()
    assert line.pacing.load(0) == 0
    line.run(items_of("|".join(["90 3C 40"] * 10)), 96 * DIN_NS)
    assert line.pacing.load(60 * DIN_NS) == 0.5
    assert line.pacing.load(120 * DIN_NS) == 0


def test_unknown_options_are_refused_with_what_there_is() -> None:
    with pytest.raises(InputError, match="exclusive, all"):
        Pacing(byte_ns=0, stream=True, gap_holds="some")
    with pytest.raises(InputError, match="short, always"):
        Pacing(byte_ns=0, stream=True, selections="never")


# -- exclusive and real time -----------------------------------------------------------------------

LONG = "F0 7D " + "01 " * 60 + "F7"


def test_a_clock_goes_into_an_exclusive_and_a_note_does_not() -> None:
    line = drive()
    line.push(item(LONG))
    line.push(item(ON), 2 * MS)
    line.push(item("F8"), 2 * MS)
    line.until(100 * MS)
    wire = line.wire()
    assert wire.index(b"\xf8") == 8  # the piece of bytes 4 to 7 was on the line
    assert wire.replace(b"\xf8", b"") == bytes.fromhex(LONG + ON)
    assert hexes(line.messages()) == ["F8", LONG, ON]


def test_a_port_of_whole_messages_gets_an_exclusive_whole() -> None:
    line = drive(stream=False)
    line.push(item(LONG))
    line.push(item("F8"), 2 * MS)
    line.until(100 * MS)
    assert [s.hand.data for s in line.sent] == parse(f"{LONG}|F8")
    assert line.sent[1].start_ns == 63 * DIN_NS


def test_a_line_without_a_limit_needs_no_pieces() -> None:
    line = drive(byte_ns=0)
    line.push(item(LONG))
    assert [s.hand.data for s in line.sent] == parse(LONG)


@pytest.mark.parametrize("start", ["FA", "FB"])
def test_a_clock_comes_1_ms_after_start_or_continue_at_the_earliest(start: str) -> None:
    line = drive()
    for text in (start, "F8", ON, "F8"):
        line.push(item(text))
    line.until(100 * MS)
    assert hexes(line.messages()) == [start, ON, "F8", "F8"]
    assert line.sent[2].start_ns == DIN_NS + MS


def test_no_rest_is_kept_after_stop() -> None:
    line = drive()
    for text in ("FC", "F8"):
        line.push(item(text))
    line.until(100 * MS)
    assert [s.start_ns for s in line.sent] == [0, DIN_NS]


def test_continue_waits_for_the_song_position_before_it() -> None:
    line = drive()
    line.push(item(LONG))
    for text in ("F2 10 00", "FB", "F8", ON):
        line.push(item(text), 2 * MS)
    line.until(100 * MS)
    assert hexes(line.messages()) == [LONG, "F2 10 00", "FB", ON, "F8"]


def test_a_clock_passes_time_code_that_waits_for_an_exclusive_to_end() -> None:
    line = drive()
    line.push(item(LONG))
    for text in ("F1 05", "F8", "F1 15"):
        line.push(item(text), 2 * MS)
    line.until(100 * MS)
    assert hexes(line.messages()) == ["F8", LONG, "F1 05", "F1 15"]


def test_active_sensing_is_sent_where_asked_after_silence() -> None:
    line = drive(active_sensing=True)
    line.push(item(ON), 400 * MS)
    line.until(1000 * MS)
    times = [(s.start_ns, s.hand.data) for s in line.sent]
    gaps = [later[0] - earlier[0] for earlier, later in pairwise(times)]
    assert max(gaps) <= 270 * MS
    assert [data for _, data in times].count(b"\xfe") == 3
    assert all(not s.hand.done for s in line.sent if s.hand.data == b"\xfe")


def test_active_sensing_is_not_sent_unasked() -> None:
    line = drive()
    line.push(item(ON))
    line.until(10_000 * MS)
    assert hexes(line.messages()) == [ON]


# -- bounds ----------------------------------------------------------------------------------------


def test_a_refused_note_on_takes_its_note_off_with_it() -> None:
    line = drive(max_items=3)
    line.push(item("90 3C 40"))  # on the line
    keys = [61, 62, 63, 64, 65]
    taken = [line.push(item(f"90 {key:02X} 40")) for key in keys]
    assert taken == [True, True, True, False, False]
    assert [line.push(item(f"80 {key:02X} 40")) for key in keys] == taken
    line.until(100 * MS)
    counts = line.pacing.counts
    assert (counts.n_refused_notes, counts.n_refused_offs, counts.n_refused_other) == (2, 2, 0)
    assert line.push(item("80 40 40"))  # long free again: a stray note-off does no harm


def test_a_note_off_is_taken_for_every_note_on_that_was() -> None:
    line = drive(max_items=2)
    assert [line.push(item(ON)) for _ in range(4)] == [True, True, True, False]
    assert [line.push(item("90 3C 00")) for _ in range(4)] == [True, True, True, False]


def test_beyond_the_hard_limit_only_note_offs_and_replacements_are_taken() -> None:
    line = drive(max_items=2)
    line.push(item(ON))
    values = [line.push(item(f"B0 {number:02X} 01")) for number in (1, 2, 3, 4, 5, 7)]
    assert values == [True, True, True, True, False, False]
    assert line.push(item("B0 01 7F"))
    assert not line.push(item("C0 05"))
    assert not line.push(item("80 40 40"))  # nobody waits for it
    assert line.push(item(OFF))
    line.until(100 * MS)
    assert "B0 01 7F" in hexes(line.messages())
    assert line.pacing.counts.n_refused_other == 4


def test_an_exclusive_that_the_link_would_cut_is_refused_whole() -> None:
    line = drive(longest_exclusive=6)
    assert line.push(item("F0 7D 01 02 03 F7"))
    assert not line.push(item("F0 7D 01 02 03 04 F7"))
    line.until(100 * MS)
    assert len(line.messages()) == 1
    assert line.pacing.counts.n_too_long == 1


def test_real_time_that_piles_up_is_bounded() -> None:
    line = drive(max_items=5)
    line.push(item(LONG))
    assert sum(line.push(item("F2 00 00")) for _ in range(20)) == 5


NOTES = st.lists(st.tuples(st.integers(0, 2), st.booleans(), st.integers(0, 3)), max_size=120)


@given(NOTES)
def test_no_note_hangs_whatever_is_refused(events: list[tuple[int, bool, int]]) -> None:
    line = drive(max_items=4)
    held = dict.fromkeys(range(3), 0)
    for key, is_on, wait_ms in events:
        if not is_on and not held[key]:
            continue
        held[key] += 1 if is_on else -1
        line.push(item(f"{'90' if is_on else '80'} {key:02X} 40"), line.now_ns + wait_ms * MS)
    for key, n in held.items():
        for _ in range(n):
            line.push(item(f"80 {key:02X} 40"))
    line.until(line.now_ns + 10_000 * MS)
    for key in held:
        n_on = sum(is_note_on(m) and m[1] == key for m in line.messages())
        assert n_on == sum(is_note_off(m) and m[1] == key for m in line.messages())


# -- trouble ---------------------------------------------------------------------------------------


def test_a_lost_link_keeps_all_but_note_ons() -> None:
    line = drive()
    line.push(item("90 30 40"))
    for text in (OFF, "C0 05", "B0 07 01", "90 3E 40", "F8", "B0 07 02"):
        line.push(item(text))
    line.pacing.lost(line.now_ns)
    assert line.pacing.next_ns is None
    assert not line.push(item("90 40 40"))
    line.push(item("B0 07 03"))
    line.until(1000 * MS)
    assert len(line.sent) == 1
    line.pacing.back(line.now_ns)
    line.until(2000 * MS)
    assert hexes(line.messages())[1:] == [OFF, "C0 05", "B0 07 03"]
    counts = line.pacing.counts
    assert counts.n_refused_notes == 2
    assert counts.n_refused_other == 1  # the clock
    assert not line.push(item("80 3E 40"))
    assert not line.push(item("80 40 40"))


def test_what_was_under_way_begins_anew() -> None:
    line = drive()
    for one in items_of("B0 63 05|B0 62 12|B0 06 40"):
        line.push(one)
    line.push(item(LONG))
    line.pacing.lost(MS)
    line.pacing.back(5 * MS)
    line.until(20 * MS)
    line.pacing.lost(20 * MS)
    line.pacing.back(30 * MS)
    line.until(200 * MS)
    group = ["B0 63 05", "B0 62 12", "B0 06 40"]
    assert hexes(line.messages()) == ["B0 63 05", *group, LONG]
    assert line.pacing.counts.n_unsure == 2


@pytest.mark.parametrize("text", [OFF, "C0 05", "B0 07 01", "E0 00 40", "B0 40 00"])
def test_what_failed_is_sent_again_in_front(text: str) -> None:
    pacing = Pacing(byte_ns=DIN_NS, stream=True)
    pacing.push(item(text), 0)
    failed = pacing.due(0)
    pacing.push(item("C0 06"), 0)
    pacing.lost(0, failed)
    pacing.back(MS)
    line = Drive(pacing)
    line.until(100 * MS)
    assert hexes(line.messages()) == [text, "C0 06"]


def test_a_note_on_that_failed_is_given_up_and_its_note_off_is_not() -> None:
    pacing = Pacing(byte_ns=DIN_NS, stream=True)
    pacing.push(item(ON), 0)
    pacing.lost(0, pacing.due(0))
    pacing.back(MS)
    assert pacing.due(MS) is None
    assert pacing.push(item(OFF), MS)
    assert pacing.counts.n_refused_notes == 1


def test_selections_and_status_are_sent_anew_when_the_link_is_back() -> None:
    line = drive(running_status=True)
    *_, data = items_of("B0 63 05|B0 62 12|B0 06 40")
    line.push(data)
    line.until(20 * MS)
    line.pacing.lost(line.now_ns)
    line.pacing.back(line.now_ns)
    line.push(data)
    line.until(40 * MS)
    assert line.wire().hex(" ").upper() == " ".join(["B0 63 05 62 12 06 40"] * 2)


def test_a_rest_is_kept_over_a_lost_link_and_by_a_machine_that_follows() -> None:
    first = drive(gap_ns=20 * MS, gap_holds="all")
    first.push(item("F0 7D 01 F7"))
    end_ns = 4 * DIN_NS + 20 * MS
    second = Pacing(byte_ns=DIN_NS, stream=True)
    second.follow(first.pacing)
    second.push(item(OFF), MS)
    assert second.due(MS) is None
    assert second.next_ns == end_ns
    first.pacing.lost(2 * MS)
    first.pacing.back(3 * MS)
    first.push(item(OFF), 4 * MS)
    first.until(100 * MS)
    assert [s.start_ns for s in first.sent if s.hand.message == bytes.fromhex(OFF)] == [end_ns]


def test_waiting_note_ons_can_be_thrown_away() -> None:
    line = drive()
    line.push(item("90 30 40"))
    for text in (ON, OFF, "C0 05", "90 3E 40"):
        line.push(item(text))
    assert line.pacing.drop_note_ons(line.now_ns, older_than_ns=MS) == 0
    assert line.pacing.drop_note_ons(line.now_ns) == 2
    line.until(100 * MS)
    assert hexes(line.messages()) == ["90 30 40", OFF, "C0 05"]
    assert not line.push(item("80 3E 40"))


def test_an_exclusive_can_be_cut_and_the_next_status_ends_it() -> None:
    line = drive()
    long = item(LONG)
    line.push(long)
    line.push(item(OFF), 2 * MS)
    assert line.pacing.cut_exclusive(line.now_ns) == long
    assert line.pacing.cut_exclusive(line.now_ns) is None
    line.until(100 * MS)
    assert line.wire() == bytes.fromhex(LONG)[:8] + bytes.fromhex(OFF)
    assert line.pacing.n_waiting == 0


# -- letting go ------------------------------------------------------------------------------------


def test_what_is_held_is_let_go() -> None:
    items = release([(0, 60, 2), (9, 38, 1)], [(0, 64), (1, 66)], all_notes_off=True, source="x")
    sent = drive().run(items)
    assert hexes(sent) == [
        "B0 40 00",  # before the note-offs of its channel
        "80 3C 40",
        "80 3C 40",
        "89 26 40",
        "B1 42 00",
        "B0 7B 00",
        "B1 7B 00",
        "B9 7B 00",
    ]
    assert {i.source for i in items} == {"x"}
    assert release([], [], all_notes_off=True) == []


def test_letting_go_is_not_refused_by_a_full_line() -> None:
    line = drive(max_items=8)
    line.push(item(ON))
    for number in range(70, 78):
        line.push(item(f"B0 {number:02X} 01"))
    for one in release([(0, 60, 1)], [(0, 64)]):
        assert line.push(one)


def test_counts_tell_the_longest_wait_of_a_note() -> None:
    line = drive()
    for text in (ON, "B0 07 01", "91 3C 40"):
        line.push(item(text))
    line.until(100 * MS)
    assert line.pacing.counts.worst_note_ns == 3 * DIN_NS
    assert line.pacing.counts.n_overtaken == 1


def test_an_item_of_no_base_is_never_replaced() -> None:
    line = drive()
    line.push(item(ON))
    for value in (1, 2):
        line.push(Item((bytes((0xB0, 7, value)),), VALUE, 1))
    line.until(100 * MS)
    assert len(line.messages()) == 3


def test_a_kept_item_of_many_messages_has_one_place() -> None:
    line = drive()
    line.push(Item(tuple(parse("B0 07 01|B0 0A 01|C0 05")), KEPT, 1))
    line.push(item("B0 07 02"))
    merged = Merge().feed(bytes.fromhex(ON))
    line.push(merged[0])
    line.until(100 * MS)
    assert hexes(line.messages()) == ["B0 07 01", "B0 0A 01", "C0 05", ON, "B0 07 02"]
