"""The report of an examined song: words and JSON from one record."""

from __future__ import annotations

import json

import pytest

from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.fitting.examine import Examined, examine
from knobwright.core.song.read import read_song
from knobwright.exports.song_report import Block, note_name, song_blocks, song_json
from tests.core.song import made
from tests.wiring.survey_songs import SHEET, chord


@pytest.fixture
def examined() -> Examined:
    """Return a song that is too much for its module."""
    codec = Codec(check_sheet(SHEET).require())
    data = made.song(f"00 FF 59 02 00 FF {chord(12, program=3)}")
    return examine(read_song(data, "a.mid"), codec, thorough=True)


def blocks(examined: Examined, most: int | None = None) -> dict[str, Block]:
    found = song_blocks(examined, max_findings=most)
    return {block.heading: block for block in found}


def test_every_block_is_there(examined: Examined) -> None:
    headings = list(blocks(examined))
    assert headings[0] == "a.mid"
    assert headings[1] == "1 fault in the file"
    assert headings[2:5] == ["Parts", "On the wire", "Voices"]
    assert headings[-1] == "What to do"


def test_every_finding_has_a_next_step(examined: Examined) -> None:
    found = blocks(examined)
    steps = {row[0]: row[2] for row in found["What to do"].rows}
    assert {finding.name for finding in examined.findings} == steps.keys()
    assert all(steps.values())
    severities = [row[1] for row in found["What to do"].rows]
    assert severities == sorted(severities, reverse=True)  # trouble, then remarks


def test_the_place_is_told_once(examined: Examined) -> None:
    (heading,) = (name for name in blocks(examined) if "of them trouble" in name)
    rows = blocks(examined)[heading].rows
    assert {row[0] for row in rows if row[1] != "song-faults"} == {"1:1"}
    assert not any(row[2].startswith("bar 1") for row in rows)


def test_what_is_left_out_is_counted(examined: Examined) -> None:
    n = len(examined.findings)
    (block,) = (b for name, b in blocks(examined, 1).items() if "of them trouble" in name)
    assert len(block.rows) == 1
    assert block.lines == (f"The first 1 by time; {n - 1} more with --all.",)


def test_json_has_plain_objects_with_next_steps(examined: Examined) -> None:
    found = json.loads(json.dumps(song_json(examined)))
    assert found["faults"][0]["track"] == 1
    assert found["wire"]["link"]["baud"] == 31_250
    assert len(found["findings"]) == len(examined.findings)
    assert all(row["next"] and row["words"] for row in found["findings"])
    assert found["suggestions"][0]["after"]["peak"] <= found["suggestions"][0]["before"]["peak"]


def test_a_clean_song_is_told_in_one_sentence() -> None:
    found = song_blocks(examine(read_song(made.EXAMPLE_0, "b.mid")))
    assert found[-1] == Block("Nothing was found that stands in the way.")
    assert [row[0] for row in found[1].rows] == ["1", "2", "3"]
    assert [row[3] for row in found[1].rows] == ["E5 to E5", "G4 to G4", "C3 to C4"]


@pytest.mark.parametrize(("key", "name"), [(60, "C4"), (0, "C-1"), (127, "G9"), (61, "C#4")])
def test_keys_have_names(key: int, name: str) -> None:
    assert note_name(key) == name
