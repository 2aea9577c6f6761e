"""What is left out on the wire: running status, selections, banks; the receiver misses nothing.

Sources: MIDI 1.0 Detailed Specification 4.2.1, pages 5, A-1 and A-2 (running status), 17, 33;
RP-015 (controller 121 makes the selection null).
"""

from __future__ import annotations

import pytest

from knobwright.core.timing.items import ALL_CHANNELS, VALUE, Item
from knobwright.core.timing.merge import Merge, from_messages
from knobwright.core.timing.pacing import Pacing
from knobwright.core.wire import Splitter, shortened
from tests.core.timing.drive import DIN_NS, Drive
from tests.core.timing.test_order import items_of, parse

MS = 1_000_000
SECOND = 1_000 * MS


def wire(text: str, *, gap_ns: int = 0, **options: object) -> str:
    """Return what goes on the wire for messages of one source, a pause between each two."""
    settings = {"byte_ns": DIN_NS, "stream": True, **options}
    drive = Drive(Pacing(**settings))  # type: ignore[arg-type]
    merge = Merge()
    for i, message in enumerate(parse(text)):
        for item in merge.feed(message):
            drive.push(item, (i + 1) * (gap_ns or 100 * MS))
    drive.until(drive.now_ns + SECOND)
    return drive.wire().hex(" ").upper()


RUNNING = {
    # worked strings of page A-1
    "C, E, G": ("90 3C 27|90 40 2B|90 43 25", "90 3C 27 40 2B 43 25"),
    "C on, off, D": ("90 3C 27|90 3C 00|90 3E 29", "90 3C 27 3C 00 3E 29"),
    "another status": ("90 3C 27|80 3C 40|90 3E 29", "90 3C 27 80 3C 40 90 3E 29"),
    "another channel": ("90 3C 27|91 3C 40", "90 3C 27 91 3C 40"),
    "clock leaves it": ("90 3C 27|F8|90 3E 29", "90 3C 27 F8 3E 29"),
    "exclusive ends it": ("90 3C 27|F0 7D 01 F7|90 3E 29", "90 3C 27 F0 7D 01 F7 90 3E 29"),
    "tune request ends it": ("90 3C 27|F6|90 3E 29", "90 3C 27 F6 90 3E 29"),
    "song select ends it": ("90 3C 27|F3 01|90 3E 29", "90 3C 27 F3 01 90 3E 29"),
    "reset ends it": ("90 3C 27|FF|90 3E 29", "90 3C 27 FF 90 3E 29"),
    "one data byte": ("C0 01|C0 02|D0 03", "C0 01 02 D0 03"),
}


@pytest.mark.parametrize("name", RUNNING)
def test_a_status_that_repeats_is_left_out(name: str) -> None:
    pushed, wanted = RUNNING[name]
    assert wire(pushed, running_status=True) == wanted
    assert wire(pushed, running_status=True) == b"".join(shortened(parse(pushed))).hex(" ").upper()
    records = Splitter().feed(bytes.fromhex(wanted))
    assert [record.data for record in records] == parse(pushed)


def test_running_status_is_off_until_asked_for() -> None:
    assert wire("90 3C 27|90 40 2B") == "90 3C 27 90 40 2B"


def test_a_port_of_whole_messages_gets_every_status() -> None:
    assert wire("90 3C 27|90 40 2B", running_status=True, stream=False) == "90 3C 27 90 40 2B"


def test_the_status_is_sent_anew_every_two_seconds() -> None:
    notes = "|".join(["90 3C 27"] * 7)
    # One every 400 ms: the sixth comes 2 s after the first.
    sent = wire(notes, running_status=True, gap_ns=400 * MS)
    assert sent == "90 3C 27" + " 3C 27" * 4 + " 90 3C 27" + " 3C 27"


DATA = "B0 63 05|B0 62 12|B0 06 01"
SHORT = "B0 63 05 B0 62 12 B0 06 01 B0 06 02"
LEFT_OUT = {
    "same selection": ("B0 06 02", True),
    "a note between": ("90 3C 40|B0 06 02", True),
    "another channel's selection between": ("B1 63 01|B1 62 01|B1 06 01|B0 06 02", True),
    "a plain controller between": ("B0 07 01|B0 06 02", True),
    "a program between": ("C0 05|B0 06 02", True),
    "clock between": ("F8|B0 06 02", True),
    "another selection": ("B0 62 13|B0 06 02", False),
    "null between": ("B0 63 7F|B0 62 7F|B0 63 05|B0 62 12|B0 06 02", False),
    "121 between": ("B0 79 00|B0 63 05|B0 62 12|B0 06 02", False),
    "reset between": ("FF|B0 63 05|B0 62 12|B0 06 02", False),
    "an exclusive nobody explains": ("F0 7D 01 F7|B0 06 02", False),
}


