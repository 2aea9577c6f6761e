"""Random settings in a row: the module's memory is a plain dictionary, and the decoder agrees."""

from __future__ import annotations

from typing import NamedTuple

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from knobwright.core.codec.events import Setting
from knobwright.core.codec.plan import Codec
from knobwright.core.wire import Dropped, Splitter
from tests.oracle import sheets
from tests.oracle.description import Value
from tests.oracle.pairs import Model, Pair, pair, squeezed, strewn, swapped, values

QUICK = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
NAMES = list(sheets.every())


class Step(NamedTuple):
    """One setting: what, how much, where."""

    key: str
    value: Value
    channel: int
    note: int


def steps(ours: Pair) -> st.SearchStrategy[list[Step]]:
    """Return a strategy for settings in a row, on few channels and keys so that they meet."""
    channels = st.sampled_from(ours.channels())

    def one(key: str) -> st.SearchStrategy[Step]:
        return st.builds(
            Step, st.just(key), values(ours, key), channels, st.sampled_from([0, 60, 127])
        )

    return st.lists(st.sampled_from(ours.sendable()).flatmap(one), min_size=1, max_size=25)


def _send_all(ours: Pair, wanted: list[Step]) -> tuple[Model, tuple[bytes, ...]]:
    model: Model = {}
    messages: tuple[bytes, ...] = ()
    for step in wanted:
        messages += ours.send(model, *step)
    return model, messages


def _decoded(codec: Codec, stream: bytes, pieces: int) -> Model:
    """Return what the program's own splitter and decoder make of a stream, cut in pieces."""
    heard: Model = {}
    splitter = Splitter()
    decoder = codec.decoder(lambda key, channel, note: heard.get((key, channel, note)))
    for start in range(0, len(stream), pieces):
        for message in splitter.feed(stream[start : start + pieces]):
            if isinstance(message, Dropped):
                assert message.data in (b"\xf9", b"\xfd"), message  # undefined: dropped, and said
                continue
            for event in decoder.feed(message.data):
                if isinstance(event, Setting):
                    assert event.sure, event
                    heard[event.key, event.channel, event.note] = event.value
    return heard


@pytest.mark.parametrize("name", NAMES)
@given(data=st.data(), seed=st.integers(0, 9), swap=st.booleans(), pieces=st.integers(1, 9))
@QUICK
def test_memory_model_and_decoder_agree(
    name: str, data: st.DataObject, seed: int, swap: bool, pieces: int
) -> None:
    ours = pair(name)
    model, messages = _send_all(ours, data.draw(steps(ours)))
    stream = strewn(squeezed(swapped(messages) if swap else messages), seed)
    receiver = ours.receiver()
    for start in range(0, len(stream), pieces):
        receiver.receive(stream[start : start + pieces])
    assert receiver.memory == model
    assert _decoded(ours.codec, stream, pieces) == model


@pytest.mark.parametrize("name", ["channel", "exclusive", "sums", "midi-1"])
@given(data=st.data(), noise=st.binary(max_size=60))
@QUICK
def test_after_any_bytes_a_setting_still_arrives(
    name: str, data: st.DataObject, noise: bytes
) -> None:
    """Whatever came before, what is sent with full status and its selection is heard."""
    ours = pair(name)
    receiver = ours.receiver()
    receiver.receive(noise)
    for step in data.draw(steps(ours)):
        model: Model = {}
        receiver.receive(b"".join(ours.send(model, *step)))
        assert model.items() <= receiver.memory.items()


@pytest.mark.parametrize("name", NAMES)
@given(stream=st.binary(max_size=120))
@QUICK
def test_any_bytes_mean_the_same_to_both(name: str, stream: bytes) -> None:
    """Arbitrary bytes, most of them nonsense: receiver and decoder take the same from them."""
    ours = pair(name)
    receiver = ours.receiver()
    receiver.receive(stream)
    heard = _decoded_any(ours.codec, stream)
    assert receiver.memory == heard


def _decoded_any(codec: Codec, stream: bytes, *, look_up: bool = True) -> Model:
    """Return what the decoder takes from any bytes; it may ask for values or must remember them."""
    heard: Model = {}
    decoder = codec.decoder()
    if look_up:
        decoder = codec.decoder(lambda key, channel, note: heard.get((key, channel, note)))
    for message in Splitter().feed(stream):
        if not isinstance(message, Dropped):
            if message.data == b"\xff":
                heard.clear()  # System Reset: as at power-up, when nothing is known
            for event in decoder.feed(message.data):
                if isinstance(event, Setting):
                    heard[event.key, event.channel, event.note] = event.value
    return heard


