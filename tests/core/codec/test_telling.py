"""A stream told in words: the same however it is cut, with names where there is a sheet."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from knobwright.adapters.files.sheets import load
from knobwright.core.codec.plan import Codec
from knobwright.core.codec.telling import Telling, Told

GM2 = Codec(load("general-midi-2").require())


def told(data: bytes, codec: Codec | None = None) -> list[Told]:
    telling = Telling(codec)
    return [*telling.feed(data), *telling.end()]


def test_without_a_sheet_the_words_are_those_of_the_standard() -> None:
    # MIDI 1.0 Detailed Specification 4.2.1, tables 2 and 3: 7 is channel volume.
    (one,) = told(bytes.fromhex("B0 07 64"))
    assert "volume" in one.words
    assert not one.sets


def test_with_a_sheet_a_split_parameter_is_named_when_it_is_complete() -> None:
    # RPN 0, 0 is pitch bend sensitivity (the same document, table 3a).
    rows = told(bytes.fromhex("B0 65 00 64 00 06 0C"), GM2)
    assert [bool(row.sets) for row in rows].count(True) >= 1
    assert any("12" in text and "channel 1" in text for text in rows[-1].sets)


def test_bytes_without_a_status_are_told_and_not_fine() -> None:
    (one,) = told(b"\x3c\x40")
    assert one.data == b"\x3c\x40"
    assert not one.is_fine
    assert one.words.startswith("dropped")


def test_what_the_sheet_does_not_explain_is_not_fine() -> None:
    (one,) = told(bytes.fromhex("F0 7D 01 02 03 F7"), GM2)
    assert not one.is_fine


def test_a_message_that_never_ends_is_told_at_the_end() -> None:
    telling = Telling()
    assert telling.feed(b"\xf0\x7d\x01") == []
    (rest,) = telling.end()
    assert rest.data == b"\xf0\x7d\x01"
    assert not rest.is_fine


@given(data=st.binary(max_size=60), cut=st.integers(0, 60))
def test_every_byte_is_told_however_the_stream_is_cut(data: bytes, cut: int) -> None:
    telling = Telling(GM2)
    rows = [*telling.feed(data[:cut], 1), *telling.feed(data[cut:], 2), *telling.end()]
    plain = [row for row in told(data, GM2) if row.is_fine]
    assert [(r.data, r.words, r.sets) for r in rows if r.is_fine] == [
        (r.data, r.words, r.sets) for r in plain
    ]
    assert all(row.at_ns in (0, 1, 2) for row in rows)
