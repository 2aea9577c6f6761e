"""Why notes are late: made-up jams of one cause each, and what the report says of them."""

from __future__ import annotations

import msgspec
import numpy as np
import pytest

from knobwright.core.song.read import read_song
from knobwright.core.timing.causes import CAUSES, MAX_PLACES, causes_of, stretches
from knobwright.core.timing.wire import Link, departures, traffic_of
from knobwright.core.timing.wire_report import Limits, WireReport, wire_report
from tests.core.song.made import END, song
from tests.oracle import midifile

MS = 1_000_000
NOTE = bytes.fromhex("90 3C 40")
BURST = [bytes((0xB0 | channel, n, 64)) for channel in range(4) for n in (0, 32, 7, 10, 91, 93)]


def at_once(messages: list[bytes], step_ns: int = 0) -> tuple[list[int], list[bytes]]:
    """Return times and messages of a jam with a note at its end."""
    rows = [*messages, NOTE]
    return [100 * MS + number * step_ns for number in range(len(rows))], rows


JAMS = {
    "note": at_once([bytes((0x91, key, 64)) for key in range(20)]),
    "set-up": at_once([*BURST, b"\xc0\x05", b"\xc1\x05"]),
    "bend": at_once([bytes((0xE3, 0, value)) for value in range(40)], 500_000),
    "pressure": at_once([bytes((0xD3, value)) for value in range(60)], 300_000),
    "controller": at_once([bytes((0xB3, 1, value)) for value in range(40)], 500_000),
    "exclusive": at_once([b"\xf0\x7d" + bytes(60) + b"\xf7"]),
    "system": at_once([b"\xf2\x00\x00"] * 20),
}


def test_every_cause_has_a_jam() -> None:
    assert JAMS.keys() == CAUSES.keys()


@pytest.mark.parametrize("cause", JAMS)
def test_a_jam_is_told_by_its_cause(cause: str) -> None:
    sent = traffic_of(*JAMS[cause])
    found = departures(sent, Link())
    rows = stretches(sent, found, Link(), limit_ns=10 * MS)
    assert [row.cause for row in rows] == [cause]
    late = sent.is_note_on & (found.end_ns - sent.due_ns > 10 * MS)
    row = rows[0]
    assert row.n_late == late.sum()
    assert (row.first, row.last) == (np.flatnonzero(late)[0], np.flatnonzero(late)[-1])
    assert row.worst_ns == int((found.end_ns - sent.due_ns)[late].max())
    assert row.share > 0.9


@pytest.mark.parametrize(("cause", "channel"), [("bend", 4), ("controller", 4), ("set-up", 0)])
def test_a_stream_of_one_channel_says_which(cause: str, channel: int) -> None:
    sent = traffic_of(*JAMS[cause])
    rows = stretches(sent, departures(sent, Link()), Link(), limit_ns=10 * MS)
    assert rows[0].channel == channel


def test_the_rest_of_an_exclusive_counts_for_it() -> None:
    link = Link(gap_ns=40 * MS, gap_holds="all")
    reset = b"\xf0\x7e\x7f\x09\x01\xf7"  # General MIDI 1 on (RP-003)
    sent = traffic_of([0] * 12, [reset, *[bytes((0x91, key, 64)) for key in range(10)], NOTE])
    rows = stretches(sent, departures(sent, link), link, limit_ns=10 * MS)
    assert [(row.cause, row.n_late) for row in rows] == [("exclusive", 11)]
    without = stretches(sent, departures(sent, Link()), Link(), limit_ns=10 * MS)
    assert [row.cause for row in without] == ["note"]


def test_a_rest_in_the_middle_of_a_jam_does_not_end_it() -> None:
    link = Link(gap_ns=40 * MS, gap_holds="all")
    notes = [bytes((0x91, key, 64)) for key in range(12)]
    sent = traffic_of([0] * 25, [*notes, b"\xf0\x7d\xf7", *notes])
    rows = stretches(sent, departures(sent, link), link, limit_ns=10 * MS)
    # Two of the first twelve end after 10 ms, and all behind the rest.
    assert [(row.cause, row.n_late) for row in rows] == [("exclusive", 14)]


def test_controllers_that_come_again_at_once_are_a_stream_and_others_a_set_up() -> None:
    names = tuple(CAUSES)
    rows = [(0, b"\xb0\x07\x01"), (0, b"\xb0\x0a\x01"), (0, b"\xb0\x07\x02"),
            (10 * MS, b"\xb0\x0b\x03"), (30 * MS, b"\xb0\x0b\x04"),
            (5000 * MS, b"\xb0\x07\x04"), (5100 * MS, b"\xb1\x07\x04"),
            (5200 * MS, b"\xb0\x7b\x00")]  # fmt: skip
    sent = traffic_of([at for at, _ in rows], [message for _, message in rows])
    found = [names[cause] for cause in causes_of(sent).tolist()]
    assert found == [*["set-up"] * 3, "controller", "controller", *["set-up"] * 3]


