"""Rules of the byte stream, one row each; every row is also fed byte by byte.

Source, where no other is named: MIDI 1.0 Detailed Specification 4.2.1 (1996), page at the row.
"""

from __future__ import annotations

import pytest

from knobwright.core.wire.stream import (
    BROKEN_OFF,
    CUT_EXCLUSIVE,
    ENDED,
    NO_STATUS,
    REASONS,
    RESET_INSIDE,
    STRAY_END,
    TOO_LONG,
    TOO_LONG_REST,
    UNDEFINED_COMMON,
    UNDEFINED_REAL_TIME,
    Dropped,
    Message,
    Splitter,
    joined,
)

Row = tuple[str, list[str | tuple[str, str]]]

# name -> bytes in, records out: a message as hex, dropped bytes as (hex, reason). Data bytes
# without a status are joined here; end() is called at the end.
RUNNING_STATUS: dict[str, Row] = {
    # Worked strings of page A-1.
    "C, E, G on, full": (
        "90 3C 27 90 40 2B 90 43 25",
        ["90 3C 27", "90 40 2B", "90 43 25"],
    ),
    "C, E, G on, running": ("90 3C 27 40 2B 43 25", ["90 3C 27", "90 40 2B", "90 43 25"]),
    "C on, C off, D on, full": (
        "90 3C 27 80 3C 40 90 3E 29",
        ["90 3C 27", "80 3C 40", "90 3E 29"],
    ),
    "C on, C off, D on, running": (
        "90 3C 27 3C 00 3E 29",
        ["90 3C 27", "90 3C 00", "90 3E 29"],
    ),
    # Pages 5 and A-1: channel voice and channel mode messages, one and two data bytes.
    "running note off": ("80 3C 40 3E 40", ["80 3C 40", "80 3E 40"]),
    "running key pressure": ("A1 3C 40 3E 40", ["A1 3C 40", "A1 3E 40"]),
    "running control change": ("B2 07 40 0A 40", ["B2 07 40", "B2 0A 40"]),
    "running program change": ("C3 01 02 03", ["C3 01", "C3 02", "C3 03"]),
    "running channel pressure": ("D4 01 02", ["D4 01", "D4 02"]),
    "running pitch bend": ("E5 00 40 7F 7F", ["E5 00 40", "E5 7F 7F"]),
    "a mode message that others ignore still counts": (  # pages
        "BF 7C 00 07 64",
        ["BF 7C 00", "BF 07 64"],
    ),
    # Page A-2: a status may always be repeated.
    "status repeated": ("90 3C 40 3E 40 90 40 40", ["90 3C 40", "90 3E 40", "90 40 40"]),
    "another channel status loads the buffer": (
        "90 3C 40 B0 07 64 0A 40",
        ["90 3C 40", "B0 07 64", "B0 0A 40"],
    ),
    # Page A-2: every F0 to F7 clears the buffer, and data bytes are ignored while it is empty.
    "exclusive clears": (
        "90 3C 40 F0 7D 01 F7 3E 40",
        ["90 3C 40", "F0 7D 01 F7", ("3E 40", NO_STATUS)],
    ),
    "F1 clears": ("90 3C 40 F1 15 3E 40", ["90 3C 40", "F1 15", ("3E 40", NO_STATUS)]),
    "F2 clears": ("90 3C 40 F2 10 00 3E 40", ["90 3C 40", "F2 10 00", ("3E 40", NO_STATUS)]),
    "F3 clears": ("90 3C 40 F3 05 3E 40", ["90 3C 40", "F3 05", ("3E 40", NO_STATUS)]),
    "F4 clears": (
        "90 3C 40 F4 3E 40",
        ["90 3C 40", ("F4", UNDEFINED_COMMON), ("3E 40", NO_STATUS)],
    ),
    "F5 clears": (
        "90 3C 40 F5 3E 40",
        ["90 3C 40", ("F5", UNDEFINED_COMMON), ("3E 40", NO_STATUS)],
    ),
    "F6 clears": ("90 3C 40 F6 3E 40", ["90 3C 40", "F6", ("3E 40", NO_STATUS)]),
    "F7 clears": (
        "90 3C 40 F7 3E 40",
        ["90 3C 40", ("F7", STRAY_END), ("3E 40", NO_STATUS)],
    ),
    "no running status for system common": ("F3 05 06", ["F3 05", ("06", NO_STATUS)]),
    "no running status for song position": ("F2 01 02 03 04", ["F2 01 02", ("03 04", NO_STATUS)]),
    # Page A-2: F8 to FE leave the buffer alone.
    **{
        f"{byte} keeps running status": (f"90 3C 40 {byte} 3E 40", ["90 3C 40", byte, "90 3E 40"])
        for byte in ("F8", "FA", "FB", "FC", "FE")
    },
    **{
        f"{byte} is ignored and keeps running status": (
            f"90 3C 40 {byte} 3E 40",
            ["90 3C 40", (byte, UNDEFINED_REAL_TIME), "90 3E 40"],
        )
        for byte in ("F9", "FD")
    },
    # Page 33: system reset clears running status.
    "reset clears": ("90 3C 40 FF 3E 40", ["90 3C 40", "FF", ("3E 40", NO_STATUS)]),
    "status after a reset": ("90 3C 40 FF 90 3E 40", ["90 3C 40", "FF", "90 3E 40"]),
    # Page A-2: empty at power-up.
    "nothing before the first status": ("3C 40 90 3C 40", [("3C 40", NO_STATUS), "90 3C 40"]),
}

