"""Encoding and decoding are inverses, over sheets made at random: design.md, section 10."""

from __future__ import annotations

from typing import Any

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from knobwright.core.codec.events import Event, Part, Setting, Unexplained
from knobwright.core.codec.plan import Codec
from knobwright.core.codec.runs import run_length
from knobwright.core.sheet.records import Parameter, Raw
from knobwright.core.wire import Message, Splitter, shortened
from tests.core.codec.made import Made, sheets
from tests.core.codec.small import checked

_SLOW = settings(suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])

#: What is set where: key, channel or None, key number or None.
Place = tuple[str, int | None, int | None]


class Model:
    """The far end as a plain dictionary; also what the codec asks for current values."""

    def __init__(self, codec: Codec) -> None:
        self.held: dict[Place, Raw] = {}
        self.codec = codec

    def __call__(self, key: str, channel: int | None, note: int | None) -> Raw | None:
        """Return what is held; lowest of the range for a number never set."""
        parameter = self.codec.parameters[key]
        return self.held.get((key, channel, note), parameter.ranges[0][0])

    def place(self, parameter: Parameter, channel: int, note: int) -> Place:
        """Return where a setting of a parameter goes."""
        return (
            parameter.key,
            channel if "channel" in parameter.per else None,
            note if "key" in parameter.per else None,
        )


def codec_of(made: Made) -> Codec:
    found = checked(made.text, head="")
    assert found.sheet is not None, [str(fault) for fault in found.faults]
    return Codec(found.sheet)


def raws(parameter: Parameter) -> st.SearchStrategy[Raw]:
    """Return values that a parameter may have."""
    n_bytes = run_length(parameter)
    if parameter.type == "text":
        alphabet = st.characters(min_codepoint=0x20, max_codepoint=0x7E)
        return st.text(alphabet, max_size=n_bytes).map(lambda text: text.rstrip(" "))
    numbers = st.one_of([st.integers(low, high) for low, high in parameter.ranges])
    if parameter.type == "mask":
        return st.sets(st.integers(1, 7 * n_bytes)).map(lambda on: tuple(sorted(on)))
    if parameter.type == "list":
        return st.lists(numbers, min_size=n_bytes, max_size=n_bytes).map(tuple)
    return numbers


def check_bytes(messages: tuple[bytes, ...]) -> None:
    for message in messages:
        inside = message[1:-1] if message[0] == 0xF0 else message[1:]
        assert message[0] >= 0x80
        assert all(byte <= 0x7F for byte in inside), message.hex(" ")


def check_events(model: Model, events: list[Event], place: Place, value: Raw) -> None:
    """The last word on the place is the value, and nothing else has changed."""
    assert not [event for event in events if isinstance(event, Unexplained)]
    final: dict[Place, Raw] = {}
    for event in events:
        if isinstance(event, Part):
            continue
        assert isinstance(event, Setting), event
        assert event.sure, event
        final[(event.key, event.channel, event.note)] = event.value
    assert final.pop(place) == value
    for other, left in final.items():
        assert left == model(*other), other


@_SLOW
@given(sheets(), st.data())
def test_what_is_encoded_is_decoded_as_the_same(made: Made, data: Any) -> None:
    codec = codec_of(made)
    model = Model(codec)
    decoder = codec.decoder(model)
    splitter = Splitter()
    keys = st.sampled_from(sorted(codec.parameters))
    for _ in range(data.draw(st.integers(1, 8))):
        parameter = codec.parameters[data.draw(keys)]
        channel, note = data.draw(st.integers(1, 16)), data.draw(st.integers(0, 127))
        for key, raw in made.needs.get(parameter.key, {}).items():
            model.held[(key, None, None)] = raw
        value = data.draw(raws(parameter))
        place = model.place(parameter, channel, note)
        messages = codec.encode(parameter.key, value, channel, note, model)
        check_bytes(messages)
        events = [event for message in messages for event in decoder.feed(message)]
        check_events(model, events, place, value)
        model.held[place] = value

        squeezed = b"".join(shortened(messages))
        heard = [splitter.feed(bytes((byte,))) for byte in squeezed]
        records = [record for found in heard for record in found]
        assert [r.data for r in records if isinstance(r, Message)] == list(messages)
        assert len(records) == len(messages)


@_SLOW
@given(sheets(), st.lists(st.binary(max_size=12), max_size=30))
def test_any_bytes_to_the_decoder_give_events_and_never_raise(
    made: Made, chunks: list[bytes]
) -> None:
    codec = codec_of(made)
    decoder = codec.decoder()
    for chunk in chunks:
        for message in (chunk, b"\xf0\x7d\x10" + chunk + b"\xf7", b"\xb0" + chunk[:2]):
            assert decoder.feed(message, source=len(chunk) % 2)


@_SLOW
@given(sheets(), st.data())
def test_a_changed_message_is_never_taken_for_a_value_out_of_range(made: Made, data: Any) -> None:
    codec = codec_of(made)
    model = Model(codec)
    decoder = codec.decoder(model)
    parameter = codec.parameters[data.draw(st.sampled_from(sorted(codec.parameters)))]
    messages = codec.encode(parameter.key, data.draw(raws(parameter)), 3, 60, model)
    for message in messages:
        spoiled = bytearray(message)
        at = data.draw(st.integers(0, len(message) - 1))
        spoiled[at] = data.draw(st.integers(0, 255))
        events = decoder.feed(bytes(spoiled))
        assert events
        for event in events:
            if isinstance(event, Setting):
                known = codec.parameters[event.key]
                assert known.type or (isinstance(event.value, int) and known.allows(event.value))