def test_a_sweep_of_an_nrpn_is_a_stream_and_three_rpns_are_a_set_up() -> None:
    names = tuple(CAUSES)
    three = [bytes((0xB0, n, v)) for rpn in range(3)
             for n, v in ((101, 0), (100, rpn), (6, 2), (38, 0))]  # fmt: skip
    sent = traffic_of([number * MS for number in range(12)], three)
    assert {names[cause] for cause in causes_of(sent).tolist()} == {"set-up"}
    sweep = [bytes((0xB0, n, v)) for value in range(20)
             for n, v in ((99, 5), (98, 18), (6, value))]  # fmt: skip
    sent = traffic_of([number * MS for number in range(60)], sweep)
    assert {names[cause] for cause in causes_of(sent).tolist()} == {"controller"}


def test_near_jams_of_one_cause_are_told_as_one_and_far_ones_apart() -> None:
    due, messages = JAMS["note"]
    for distance_ns, n_rows in ((500 * MS, 1), (60_000 * MS, 2)):
        sent = traffic_of([*due, *[at + distance_ns for at in due]], messages * 2)
        rows = stretches(sent, departures(sent, Link()), Link(), limit_ns=10 * MS)
        assert len(rows) == n_rows
        assert sum(row.n_late for row in rows) == 2 * 11


def test_of_many_places_the_worst_are_told_in_order_of_time() -> None:
    due, messages = [], []
    for number in range(50):
        n_notes = 12 + number * 7 % 50  # each size once
        due += [number * 10_000 * MS] * n_notes
        messages += [bytes((0x90, key, 64)) for key in range(n_notes)]
    sent = traffic_of(due, messages)
    rows = stretches(sent, departures(sent, Link()), Link(), limit_ns=10 * MS, most=5)
    assert sorted(row.worst_ns for row in rows) == [n * 960_000 for n in range(57, 62)]
    assert [row.first for row in rows] == sorted(row.first for row in rows)


def test_near_jams_of_two_causes_stay_apart() -> None:
    due, messages = JAMS["note"]
    bends, sweep = JAMS["bend"]
    sent = traffic_of([*due, *[at + 500 * MS for at in bends]], [*messages, *sweep])
    rows = stretches(sent, departures(sent, Link()), Link(), limit_ns=10 * MS)
    assert [(row.cause, row.n_late) for row in rows] == [("note", 11), ("bend", 1)]


def test_no_late_note_is_no_finding() -> None:
    sent = traffic_of([0, 10 * MS], [NOTE, NOTE])
    assert stretches(sent, departures(sent, Link()), Link(), limit_ns=10 * MS) == []
    assert wire_report(read_song(song(END))).findings == ()


def test_a_report_tells_place_figures_and_next_step() -> None:
    # 4/4 at 120: bar 3 begins after 768 ticks of 96 a quarter, which is 4 s.
    notes = " 00 ".join(f"93 {key:02X} 40" for key in range(40, 80))
    report = wire_report(read_song(song(f"86 00 {notes} {END}")))
    assert (report.n_messages, report.n_bytes) == (40, 120)
    assert (report.most_waiting, report.most_waiting_bytes) == (40, 120)
    jam, chord = report.findings
    assert (jam.name, jam.tick, jam.bar, jam.beat, jam.channel) == ("wire-notes", 768, 3, 1, 4)
    assert (jam.value, jam.limit, jam.unit) == (38.4, 10, "ms")
    assert jam.sentence == (
        "bar 3, beat 1: 30 notes are up to 38.4 ms late, 100% of it behind other notes on channel 4"
    )
    assert (chord.name, chord.value, chord.channel) == ("wire-chord", 37.44, 4)
    assert chord.sentence == "bar 3, beat 1: 40 notes that belong together begin over 37.4 ms"
    assert jam.at_ns == chord.at_ns == 4_000 * MS
    assert jam.next_step.startswith("drop doubled notes")


def test_a_full_line_is_told_once_with_its_load() -> None:
    steady = " ".join(f"00 93 {key % 128:02X} 40" for key in range(1000))
    report = wire_report(read_song(song(f"{steady} {END}")), limits=Limits(full=0.5))
    (full,) = [row for row in report.findings if row.name == "wire-full"]
    assert (full.value, full.limit, full.unit, full.at_ns) == (96, 50, "%", 0)
    assert full.until_ns == 1_000 * MS
    assert report.window == report.second
    assert report.window.load == 0.96  # 1000 notes of 960 us in a second


def test_a_report_of_real_songs_is_json_and_bounded() -> None:
    midifile.require("freedoom")
    name, data = next(row for row in midifile.songs("freedoom") if row.name.endswith("D_E2M4"))
    report = wire_report(read_song(data, name))
    again = msgspec.json.decode(msgspec.json.encode(report), type=WireReport)
    assert again == report
    assert len(report.findings) <= MAX_PLACES * (len(CAUSES) + 2)
    times = [row.at_ns or 0 for row in report.findings]
    assert times == sorted(times)
    assert report.lateness.finish.worst_ns == 334_080_000


def test_a_song_that_claims_to_last_for_ages_is_told_without_overflow() -> None:
    slow = "00 FF 51 03 FF FF FF"  # the slowest tempo, one tick a quarter note
    far = "FF FF FF 7F 90 3C 40 " * 3000  # the longest step before each note
    report = wire_report(read_song(song(f"{slow} {far} {END}", division=1)))
    assert report.n_messages == 3000
    # Times are told up to 2**62 ns; what lies beyond is due together, and then late.
    assert report.lateness.finish.worst_ns >= 960_000
    assert all(0 <= (row.at_ns or 0) < 2**63 for row in report.findings)