REAL_TIME_ROWS: dict[str, Row] = {
    # Pages 5, 29, 30: real time anywhere, delivered at once.
    **{
        f"{byte} between data bytes": (f"90 3C {byte} 40", [byte, "90 3C 40"])
        for byte in ("F8", "FA", "FB", "FC", "FE")
    },
    "between status and data": ("90 F8 3C 40", ["F8", "90 3C 40"]),
    "between the data bytes of running status": (
        "90 3C 40 3E F8 40",
        ["90 3C 40", "F8", "90 3E 40"],
    ),
    "twice inside one message": ("90 F8 3C FE 40", ["F8", "FE", "90 3C 40"]),
    "inside program change": ("C0 F8 05", ["F8", "C0 05"]),
    "inside song position": ("F2 F8 10 F8 00", ["F8", "F8", "F2 10 00"]),
    "inside exclusive": ("F0 7D 01 F8 02 F7", ["F8", "F0 7D 01 02 F7"]),
    "after F0 and before F7": ("F0 F8 7D FE F7", ["F8", "FE", "F0 7D F7"]),
    "undefined inside a message": ("90 3C F9 40", [("F9", UNDEFINED_REAL_TIME), "90 3C 40"]),
    "undefined inside exclusive": (
        "F0 7D FD 01 F7",
        [("FD", UNDEFINED_REAL_TIME), "F0 7D 01 F7"],
    ),
    # Page 33 and our reading of it: the power-up state holds nothing unfinished.
    "reset inside a message": (
        "90 3C FF 40",
        [("90 3C", RESET_INSIDE), "FF", ("40", NO_STATUS)],
    ),
    "reset inside exclusive": (
        "F0 7D 01 FF 02 F7",
        [("F0 7D 01", RESET_INSIDE), "FF", ("02", NO_STATUS), ("F7", STRAY_END)],
    ),
}

UNFINISHED: dict[str, Row] = {
    # Page 5: a new status, real time excepted, drops an unfinished message.
    "broken off by another channel": ("90 3C 91 3C 40", [("90 3C", BROKEN_OFF), "91 3C 40"]),
    "status alone": ("90 90 3C 40", [("90", BROKEN_OFF), "90 3C 40"]),
    "running message broken off": (
        "90 3C 40 3E 80 3C 40",
        ["90 3C 40", ("3E", BROKEN_OFF), "80 3C 40"],
    ),
    "broken off by exclusive": ("90 3C F0 7D F7", [("90 3C", BROKEN_OFF), "F0 7D F7"]),
    "broken off by tune request": ("90 3C F6 40", [("90 3C", BROKEN_OFF), "F6", ("40", NO_STATUS)]),
    "broken off by F4": ("90 3C F4", [("90 3C", BROKEN_OFF), ("F4", UNDEFINED_COMMON)]),
    "broken off by F7": ("90 3C F7", [("90 3C", BROKEN_OFF), ("F7", STRAY_END)]),
    "song position broken off": ("F2 10 90 3C 40", [("F2 10", BROKEN_OFF), "90 3C 40"]),
    # Page 6: acted on only when all data bytes have come.
    "at the end": ("90 3C", [("90 3C", ENDED)]),
    "running at the end": ("90 3C 40 3E", ["90 3C 40", ("3E", ENDED)]),
    "exclusive at the end": ("F0 7D 01", [("F0 7D 01", ENDED)]),
    "song select at the end": ("F3", [("F3", ENDED)]),
}

