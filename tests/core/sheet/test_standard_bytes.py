"""The standard sheets' bytes, out and in, against the published messages.

Each row names its source: *MIDI 1.0* is the Detailed Specification 4.2.1 (1996), *RP-003* is
General MIDI 1, *GM2* General MIDI 2, version 1.2a (RP-024) with its section, *CA-020* to *CA-026*
the additions of 1999; *calc* was worked out by hand here from the rule named.
"""

from __future__ import annotations

from functools import reduce
from operator import xor
from typing import Any

import mido
import pytest

from knobwright.adapters.files import standard
from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.events import Dump, Event, ProgramSet, Request, Setting, Unexplained
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import EncodeError
from knobwright.core.sheet.records import Parameter, Raw
from tests.core.sheet.standard_sheets import codec, sent, sheet, shown

NAMES = ("midi-1", "general-midi-1", "general-midi-2", "midi-tuning")


def heard(name: str, *messages: str) -> list[Event]:
    """Return what a fresh decoder makes of messages in hex."""
    decoder = codec(name).decoder()
    return [event for message in messages for event in decoder.feed(bytes.fromhex(message))]


def settings(events: list[Event]) -> list[tuple[str, Raw, int | None, int | None]]:
    """Return what was set: key, value, channel, key number."""
    return [(e.key, e.value, e.channel, e.note) for e in events if isinstance(e, Setting)]


