"""Songs with broken bytes are prepared or refused with a sentence, and stay the same music."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from knobwright.core.errors import KnobwrightError
from knobwright.core.fitting.mapping import Mapping, ProgramRow
from knobwright.core.fitting.parts import read_parts
from knobwright.core.fitting.prepare import Order, prepare
from knobwright.core.fitting.programs import Choice
from knobwright.core.song.read import read_song
from knobwright.core.timing.wire import Link
from tests.core.fitting.made import general_midi, larkfield
from tests.core.song import made

SEEDS = (
    made.EXAMPLE_0,
    made.EXAMPLE_1,
    made.song(
        "00 F0 05 7E 7F 09 01 F7 00 FF 51 03 07 A1 20 00 B0 65 00 00 64 00 00 06 0C 00 C0 05"
        " 10 90 3C 40 10 F0 02 7D 01 00 F7 02 02 F7 10 F7 03 B0 07 40 10 99 39 40 10 E0 00 50"
        " 10 80 3C 40 00 FF 2F 00",
        "00 FF 58 04 03 02 18 08 00 91 40 40 00 B1 07 10 60 81 40 00 00 FF 2F 00",
    ),
    made.song(
        "00 90 3C 40 10 3C 00 00 FF 2F 00", "00 C1 02 00 91 3C 40 00 FF 2F 00", song_format=2
    ),
)
MAPPING = Mapping((ProgramRow(6, None, Choice(16, (1, 0))),), {57: 49})


@st.composite
def broken_songs(draw: st.DrawFn) -> bytes:
    """Return a song with some bytes changed, taken out or put in, the header's letters kept."""
    data = bytearray(draw(st.sampled_from(SEEDS)))
    for _ in range(draw(st.integers(0, 6))):
        at = draw(st.integers(8, len(data) - 1))
        match draw(st.integers(0, 2)):
            case 0:
                data[at] = draw(st.integers(0, 255))
            case 1:
                data.insert(at, draw(st.sampled_from((0x00, 0xF0, 0xF7, 0xFF, 0x90, 0x7F, 0xC0))))
            case _:
                del data[at]
    return bytes(data)


@settings(max_examples=150, deadline=None)
@given(
    broken_songs(), st.booleans(), st.booleans(), st.sampled_from((0, 100_000_000)),
    st.sampled_from((Mapping(), MAPPING)),
)  # fmt: skip
def test_a_broken_song_is_prepared_or_refused_in_words(
    data: bytes, moves: bool, drops: bool, from_ns: int, mapping: Mapping
) -> None:
    link = Link(gap_ns=20_000_000)
    order = Order(link, mapping=mapping, from_ns=from_ns, moves_start=moves, drops_repeats=drops)
    try:
        song = read_song(data)
        read_parts(song, larkfield(), standard=general_midi())
        done = prepare(song, larkfield(), general_midi(), order)
    except KnobwrightError as error:
        refusal = error.message
    else:
        refusal = ""
        assert read_song(done.data).n_faults <= song.n_faults
    assert "would not be the same music" not in refusal
