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


def _decoded_any(codec: Codec, stream: bytes) -> Model:
    heard: Model = {}
    decoder = codec.decoder(lambda key, channel, note: heard.get((key, channel, note)))
    for message in Splitter().feed(stream):
        if not isinstance(message, Dropped):
            for event in decoder.feed(message.data):
                if isinstance(event, Setting):
                    heard[event.key, event.channel, event.note] = event.value
    return heard


#: Bytes that make sense more often than arbitrary ones: controllers of selection and data entry.
SELECTING = st.builds(
    lambda channel, controller, value: bytes([0xB0 | channel, controller, value]),
    st.sampled_from([0, 9]),
    st.sampled_from([99, 98, 101, 100, 6, 38, 7, 11, 43, 80, 20, 21, 22, 74]),
    st.sampled_from([0, 1, 2, 3, 5, 0x12, 0x13, 0x14, 0x15, 0x18, 0x20, 64, 122, 127]),
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
    assert _decoded_any(ours.codec, stream)[key, 3, None] == start + by


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