EXCLUSIVE: dict[str, Row] = {
    # Pages 5, 29: F0, identifier, any number of data bytes, F7.
    "one data byte": ("F0 7D F7", ["F0 7D F7"]),
    "no data byte": ("F0 F7", ["F0 F7"]),
    "three-byte identifier": ("F0 00 20 33 01 F7", ["F0 00 20 33 01 F7"]),  # page 34
    "identifier nobody knows": ("F0 5A 01 02 F7 90 3C 40", ["F0 5A 01 02 F7", "90 3C 40"]),
    "two in a row": ("F0 7D 01 F7 F0 7D 02 F7", ["F0 7D 01 F7", "F0 7D 02 F7"]),
    "identity request": ("F0 7E 7F 06 01 F7", ["F0 7E 7F 06 01 F7"]),  # page 40
    # Pages 5, 29: any status but real time ends it; a cut one is not delivered.
    "ended by note on": ("F0 7D 01 90 3C 40", [("F0 7D 01", CUT_EXCLUSIVE), "90 3C 40"]),
    "ended by exclusive": ("F0 7D 01 F0 7D 02 F7", [("F0 7D 01", CUT_EXCLUSIVE), "F0 7D 02 F7"]),
    "ended by tune request": ("F0 7D F6", [("F0 7D", CUT_EXCLUSIVE), "F6"]),
    "ended by F5": ("F0 7D F5", [("F0 7D", CUT_EXCLUSIVE), ("F5", UNDEFINED_COMMON)]),
    "ended by song select": ("F0 7D F3 05", [("F0 7D", CUT_EXCLUSIVE), "F3 05"]),
    "F7 alone": ("F7", [("F7", STRAY_END)]),
    "F7 twice": ("F0 7D F7 F7", ["F0 7D F7", ("F7", STRAY_END)]),
    "data after the end": ("F0 7D F7 01", ["F0 7D F7", ("01", NO_STATUS)]),
}

ROWS = {
    f"{family}: {name}": row
    for family, rows in (
        ("running status", RUNNING_STATUS),
        ("real time", REAL_TIME_ROWS),
        ("unfinished", UNFINISHED),
        ("exclusive", EXCLUSIVE),
    )
    for name, row in rows.items()
}


def expected(row: Row) -> list[Message | Dropped]:
    """Return the records a row asks for, at time 0."""
    return [
        Message((bytes.fromhex(item), 0))
        if isinstance(item, str)
        else Dropped(bytes.fromhex(item[0]), item[1], 0)
        for item in row[1]
    ]


@pytest.mark.parametrize("name", ROWS)
@pytest.mark.parametrize("n_piece", [1, 2, 3, 1000])
def test_a_rule_of_the_stream_holds_in_any_pieces(name: str, n_piece: int) -> None:
    data = bytes.fromhex(ROWS[name][0])
    splitter = Splitter()
    records: list[Message | Dropped] = []
    for start in range(0, len(data), n_piece):
        records += splitter.feed(data[start : start + n_piece])
    records += splitter.end()
    assert joined(records) == expected(ROWS[name])
    assert splitter.n_pending == 0


def test_every_reason_is_met_by_a_row_or_by_the_limit() -> None:
    met = {item[1] for row in ROWS.values() for item in row[1] if isinstance(item, tuple)}
    assert met | {TOO_LONG, TOO_LONG_REST} == set(REASONS)


def test_a_message_has_the_time_of_its_last_byte() -> None:
    splitter = Splitter()
    assert splitter.feed(b"\x90\x3c", 10) == []
    assert splitter.feed(b"\xf8", 20) == [Message((b"\xf8", 20))]
    assert splitter.feed(b"\x40\x3e", 30) == [Message((b"\x90\x3c\x40", 30))]
    assert splitter.feed(b"", 35) == []
    assert splitter.feed(b"\x40\xf0\x7d", 40) == [Message((b"\x90\x3e\x40", 40))]
    assert splitter.end(50) == [Dropped(b"\xf0\x7d", ENDED, 50)]


def test_the_end_without_a_time_takes_that_of_the_last_piece() -> None:
    splitter = Splitter()
    splitter.feed(b"\x90\x3c", 7)
    assert splitter.end() == [Dropped(b"\x90\x3c", ENDED, 7)]


def test_after_the_end_running_status_is_empty() -> None:
    splitter = Splitter()
    splitter.feed(b"\x90\x3c\x40")
    assert splitter.end() == []
    assert joined(splitter.feed(b"\x3e\x40")) == [Dropped(b"\x3e\x40", NO_STATUS, 0)]


def test_restored_status_bytes_are_counted() -> None:
    splitter = Splitter()
    splitter.feed(bytes.fromhex("90 3C 27 40 2B 43 25 C0 01 02"))
    assert splitter.n_restored == 3
    splitter.feed(bytes.fromhex("03 90 3C 40"))
    assert splitter.n_restored == 4