LAST = 0x3FFF
ROWS: list[tuple[str, str, Any, int, int, str, str]] = [
    # sheet, key, raw value, channel, key number, bytes, source
    ("midi-1", "bend.range", 12, 1, 0, "B0 65 00 B0 64 00 B0 06 0C B0 26 00", "MIDI 1.0 p. 18"),
    ("general-midi-1", "bend.range", 2, 3, 0, "B2 65 00 B2 64 00 B2 06 02 B2 26 00", "RP-003"),
    ("midi-1", "tuning.fine", 0, 1, 0, "B0 65 00 B0 64 01 B0 06 00 B0 26 00", "MIDI 1.0 p. 18"),
    ("midi-1", "tuning.fine", 8192, 1, 0, "B0 65 00 B0 64 01 B0 06 40 B0 26 00", "MIDI 1.0 p. 18"),
    ("midi-1", "tuning.fine", LAST, 1, 0, "B0 65 00 B0 64 01 B0 06 7F B0 26 7F", "MIDI 1.0 p. 18"),
    ("midi-1", "tuning.coarse", 64, 16, 0, "BF 65 00 BF 64 02 BF 06 40", "MIDI 1.0 p. 18"),
    ("midi-1", "tuning.program", 4, 1, 0, "B0 65 00 B0 64 03 B0 06 04", "MIDI 1.0 p. 50"),
    ("midi-1", "tuning.bank", 4, 1, 0, "B0 65 00 B0 64 04 B0 06 04", "MIDI 1.0 p. 50"),
    (
        "general-midi-2",
        "modulation.range",
        64,
        1,
        0,
        "B0 65 00 B0 64 05 B0 06 00 B0 26 40",
        "CA-026",
    ),
    ("midi-1", "bend", 0, 1, 0, "E0 00 00", "MIDI 1.0 p. 19"),
    ("midi-1", "bend", 8192, 1, 0, "E0 00 40", "MIDI 1.0 p. 19"),
    ("midi-1", "bend", LAST, 2, 0, "E1 7F 7F", "MIDI 1.0 p. 19"),
    ("midi-1", "pressure", 5, 10, 0, "D9 05", "MIDI 1.0 p. 10"),
    ("midi-1", "pressure.key", 64, 10, 38, "A9 26 40", "MIDI 1.0 p. 10"),
    ("midi-1", "sound.off", 0, 1, 0, "B0 78 00", "MIDI 1.0 table V"),
    ("midi-1", "controllers.reset", 0, 1, 0, "B0 79 00", "MIDI 1.0 table V"),
    ("midi-1", "local", 0, 1, 0, "B0 7A 00", "MIDI 1.0 table V"),
    ("midi-1", "local", 127, 1, 0, "B0 7A 7F", "MIDI 1.0 table V"),
    ("midi-1", "notes.off", 0, 16, 0, "BF 7B 00", "MIDI 1.0 table V"),
    ("midi-1", "omni.off", 0, 1, 0, "B0 7C 00", "MIDI 1.0 table V"),
    ("midi-1", "omni.on", 0, 1, 0, "B0 7D 00", "MIDI 1.0 table V"),
    ("midi-1", "mono", 4, 1, 0, "B0 7E 04", "MIDI 1.0 table V"),
    ("midi-1", "poly", 0, 1, 0, "B0 7F 00", "MIDI 1.0 table V"),
    ("general-midi-2", "mono", 0, 1, 0, "B0 7E 01", "GM2 2.5: mode 4 only with M = 1"),
    ("general-midi-1", "gm.on", 0, 1, 0, "F0 7E 7F 09 01 F7", "RP-003"),
    ("general-midi-1", "gm.off", 0, 1, 0, "F0 7E 7F 09 02 F7", "RP-003"),
    ("general-midi-2", "gm2.on", 0, 1, 0, "F0 7E 7F 09 03 F7", "GM2 4.9.1"),
    ("general-midi-2", "master.volume", LAST, 1, 0, "F0 7F 7F 04 01 7F 7F F7", "MIDI 1.0 p. 57"),
    ("general-midi-2", "master.volume", 1, 1, 0, "F0 7F 7F 04 01 01 00 F7", "MIDI 1.0 p. 57"),
    ("general-midi-2", "master.tuning.fine", 8192, 1, 0, "F0 7F 7F 04 03 00 40 F7", "CA-025"),
    ("general-midi-2", "master.tuning.coarse", 63, 1, 0, "F0 7F 7F 04 04 00 3F F7", "CA-025"),
    ("general-midi-2", "reverb.type", 8, 1, 0, "F0 7F 7F 04 05 01 01 01 01 01 00 08 F7", "GM2 4.4"),
    (
        "general-midi-2",
        "reverb.time",
        64,
        1,
        0,
        "F0 7F 7F 04 05 01 01 01 01 01 01 40 F7",
        "GM2 4.4",
    ),
    ("general-midi-2", "chorus.type", 5, 1, 0, "F0 7F 7F 04 05 01 01 01 01 02 00 05 F7", "GM2 4.5"),
    ("general-midi-2", "chorus.rate", 9, 1, 0, "F0 7F 7F 04 05 01 01 01 01 02 01 09 F7", "GM2 4.5"),
    (
        "general-midi-2",
        "chorus.depth",
        5,
        1,
        0,
        "F0 7F 7F 04 05 01 01 01 01 02 02 05 F7",
        "GM2 4.5",
    ),
    (
        "general-midi-2",
        "chorus.feedback",
        8,
        1,
        0,
        "F0 7F 7F 04 05 01 01 01 01 02 03 08 F7",
        "GM2 4.5",
    ),
    (
        "general-midi-2",
        "chorus.reverb",
        1,
        1,
        0,
        "F0 7F 7F 04 05 01 01 01 01 02 04 01 F7",
        "GM2 4.5",
    ),
    (
        *("general-midi-2", "pressure.pitch", 0x42, 7, 0),
        *("F0 7F 7F 09 01 06 00 42 01 40 02 40 03 00 04 00 05 00 F7", "CA-022, pairs in order"),
    ),
    (
        *("general-midi-2", "pressure.filter", 0x60, 7, 0),
        *("F0 7F 7F 09 01 06 00 40 01 60 02 40 03 00 04 00 05 00 F7", "CA-022, pairs in order"),
    ),
    ("general-midi-2", "key.volume", 96, 10, 38, "F0 7F 7F 0A 01 09 26 07 60 F7", "CA-023"),
    ("general-midi-2", "key.pan", 0, 10, 42, "F0 7F 7F 0A 01 09 2A 0A 00 F7", "CA-023"),
    ("general-midi-2", "key.reverb", 127, 11, 36, "F0 7F 7F 0A 01 0A 24 5B 7F F7", "CA-023"),
    ("general-midi-2", "key.chorus", 1, 10, 36, "F0 7F 7F 0A 01 09 24 5D 01 F7", "CA-023"),
    (
        "midi-tuning",
        "tuning.note",
        0x45 << 14,
        1,
        69,
        "F0 7F 7F 08 02 00 01 45 45 00 00 F7",
        "MIDI 1.0 p. 49",
    ),
    (
        *("midi-tuning", "tuning.note", (0x3C << 14) + 0x2000, 1, 60),
        *("F0 7F 7F 08 02 00 01 3C 3C 40 00 F7", "calc: a quarter tone above middle C"),
    ),
]