@pytest.mark.parametrize("name", LEFT_OUT)
def test_a_selection_in_force_is_left_out(name: str) -> None:
    more, is_left_out = LEFT_OUT[name]
    sent = wire(f"{DATA}|{more}")
    number = "13" if name == "another selection" else "12"
    assert sent.endswith(f"B0 63 05 B0 62 {number} B0 06 02") is not is_left_out
    assert sent.endswith("B0 06 02")
    always = wire(f"{DATA}|{more}", selections="always")
    assert always.endswith(f"B0 63 05 B0 62 {number} B0 06 02")


def test_the_selection_is_sent_anew_every_two_seconds() -> None:
    sent = wire(DATA + "|B0 06 02" * 5, gap_ns=500 * MS)
    # The selection is out a millisecond after the third message came; the eighth comes 2.5 s later.
    assert sent == SHORT + " B0 06 02" * 3 + " B0 63 05 B0 62 12 B0 06 02"


def test_two_sources_get_their_own_selection_each_time() -> None:
    drive = Drive(Pacing(byte_ns=DIN_NS, stream=True))
    keys, song = Merge("keys"), Merge("song")
    for merge, text in ((keys, "B0 63 05|B0 62 12"), (song, "B0 63 05|B0 62 13")):
        for message in parse(text):
            merge.feed(message)
    for i, merge in enumerate((keys, song, keys)):
        for item in merge.feed(b"\xb0\x06\x01"):
            drive.push(item, (i + 1) * 50 * MS)
    drive.until(SECOND)
    assert [m.hex() for m in drive.messages() if m[1] == 0x62] == ["b06212", "b06213", "b06212"]


def test_an_explained_value_by_exclusive_leaves_the_selection() -> None:
    drive = Drive(Pacing(byte_ns=DIN_NS, stream=True))
    *_, data = items_of(DATA)
    level = Item((bytes.fromhex("F0 7D 10 01 40 F7"),), VALUE, ALL_CHANNELS, "level", "level")
    for i, item in enumerate((data, level, data)):
        drive.push(item, (i + 1) * 50 * MS)
    drive.until(SECOND)
    assert drive.wire().hex(" ").upper() == (
        "B0 63 05 B0 62 12 B0 06 01 F0 7D 10 01 40 F7 B0 06 01"
    )


BANKS = {
    "just sent": ("B0 00 01|B0 20 00|C0 05", "B0 00 01 B0 20 00 C0 05"),
    "the next program has it before it": (
        "B0 00 01|C0 05|C0 06",
        "B0 00 01 C0 05 B0 00 01 C0 06",
    ),
    "half of it is new": ("B0 00 01|B0 20 00|C0 05|B0 20 01|C0 05",
        "B0 00 01 B0 20 00 C0 05 B0 20 01 B0 00 01 B0 20 01 C0 05"),
}  # fmt: skip


@pytest.mark.parametrize("name", BANKS)
def test_a_bank_is_left_out_only_right_behind_itself(name: str) -> None:
    pushed, wanted = BANKS[name]
    assert wire(pushed) == wanted


def test_programs_from_the_page_have_their_bank_every_time() -> None:
    drive = Drive(Pacing(byte_ns=DIN_NS, stream=True))
    program = from_messages(parse("B0 00 01|B0 20 00|C0 05"))
    drive.run([program, program])
    assert len(drive.messages()) == 6


def test_another_sources_bank_is_not_taken_for_ones_own() -> None:
    drive = Drive(Pacing(byte_ns=DIN_NS, stream=True))
    keys, song = Merge("keys"), Merge("song")
    steps = ((keys, "B0 00 01"), (song, "B0 00 02"), (keys, "C0 05"))
    for i, (merge, text) in enumerate(steps):
        for item in merge.feed(bytes.fromhex(text)):
            drive.push(item, (i + 1) * 50 * MS)
    drive.until(SECOND)
    assert drive.wire().hex(" ").upper() == "B0 00 01 B0 00 02 B0 00 01 C0 05"