#: Controllers of selection and data entry, with values that some of our sheets know.
KNOWN = {
    99: [5, 5, 5, 0x18, 0x1C],
    98: [0x12, 0x13, 0x14, 0x15, 0x17, 0x20, 0x7E],
    101: [0, 0, 0, 127],
    100: [0, 1, 2, 5, 127],
    6: [0, 1, 5, 12, 40, 64, 127],
    38: [0, 1, 50, 99, 127],
    96: [0, 127],
    97: [0, 127],
    7: [0, 127],
    11: [3, 100],
    43: [0, 77],
    80: [64],
    20: [0x7A, 1],
    21: [1, 2],
    22: [9],
    74: [11],
}
SELECTING = st.sampled_from(
    [
        bytes([0xB0 | channel, controller, value])
        for channel in (0, 0, 9)
        for controller, values_of in KNOWN.items()
        for value in values_of
    ]
)


@pytest.mark.parametrize("name", ["channel", "midi-1", "general-midi-2"])
@given(messages=st.lists(SELECTING, max_size=60))
@QUICK
def test_any_order_of_selectors_and_data_means_the_same_to_both(
    name: str, messages: list[bytes]
) -> None:
    ours = pair(name)
    receiver = ours.receiver()
    stream = squeezed(tuple(messages))
    receiver.receive(stream)
    assert receiver.memory == _decoded_any(ours.codec, stream)
    assert receiver.memory == _decoded_any(ours.codec, stream, look_up=False)


@pytest.mark.parametrize("controller, by", [(0x60, 1), (0x61, -1)])
@pytest.mark.parametrize(
    "selectors, key, start",
    [
        # RP-018: registered 0 and 1 step the low half, 2 the high half; a maker's own as it says
        ("B2 65 00 | B2 64 00 | B2 06 0C | B2 26 32", "bend.cents", 50),
        ("B2 65 00 | B2 64 02 | B2 06 41", "coarse", 1),
        ("B2 63 05 | B2 62 13 | B2 06 40 | B2 26 05", "tune", 5),
        ("B2 62 20 | B2 63 05 | B2 06 40", "cutoff", 64),
    ],
)
def test_an_increment_is_one_step(
    selectors: str, key: str, start: int, controller: int, by: int
) -> None:
    ours = pair("channel")
    stream = bytes.fromhex(selectors.replace("|", "")) + bytes([0xB2, controller, 0x55])
    receiver = ours.receiver()
    receiver.receive(stream)
    assert receiver.value(key, 3) == start + by
    for look_up in (True, False):
        assert _decoded_any(ours.codec, stream, look_up=look_up)[key, 3, None] == start + by


@pytest.mark.parametrize(
    "stream, key, value",
    [
        # low part first: 06 is no high half, so nothing clears 26; only the low half is known
        ("B0 63 05 | B0 62 14 | B0 06 11 | B0 60 00", "tune.low.first", None),
        # 10 05 low first is 5 * 128 + 16 = 656; then the low half 11: 657, and one step up
        ("B0 63 05 | B0 62 14 | B0 06 10 | B0 26 05 | B0 06 11 | B0 60 00", "tune.low.first", 658),
        # high part first: 11 clears the low half (4.2.1, p. 12), so 17 * 128 + 1
        ("B0 63 05 | B0 62 17 | B0 06 10 | B0 26 05 | B0 06 11 | B0 60 00", "fine", 2177),
        # 7F is outside 0 to 99 and not taken, so there is nothing to step from
        ("B0 65 00 | B0 64 00 | B0 26 7F | B0 60 00", "bend.cents", None),
    ],
)
def test_a_step_starts_from_what_is_known(stream: str, key: str, value: int | None) -> None:
    ours = pair("channel")
    data = bytes.fromhex(stream.replace("|", ""))
    receiver = ours.receiver()
    receiver.receive(data)
    assert receiver.value(key, 1) == value
    for look_up in (True, False):
        assert _decoded_any(ours.codec, data, look_up=look_up).get((key, 1, None)) == value


def test_decoding_does_not_need_a_look_up_for_what_it_has_decoded_itself() -> None:
    """A condition that came in the same stream is known."""
    ours = pair("exclusive")
    decoder = ours.codec.decoder()
    for text, key in (("01", "time.long"), ("00", "time.short")):
        decoder.feed(bytes.fromhex(f"F0 7D 10 1A {text} F7"))
        (event,) = decoder.feed(bytes.fromhex("F0 7D 10 1B 05 F7"))
        assert isinstance(event, Setting)
        assert (event.key, event.value, event.sure) == (key, 5, True)


MIXED = """
format = 1
[module]
name = "Invented"
device_ids = ["10"]
[[parameter]]
key = "mixed"
per = ["channel"]
line = ["Bn 50 01", "F0 7D id 03 0n vv F7"]
"""


def test_a_sequence_of_a_controller_and_an_exclusive_is_heard_and_decoded() -> None:
    ours = Pair(MIXED, "mixed")
    messages = ours.codec.encode("mixed", 12, channel=2)
    # n is 1: controller on channel 2, then 0n = 01 and vv = 0C
    assert b"".join(messages) == bytes.fromhex("B1 50 01 F0 7D 10 03 01 0C F7")
    receiver = ours.receiver()
    receiver.receive(b"".join(messages))
    assert receiver.memory == {("mixed", 2, None): 12}
    assert _decoded_any(ours.codec, b"".join(messages)) == {("mixed", 2, None): 12}