@pytest.mark.parametrize(
    ("name", "key", "value", "channel", "note", "expected", "source"),
    ROWS,
    ids=[f"{row[1]}={row[2]}" for row in ROWS],
)
def test_a_value_becomes_the_published_bytes(
    name: str, key: str, value: Any, channel: int, note: int, expected: str, source: str
) -> None:
    assert sent(name, key, value, channel, note).hex(" ").upper() == expected, source


@pytest.mark.parametrize("name", ["midi-1", "general-midi-2"])
@pytest.mark.parametrize("channel", [1, 10, 16])
def test_an_outside_reader_agrees_on_every_single_channel_message(name: str, channel: int) -> None:
    n_read = 0
    for p in sheet(name).parameters:
        line = p.routes[0].template.line
        if len(line.messages) != 1 or "channel" not in p.per or line.messages[0][0].word == "F0":
            continue
        raw = 0 if p.is_action else p.ranges[-1][1]
        data = sent(name, p.key, raw, channel, 38)
        message = mido.Message.from_bytes(data)
        assert message.channel == channel - 1
        if message.type == "control_change":
            assert message.control == line.messages[0][1].fixed
            assert p.is_action or message.value == raw
        elif message.type == "pitchwheel":
            assert message.pitch == shown(name, p.key, raw) == 8191
        elif message.type == "polytouch":
            assert (message.note, message.value) == (38, raw)
        else:
            assert (message.type, message.value) == ("aftertouch", raw)
        n_read += 1
    assert n_read >= 20


# Whole length in bytes from F0 to F7, counted from the layouts of the source named
LENGTHS = [
    ("general-midi-1", "gm.on", 0, 6, "RP-003"),
    ("general-midi-1", "gm.off", 0, 6, "RP-003"),
    ("general-midi-2", "gm2.on", 0, 6, "GM2 4.9.1"),
    ("general-midi-2", "master.volume", 0, 8, "MIDI 1.0 p. 57"),
    ("general-midi-2", "master.tuning.fine", 0, 8, "CA-025"),
    ("general-midi-2", "master.tuning.coarse", 0, 8, "CA-025"),
    ("general-midi-2", "reverb.type", 0, 9 + 2 * 1 + 1 * (1 + 1), "CA-024: 9 + 2 sw + pw + vw"),
    ("general-midi-2", "pressure.pitch", 64, 7 + 2 * 6, "CA-022: 7 + 2 a pair"),
    ("general-midi-2", "key.pan", 0, 8 + 2 * 1, "CA-023: 8 + 2 a pair"),
    ("general-midi-2", "tuning.octave", (64,) * 12, 21, "CA-021"),
    ("midi-tuning", "tuning.octave", (64,) * 12, 21, "CA-021"),
    ("midi-tuning", "tuning.degree.c", 8192, 33, "CA-021"),
    ("midi-tuning", "tuning.note", 0, 8 + 4 * 1, "MIDI 1.0 p. 49: 8 + 4 a change"),
    ("midi-1", "bend.range", 12, 12, "four control changes with full status"),
]


@pytest.mark.parametrize(("name", "key", "value", "length", "source"), LENGTHS)
def test_a_message_has_the_published_length(
    name: str, key: str, value: Any, length: int, source: str
) -> None:
    assert len(sent(name, key, value)) == length, source


