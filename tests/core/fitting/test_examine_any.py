"""Whatever the bytes of a track are: a record comes out, and a row that a table can hold."""

from __future__ import annotations

import msgspec
from hypothesis import given
from hypothesis import strategies as st

from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.fitting.examine import Options, examine
from knobwright.core.fitting.row import SurveyRow
from knobwright.core.fitting.survey import row_of
from knobwright.core.song.read import read_song
from knobwright.exports.song_report import song_blocks, song_json
from knobwright.exports.survey_csv import read_csv, write_csv
from knobwright.exports.survey_lines import read_lines, write_lines
from tests.core.song import made
from tests.wiring.survey_songs import SHEET

CODEC = Codec(check_sheet(SHEET).require())

_DATA = st.integers(0, 127)
#: Bytes that are likelier to mean something than any byte: delta times and whole messages.
_EVENT = st.one_of(
    st.tuples(_DATA, st.sampled_from((0x90, 0x80, 0xB0, 0xE3)), _DATA, _DATA),
    st.tuples(_DATA, st.sampled_from((0xC0, 0xC9, 0xD1)), _DATA),
    st.sampled_from(
        tuple(
            bytes.fromhex(text)
            for text in (
                "00FF5103000001", "00FF5103FFFFFF", "00FF580407020808", "00FF580400FF0000",
                "00FF2F00", "00F0057D100102F7", "00F0037D10", "00F70201F7", "FFFFFF7F903C40",
                "00B04040", "00B04000", "00B07B00", "00B07E01", "00FF210105", "00FF0304411B5B6D",
            )
        )
    ),
    st.binary(max_size=4),
)  # fmt: skip
_TRACK = st.lists(_EVENT.map(bytes), max_size=30).map(b"".join)


@given(
    st.lists(_TRACK, min_size=1, max_size=3),
    st.sampled_from((0, 1, 2, 7)),
    st.sampled_from((0, 1, 96, 0x7FFF, 0x8000, 0xE728, 0xE200, 0xFFFF)),
    st.booleans(),
)
def test_any_song_is_examined(
    tracks: list[bytes], song_format: int, division: int, with_sheet: bool
) -> None:
    data = made.head(len(tracks), song_format=song_format, division=division)
    data += b"".join(made.track(content.hex()) for content in tracks)
    codec = CODEC if with_sheet else None
    found = examine(read_song(data, "a.mid"), codec, Options(voices=3), thorough=True)
    assert found.trouble or found.wire is not None
    row = row_of(found, "a.mid", 1, 2, "1", "s")
    assert read_csv(write_csv([row])) == read_lines(write_lines([row])) == [row]
    assert msgspec.msgpack.decode(msgspec.msgpack.encode(row), type=SurveyRow) == row
    told = [text for block in song_blocks(found) for text in (block.heading, *block.lines)]
    assert all(text.isprintable() for text in told)
    assert msgspec.json.encode(song_json(found))