@pytest.mark.parametrize("kind", [bytes, bytearray, memoryview])
def test_any_bytes_like_piece_gives_bytes(kind: type) -> None:
    data = bytes.fromhex("90 3C F8 40 F0 7D")
    splitter = Splitter()
    records = splitter.feed(kind(data)) + splitter.feed(kind(b"\xf8\x01\xf7"))
    assert [record.data.hex() for record in records] == ["f8", "903c40", "f8", "f07d01f7"]
    assert {type(record.data) for record in records} == {bytes}


@pytest.mark.parametrize("n_piece", [1, 3, 1000])
def test_an_exclusive_of_just_the_limit_is_delivered(n_piece: int) -> None:
    data = b"\xf0" + bytes(6) + b"\xf7"
    splitter = Splitter(max_exclusive_bytes=8)
    records = [r for i in range(0, 8, n_piece) for r in splitter.feed(data[i : i + n_piece])]
    assert records == [Message((data, 0))]


@pytest.mark.parametrize("n_piece", [1, 3, 1000])
@pytest.mark.parametrize("n_data", [7, 8, 14, 15, 16, 30])
def test_a_longer_exclusive_is_dropped_to_its_end_and_no_further(n_data: int, n_piece: int) -> None:
    data = b"\xf0" + bytes(n_data) + b"\xf7\xc0\x05"
    splitter = Splitter(max_exclusive_bytes=8)
    records: list[Message | Dropped] = []
    for start in range(0, len(data), n_piece):
        records += splitter.feed(data[start : start + n_piece])
        assert splitter.n_pending < 8
    *dropped, last = records
    assert last == Message((b"\xc0\x05", 0))
    assert b"".join(record.data for record in dropped) == data[:-2]
    reasons = [record.reason for record in dropped if isinstance(record, Dropped)]
    assert reasons == [TOO_LONG] + [TOO_LONG_REST] * (len(dropped) - 1)
    assert len(dropped) == 1 + (n_data + 1) // 8


def test_a_too_long_exclusive_cut_by_a_status_is_still_one_too_long() -> None:
    splitter = Splitter(max_exclusive_bytes=4)
    records = splitter.feed(bytes.fromhex("F0 01 02 03 04 F8 05 90 3C 40"))
    assert records == [
        Dropped(bytes.fromhex("F0 01 02 03"), TOO_LONG, 0),
        Message((b"\xf8", 0)),
        Dropped(bytes.fromhex("04 05"), TOO_LONG_REST, 0),
        Message((bytes.fromhex("90 3C 40"), 0)),
    ]


def test_an_endless_exclusive_holds_no_more_than_the_limit() -> None:
    splitter = Splitter()
    n_dropped = 0
    splitter.feed(b"\xf0")
    for _ in range(40):
        n_dropped += sum(len(record.data) for record in splitter.feed(bytes(100_000)))
        assert splitter.n_pending < 1 << 20
    assert n_dropped + splitter.n_pending == 4_000_001
    assert n_dropped == 3 << 20


@pytest.mark.parametrize("limit", [2, 0, -1])
def test_a_limit_no_exclusive_can_meet_is_refused(limit: int) -> None:
    with pytest.raises(ValueError, match=f"3 or more, not {limit}"):
        Splitter(max_exclusive_bytes=limit)


def test_a_message_is_a_pair_with_names() -> None:
    message = Message((b"\x90\x3c\x40", 7))
    data, at_ns = message
    assert (message.data, message.at_ns) == (data, at_ns) == (b"\x90\x3c\x40", 7)
    assert eval(repr(message)) == message
    match message:
        case Message(data=b"\x90\x3c\x40", at_ns=when):
            assert when == 7
        case _:
            pytest.fail("the names can't be matched")
    with pytest.raises(AttributeError):
        message.data = b""  # type: ignore[misc]


def test_joining_keeps_apart_what_is_not_one_thing() -> None:
    records: list[Message | Dropped] = [
        Dropped(b"\x01", NO_STATUS, 1),
        Dropped(b"\x02", NO_STATUS, 1),
        Dropped(b"\x03", NO_STATUS, 2),
        Message((b"\xf8", 2)),
        Dropped(b"\xf4", UNDEFINED_COMMON, 2),
        Dropped(b"\xf4", UNDEFINED_COMMON, 2),
    ]
    assert joined(records) == [Dropped(b"\x01\x02", NO_STATUS, 1), *records[2:]]