# Dumps: whole length as published, and how many data bytes a dump's own frame leaves (calc)
DUMPS = [
    ("tuning.dump", 408, "MIDI 1.0 p. 49"),
    ("tuning.dump.bank", 409, "CA-020"),
    ("tuning.dump.octave", 37, "CA-021"),
    ("tuning.dump.octave.fine", 49, "CA-021"),
]


@pytest.mark.parametrize(("key", "length", "source"), DUMPS)
def test_a_dump_has_the_published_length(key: str, length: int, source: str) -> None:
    block = next(b for b in sheet("midi-tuning").blocks if b.key == key)
    assert block.size is not None
    assert block.template.line.n_bytes + block.size == length, source


# ---------------------------------------------------------------- the way back


@pytest.mark.parametrize(
    ("name", "key", "value", "channel", "note", "expected", "source"),
    ROWS,
    ids=[f"{row[1]}={row[2]}" for row in ROWS],
)
def test_the_published_bytes_become_the_value(
    name: str, key: str, value: Any, channel: int, note: int, expected: str, source: str
) -> None:
    events = heard(name, *[m.hex() for m in messages_of(bytes.fromhex(expected))])
    assert not [e for e in events if isinstance(e, Unexplained)], source
    per = next(p for p in sheet(name).parameters if p.key == key).per
    wanted = (key, value, channel if "channel" in per else None, note if "key" in per else None)
    assert wanted in settings(events), source


def messages_of(data: bytes) -> list[bytes]:
    """Split bytes with full status into messages at their status bytes (F7 ends, not begins)."""
    starts = [i for i, byte in enumerate(data) if byte >= 0x80 and byte != 0xF7]
    return [data[i:j] for i, j in zip(starts, [*starts[1:], len(data)], strict=True)]


