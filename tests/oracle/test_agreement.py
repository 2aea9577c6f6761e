"""What the codec sends is what a receiver hears that was written without it.

Every parameter of every sheet there is; lowest, highest and other values; several channels and
keys; and the same messages on the wire in every way that MIDI 1.0 allows.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from tests.oracle import sheets
from tests.oracle.description import Value
from tests.oracle.pairs import Model, Pair, pair, samples, squeezed, strewn, swapped
from tests.oracle.receiver import Receiver

#: How the same messages may look on the wire.
WIRES: dict[str, Callable[[tuple[bytes, ...]], bytes]] = {
    "full status": b"".join,
    "running status": squeezed,
    "real-time strewn in": lambda messages: strewn(b"".join(messages), 1),
    "both": lambda messages: strewn(squeezed(messages), 2),
    "selectors swapped": lambda messages: b"".join(swapped(messages)),
}

EVERY = [(name, key) for name in sheets.every() for key in sheets.tables(name)]
EVERY_ID = [f"{name}-{key}" for name, key in EVERY]


def _places(ours: Pair, key: str) -> list[tuple[int, int]]:
    """Return the channels and keys to try a parameter on."""
    per = ours.parameter(key).per
    channels = ours.channels() if "channel" in per else [1]
    notes = [0, 60, 127] if "key" in per else [60]
    return [(channel, note) for channel in channels for note in notes]


def _hear(receiver: Receiver, model: Model, stream: bytes, what: str) -> None:
    receiver.receive(stream)
    assert receiver.memory == model, f"{what}: {stream.hex(' ')}"


@pytest.mark.parametrize("name, key", EVERY, ids=EVERY_ID)
def test_the_value_sent_is_the_value_heard_and_nothing_else_changes(name: str, key: str) -> None:
    ours = pair(name)
    if ours.codec.blocked(key):
        assert key not in ours.sendable()
        return
    receivers = {wire: ours.receiver() for wire in WIRES}
    model: Model = {}
    for channel, note in _places(ours, key):
        for value in samples(ours, key, seed=channel):
            messages = ours.send(model, key, value, channel, note)
            for wire, receiver in receivers.items():
                what = f"{key} = {value} on {channel}, key {note}, {wire}"
                _hear(receiver, model, WIRES[wire](messages), what)


def _is_channel_only(ours: Pair, key: str) -> bool:
    value = samples(ours, key, seed=0)[0]
    return all(m[0] < 0xF0 for m in ours.send({}, key, value, 1, 60))


CHANNEL_ONLY = [
    (name, key)
    for name in sheets.every()
    for key, table in sheets.tables(name).items()
    if "channel" in table.get("per", []) and "F0" not in str(table["line"])
]


@pytest.mark.parametrize("name, key", CHANNEL_ONLY, ids=[f"{n}-{k}" for n, k in CHANNEL_ONLY])
def test_two_channels_may_be_interleaved_message_by_message(name: str, key: str) -> None:
    ours = pair(name)
    assert _is_channel_only(ours, key)
    low, *_, high = ours.channels()
    first, *_, second = samples(ours, key, seed=7) * 2
    receiver = ours.receiver()
    model: Model = {}
    here = ours.send(model, key, first, low, 36)
    there = ours.send(model, key, second, high, 37)
    both = tuple(m for two in zip(here, there, strict=True) for m in two)
    _hear(receiver, model, squeezed(both), f"{key}: {first} on {low}, {second} on {high}")


@pytest.mark.parametrize("name", sheets.every())
def test_everything_after_everything_else(name: str) -> None:
    """One long stream over all parameters, with running status across them."""
    ours = pair(name)
    model: Model = {}
    messages: tuple[bytes, ...] = ()
    for turn in range(2):
        for key in ours.sendable():
            for channel, note in _places(ours, key)[: 2 + turn]:
                messages += ours.send(model, key, samples(ours, key, turn)[-1], channel, note)
    _hear(ours.receiver(), model, strewn(squeezed(messages), 3), name)


@pytest.mark.parametrize("name", sheets.every())
def test_a_wrong_checksum_sets_nothing(name: str) -> None:
    ours = pair(name)
    with_sum = [key for key, table in sheets.tables(name).items() if " cs " in str(table["line"])]
    for key in with_sum:
        for value in samples(ours, key, 5):
            (message,) = ours.send({}, key, value, 1, 60)
            for wrong in range(1, 128, 18):
                spoilt = bytearray(message)
                spoilt[-2] = (spoilt[-2] + wrong) % 128
                receiver = ours.receiver()
                receiver.receive(bytes(spoilt))
                assert receiver.memory == {}, spoilt.hex(" ")


def test_another_device_hears_nothing() -> None:
    ours = pair("exclusive")
    stranger = Receiver(ours.text.replace('["10", "23"]', '["3F"]'))
    heard: set[str] = set()
    for key in ours.sendable():
        stranger.memory.clear()
        stranger.receive(b"".join(ours.send({}, key, samples(ours, key, 1)[-1], 2, 60)))
        heard |= {place[0] for place in stranger.memory}
    assert heard == {"all.call"}


DUMPED: list[tuple[str, bytes, dict[str, Value]]] = [
    # block, unpacked bytes, values that stand in it
    ("sevens", bytes([1, 2, 3, 0x55, 5, 6, 7, 0x7F]), {"a": 0x55}),
    # b: bits 5-0 of byte 8 (3F = 111111), then byte 2 (FE): 3FFE in 14 bits, twos: -2
    ("packed", bytes([0x80, 1, 0xFE, 3, 4, 5, 6, 7, 0xFF, 9]), {"b": -2}),
    # c: bits 6-4 of 5A (0101 1010): 101 is 5
    ("halves", bytes([0xF0, 1, 2, 3, 4, 0x5A]), {"c": 5}),
    # d: 9C is 156, less 128
    ("halves.low.first", bytes([0x9C, 1, 2, 3, 4, 0xFF]), {"d": 28}),
]


@pytest.mark.parametrize("key, data, values", DUMPED, ids=[row[0] for row in DUMPED])
def test_a_dump_carries_its_bytes_and_values(
    key: str, data: bytes, values: dict[str, Value]
) -> None:
    ours = pair("dumps")
    block = next(b for b in ours.codec.sheet.blocks if b.key == key)
    receiver = ours.receiver()
    receiver.receive(b"".join(ours.codec.dump(block, data, channel=3)))
    assert receiver.dumps == {key: data}
    assert {place[0]: value for place, value in receiver.memory.items()} == values


@pytest.mark.parametrize("name", ["channel", "midi-1", "general-midi-1", "general-midi-2"])
@pytest.mark.parametrize("channel", [1, 10, 16])
def test_a_program_arrives_with_its_bank(name: str, channel: int) -> None:
    ours = pair(name)
    receiver = ours.receiver()
    banks = [(0, 0)] if name == "general-midi-1" else [(0, 0), (121, 3), (0, 127), (127, 0)]
    for bank in banks:
        for number in (1, 64, 128):
            receiver.receive(squeezed(ours.codec.program_bytes(number, bank, channel)))
            assert receiver.programs == {channel: (number, bank)}
