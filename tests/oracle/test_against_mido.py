"""Every message that the codec gives, read by mido: an independent encoder and decoder.

mido counts channels from 0, and a pitch bend from -8192 to 8191.
"""

from __future__ import annotations

import mido
import pytest

from tests.oracle import sheets
from tests.oracle.description import Value
from tests.oracle.pairs import pair, samples

#: key -> the mido type, and the fields it should have for value ``v``, channel ``c`` and key ``k``.
Fields = dict[str, str | int]


def _control(number: int, v: int, c: int) -> Fields:
    return {"type": "control_change", "channel": c - 1, "control": number, "value": v}


def _selected(high: int, low: int, numbers: tuple[int, int], data: list[Fields]) -> list[Fields]:
    c = int(data[0]["channel"]) + 1
    return [_control(high, numbers[0], c), _control(low, numbers[1], c), *data]


def _wanted(key: str, v: int, c: int, k: int) -> list[Fields]:
    """Return the messages that a parameter of the channel sheet should be, in mido's fields."""
    high, low = divmod(v, 128)
    rows: dict[str, list[Fields]] = {
        "level": [_control(7, v, c)],
        "level.fine": [_control(11, high, c), _control(43, low, c)],
        "pressure": [{"type": "aftertouch", "channel": c - 1, "value": v}],
        "pressure.key": [{"type": "polytouch", "channel": c - 1, "note": k, "value": v}],
        "bend": [{"type": "pitchwheel", "channel": c - 1, "pitch": v - 8192}],
        "release": [{"type": "note_off", "channel": c - 1, "note": k, "velocity": v}],
        "song": [{"type": "song_select", "song": v}],
        "position": [{"type": "songpos", "pos": v}],
        "voice": [_control(20, 0x7A, c), _control(21, 1, c), _control(22, v, c)],
        "bright": _selected(99, 98, (5, 0x12), [_control(6, v, c)]),
        "tune": _selected(
            99, 98, (5, 0x13), [_control(6, (v + 8192) // 128, c), _control(38, v % 128, c)]
        ),
        "tune.low.first": _selected(
            99, 98, (5, 0x14), [_control(6, low, c), _control(38, high, c)]
        ),
        "tune.back.to.front": _selected(
            98, 99, (0x15, 5), [_control(38, low, c), _control(6, high, c)]
        ),
        "fine": _selected(99, 98, (5, 0x17), [_control(6, high, c), _control(38, low, c)]),
        "wave": _selected(99, 98, (5, 0x16), [_control(6, v, c)]),
        "coarse": _selected(101, 100, (0, 2), [_control(6, v + 64, c)]),
        "bend.range": _selected(101, 100, (0, 0), [_control(6, v, c), _control(38, 0, c)]),
        "bend.cents": _selected(101, 100, (0, 0), [_control(6, 2, c), _control(38, v, c)]),
        "drum.pitch": _selected(99, 98, (0x18, k), [_control(6, v, 10)]),
        "drum.pan": _selected(99, 98, (0x1C, k), [_control(6, v, c)]),
        "quiet": [_control(120, 0, c)],
        "store": _selected(99, 98, (5, 0x7E), [_control(6, 0, c)]),
        "cutoff": [_control(74, v, c)],
    }
    return rows[key]


def _fields(message: mido.Message) -> Fields:
    fields: Fields = message.dict()
    del fields["time"]
    return fields


@pytest.mark.parametrize("key", list(sheets.tables("channel")))
def test_mido_reads_the_fields_that_the_line_says(key: str) -> None:
    ours = pair("channel")
    for channel in (1, 10, 16):
        for note in (0, 87, 127):
            for value in samples(ours, key, channel):
                assert isinstance(value, int)
                sent = ours.send({}, key, value, channel, note)
                read = [_fields(mido.Message.from_bytes(message)) for message in sent]
                assert read == _wanted(key, value, channel, note)


def _all(name: str) -> list[tuple[str, Value, tuple[bytes, ...]]]:
    ours = pair(name)
    return [
        (key, value, ours.send({}, key, value, channel, 60))
        for key in ours.sendable()
        for channel in ours.channels()
        for value in samples(ours, key, channel)
    ]


@pytest.mark.parametrize("name", sheets.every())
def test_mido_makes_the_same_bytes_of_every_message(name: str) -> None:
    for key, value, sent in _all(name):
        for message in sent:
            read = mido.Message.from_bytes(message)
            assert bytes(read.bytes()) == message, f"{key} = {value}"
            if read.type == "sysex":
                assert bytes(read.data) == message[1:-1]


@pytest.mark.parametrize("name", sheets.every())
def test_mido_finds_as_many_messages_in_the_stream(name: str) -> None:
    messages = [message for _, _, sent in _all(name) for message in sent]
    read = mido.parse_all(b"".join(messages))
    assert [bytes(message.bytes()) for message in read] == messages


@pytest.mark.parametrize("channel", [1, 7, 10, 16])
@pytest.mark.parametrize("number, bank", [(1, (0, 0)), (128, (121, 3)), (65, (127, 127))])
def test_mido_reads_bank_and_program(channel: int, number: int, bank: tuple[int, int]) -> None:
    sent = pair("midi-1").codec.program_bytes(number, bank, channel)
    read = [_fields(mido.Message.from_bytes(message)) for message in sent]
    assert read == [
        _control(0, bank[0], channel),
        _control(32, bank[1], channel),
        {"type": "program_change", "channel": channel - 1, "program": number - 1},
    ]