def samples(p: Parameter) -> list[Raw]:
    """Return the ends and the middle of every part of a parameter's range."""
    run = p.routes[0].template.line.run
    if run is not None:
        return [tuple(range(low, low + run.n_bytes)) for low in (0, 58, 127 - run.n_bytes)]
    if p.is_action:
        return [0]
    return sorted({v for low, high in p.ranges for v in (low, (low + high) // 2, high)})


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("channel", [1, 7, 8, 15, 16])
def test_every_parameter_comes_back_as_it_was_sent(name: str, channel: int) -> None:
    def current(key: str, channel: int | None, note: int | None) -> object | None:
        return 2 if key == "bend.range" else None  # it has no default in midi-1

    for p in sheet(name).parameters:
        for value in samples(p):
            messages = codec(name).encode(p.key, value, channel, 38, current)
            events = heard(name, *[m.hex() for m in messages])
            assert not [e for e in events if isinstance(e, Unexplained)], p.key
            at, note = channel if "channel" in p.per else None, 38 if "key" in p.per else None
            mine = [s for s in settings(events) if s[0] == p.key]
            assert mine[-1] == (p.key, value, at, note)


def test_either_order_of_the_selectors_is_understood() -> None:
    # MIDI 1.0 p. 50 and CA-026 send 64 hex first, the table of registered parameters 65 hex
    wanted = ("bend.range", 12, 1, None)
    assert wanted in settings(heard("midi-1", "B0 64 00", "B0 65 00", "B0 06 0C"))
    assert wanted in settings(heard("midi-1", "B0 65 00", "B0 64 00", "B0 06 0C"))


def test_the_high_part_alone_counts_with_a_low_part_of_0() -> None:
    # MIDI 1.0 p. 12: a received high part makes the receiver set its low part to 0
    events = heard("midi-1", "B0 65 00", "B0 64 01", "B0 06 40", "B0 26 05", "B0 06 41")
    values = [value for _, value, _, _ in settings(events)]
    assert values == [0x40 << 7, (0x40 << 7) + 5, 0x41 << 7]


def test_null_shuts_data_entry_off() -> None:
    # MIDI Association, table of registered parameters; GM2 3.4.5
    events = heard("midi-1", "B0 65 00", "B0 64 02", "B0 65 7F", "B0 64 7F", "B0 06 40")
    assert settings(events) == []
    assert isinstance(events[-1], Unexplained)


def test_cents_of_the_bend_range_are_not_sent_over_unknown_semitones() -> None:
    # MIDI 1.0 sets no default for the range, and both travel in one message
    with pytest.raises(EncodeError, match=r"bend\.range, whose value is not known"):
        codec("midi-1").encode("bend.range.cents", 50)


def test_what_the_format_cannot_say_is_not_guessed() -> None:
    # CA-022's own example names three targets of six: a legal message, and no line of the sheet
    events = heard("general-midi-2", "F0 7F 7F 09 01 06 00 42 01 60 05 20 F7")
    assert [type(event) for event in events] == [Unexplained]


def test_programs_are_chosen_as_each_level_says() -> None:
    first, second = codec("general-midi-1"), codec("general-midi-2")
    assert first.program_bytes(1, (0, 0), 1) == (b"\xc0\x00",)  # RP-003: no bank select
    bank = b"".join(second.program(second.sheet.program[8], 2))
    assert bank == bytes.fromhex("B1 00 79 B1 20 00 C1 08")  # GM2 2.4, 3.3.1
    events = heard("general-midi-2", "B1 00 79", "B1 20 00", "C1 08")
    assert events[-1] == ProgramSet(2, 9, (0x79, 0), "Celesta")


# ---------------------------------------------------------------- dumps

CONTENTS = b"Even temperament" + bytes(i * 7 & 0x7F for i in range(384))
SEALED = [  # key, start of the message, its data; CA-020, "Checksum calculation"
    ("tuning.dump.bank", "7E 7F 08 04 00 00", CONTENTS),
    ("tuning.dump.octave", "7E 7F 08 05 00 00", CONTENTS[:28]),
    ("tuning.dump.octave.fine", "7E 7F 08 06 00 00", CONTENTS[:40]),
]


@pytest.mark.parametrize(("key", "head", "data"), SEALED)
def test_a_dump_is_sealed_with_the_exclusive_or_of_all_before_it(
    key: str, head: str, data: bytes
) -> None:
    body = bytes.fromhex(head) + data
    message = b"\xf0" + body + bytes([reduce(xor, body) & 0x7F]) + b"\xf7"
    block = next(b for b in sheet("midi-tuning").blocks if b.key == key)
    assert codec("midi-tuning").dump(block, data) == (message,)
    assert heard("midi-tuning", message.hex()) == [Dump(key, data)]
    spoilt = message[:-2] + bytes([message[-2] ^ 1]) + b"\xf7"
    assert [type(e) for e in heard("midi-tuning", spoilt.hex())] == [Unexplained]


@pytest.mark.parametrize("last", [0x00, 0x55, 0x7F])
def test_the_checksum_of_the_oldest_dump_is_kept_but_not_judged(last: int) -> None:
    # MIDI 1.0 p. 49 misprints what it covers, so receivers may ignore it (CA-020)
    data = CONTENTS + bytes([last])
    message = bytes.fromhex("F0 7E 7F 08 01 00") + data + b"\xf7"
    assert len(message) == 408
    assert heard("midi-tuning", message.hex()) == [Dump("tuning.dump", data)]


# MIDI 1.0 p. 48 (7 bytes); CA-020 (8 bytes)
REQUESTS = [
    ("tuning.dump", "F0 7E {} 08 00 00 F7"),
    ("tuning.dump.bank", "F0 7E {} 08 03 00 00 F7"),
]


@pytest.mark.parametrize(("key", "request_line"), REQUESTS)
def test_a_dump_is_asked_of_the_including_sheets_own_device(key: str, request_line: str) -> None:
    text = 'format = 1\ninclude = ["midi-tuning"]\n[module]\nname = "A"\ndevice_ids = ["10"]\n'
    own = Codec(check_sheet(text, name="own", library=standard.text).require())
    for asked, device in ((own, "10"), (codec("midi-tuning"), "7F")):
        block = next(b for b in asked.sheet.blocks if b.key == key)
        message = bytes.fromhex(request_line.format(device))
        assert asked.request(block) == (message,)
        assert asked.decoder().feed(message) == [Request(key)]
