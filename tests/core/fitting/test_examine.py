"""A song examined as a whole: everything in one record, each finding with its place."""

from __future__ import annotations

import msgspec
import pytest

from knobwright.core.codec.check import check_sheet
from knobwright.core.codec.plan import Codec
from knobwright.core.errors import InputError
from knobwright.core.fitting.examine import Examined, Options, examine
from knobwright.core.fitting.row import SurveyRow
from knobwright.core.fitting.survey import row_of, troubled
from knobwright.core.song.read import read_song
from knobwright.core.timing.findings import FINDINGS
from tests.core.song import made
from tests.wiring.survey_songs import SHEET, chord

BYTE_NS = 320_000  # at 31 250 baud (MIDI 1.0 Detailed Specification 4.2.1, p. 1)


@pytest.fixture(scope="module")
def codec() -> Codec:
    """Return the codec of a module with 4 voices and one program of 2 voices."""
    return Codec(check_sheet(SHEET).require())


def look(data: bytes, codec: Codec | None = None, **options: object) -> Examined:
    return examine(read_song(data, "a.mid"), codec, Options(**options))  # type: ignore[arg-type]


def names(examined: Examined) -> list[str]:
    return [finding.name for finding in examined.findings]


@pytest.mark.parametrize(("data", "running_bytes"), [(made.EXAMPLE_0, 28), (made.EXAMPLE_1, 27)])
def test_the_examples_of_the_standard(data: bytes, running_bytes: int) -> None:
    """RP-001's two files: 4 notes, 2 s, 4 held at most, 30 bytes full, 28 and 27 running."""
    found = look(data)
    assert found.wire is not None
    assert found.voices is not None
    assert (found.wire.n_bytes, found.wire.n_messages) == (30, 11)
    assert (found.voices.n_notes, found.voices.held, found.voices.peak) == (4, 4, 4)
    assert found.length_ns == 2_000_000_000
    assert sorted(part.channel for part in found.parts if part.n_notes) == [1, 2, 3]
    assert (found.findings, found.trouble, found.has_trouble) == ((), "", False)
    running = look(data, running_status=True)
    assert running.wire is not None
    assert running.wire.n_bytes == running_bytes


def test_worst_wait_has_its_place_and_what_running_status_makes_of_it() -> None:
    # A bar of silence, then 10 notes: the last one ends 30 bytes later, 21 with running status
    # (27 status bytes fewer would need 10; the standard's count of a chord is 9.60 and 6.72 ms).
    notes = " ".join(f"00 90 {40 + i:02X} 40" for i in range(1, 10))
    found = look(made.song(f"83 00 90 28 40 {notes} {made.END}"))
    assert found.worst is not None
    assert (found.worst.wait_ns, found.worst.wait_running_ns) == (30 * BYTE_NS, 21 * BYTE_NS)
    assert (found.worst.bar, found.worst.beat, found.worst.tick) == (2, 1.0, 384)


def test_all_kinds_of_findings_are_put_together_in_order(codec: Codec) -> None:
    data = made.song(
        f"00 FF 59 02 00 FF 00 F0 05 7D 10 01 02 F7 83 00 B0 14 10 {chord(12, program=7)}"
    )
    found = look(data, codec)
    there = names(found)
    for name in (
        "song-faults", "song-exclusive-foreign", "part-controller-unknown",
        "part-program-missing", "wire-notes", "voices-short",
    ):  # fmt: skip
        assert name in there, name
    assert there[0] == "song-faults"  # about the whole song: before all others
    times = [finding.at_ns for finding in found.findings[1:]]
    assert None not in times
    assert times == sorted(times, key=lambda at_ns: at_ns or 0)
    for finding in found.findings[1:]:
        assert finding.bar in (1, 2)
        assert finding.name in FINDINGS
    assert found.has_trouble


def test_exclusive_of_strangers_is_counted_once_for_equal_messages(codec: Codec) -> None:
    one = "00 F0 05 7D 10 01 02 F7 "
    gm_on = "00 F0 05 7E 7F 09 01 F7 "
    found = look(made.song(gm_on + one * 3 + chord(1)), codec)
    (row,) = found.foreign
    assert (row.n, row.n_bytes, row.first) == (3, 6, "F0 7D 10 01 02 F7")
    assert found.n_exclusive == 4  # General MIDI on is harmless, and counted all the same
    assert look(made.song(one + chord(1)), codec, allow=("F0 7D 10",)).foreign == ()
    assert look(made.song(one + chord(1))).foreign == ()


def test_a_song_without_times_still_has_its_faults_and_tracks() -> None:
    found = look(made.song(f"00 FF 03 01 41 {chord(2)}", division=0))
    assert (found.wire, found.worst, found.voices, found.parts) == (None, None, None, ())
    assert found.tracks == ("A",)
    assert "0 ticks" in found.trouble
    assert names(found) == ["song-times-unknown", "song-faults"]
    assert found.has_trouble


def test_a_song_without_notes_says_so() -> None:
    assert names(look(made.song(made.END))) == ["song-no-notes"]


def test_several_cables_are_told() -> None:
    tracks = [f"00 FF 21 01 {port:02X} {chord(1)}" for port in (0, 1)]
    assert "song-several-ports" in names(look(made.song(*tracks)))


def test_voices_come_from_the_sheet_before_the_option(codec: Codec) -> None:
    with_sheet, without = look(made.song(chord(3)), codec, voices=99), look(made.song(chord(3)))
    assert with_sheet.voices is not None
    assert without.voices is not None
    assert (with_sheet.voices.limit, with_sheet.voices.peak) == (4, 6)
    assert (without.voices.limit, without.voices.peak) == (0, 3)
    other = look(made.song(chord(3)), None, voices=2)
    assert other.voices is not None
    assert other.voices.n_cut == 1


def test_rests_come_from_the_sheet_unless_said(codec: Codec) -> None:
    data = made.song("00 F0 05 7E 7F 09 01 F7 " * 2 + chord(1))
    found = look(data, codec)
    assert found.wire is not None
    assert found.wire.link.gap_ns == 20_000_000
    none = look(data, codec, gap_ms=0)
    assert none.worst is not None
    assert found.worst is not None
    assert found.worst.wait_ns - none.worst.wait_ns == 20_000_000


def test_suggestions_are_made_only_when_wanted(codec: Codec) -> None:
    song = read_song(made.song(chord(12)))
    assert examine(song, codec).suggestions == ()
    wanted = examine(song, codec, thorough=True)
    assert wanted.suggestions
    assert all(one.after.n_cut <= one.before.n_cut for one in wanted.suggestions)


def test_over_the_bridge_notes_go_before_a_set_up_of_other_channels() -> None:
    """20 controllers of other channels stand before a note: 60 bytes that it need not wait for."""
    controls = " ".join(f"00 B{1 + i % 15:X} {12 + i:02X} 40" for i in range(20))
    song = read_song(made.song(f"{controls} {chord(1)}"))
    found = examine(song, thorough=True)
    assert found.bridge is not None
    # First the message that is on the line already, then program change and note: 2 + 3 bytes.
    assert found.bridge.plain_finish.worst_ns == 65 * BYTE_NS
    assert found.bridge.finish.worst_ns == 8 * BYTE_NS
    assert examine(song).bridge is None


@pytest.mark.parametrize("options", [
    {"baud": -1}, {"gap_ms": -1}, {"gap_holds": "nothing"}, {"rule": "loudest"}, {"allow": ("F0",)},
])  # fmt: skip
def test_options_out_of_range_are_refused(options: dict[str, object]) -> None:
    with pytest.raises(InputError):
        look(made.song(chord(1)), None, **options)


def test_the_record_can_be_written_as_json(codec: Codec) -> None:
    found = look(made.song(chord(12)), codec)
    assert b'"voices-short"' in msgspec.json.encode(found)


# -- the row of a survey ---------------------------------------------------------------------------


def row(examined: Examined) -> SurveyRow:
    return row_of(examined, "a.mid", 10, 20, "1", "s")


def test_a_row_holds_the_figures(codec: Codec) -> None:
    found = row(look(made.song(f"00 FF 03 04 {b'Name'.hex()} {chord(12, program=5)}"), codec))
    assert (found.path, found.title, found.trouble) == ("a.mid", "Name", "")
    assert (found.n_notes, found.n_bytes, found.n_messages) == (12, 74, 25)
    assert found.worst_wait_ms == 38 * 0.32
    assert (found.n_parts, found.channels, found.programs) == (1, "1", "1:6")
    assert (found.n_programs_missing, found.most_voices, found.module_voices) == (1, 12, 4)
    assert found.n_cut is not None
    assert found.n_cut > 0
    assert "voices-short" in found.findings.split()
    assert found.n_findings is not None
    assert found.n_findings >= len(found.findings.split())


def test_what_no_sheet_says_is_unknown_and_not_zero() -> None:
    found = row(look(made.song(chord(2))))
    for name in ("module_voices", "n_cut", "n_programs_missing", "n_controllers_unknown"):
        assert getattr(found, name) is None, name


def test_a_row_without_times_keeps_what_is_known() -> None:
    found = row(look(made.song(chord(2), division=0)))
    assert "0 ticks" in found.trouble
    assert (found.format, found.n_tracks, found.n_faults) == (0, 1, 1)
    assert (found.length_s, found.n_notes, found.n_cut) == (None, None, None)


def test_long_and_odd_texts_are_cut_and_made_harmless() -> None:
    found = troubled("a.mid", 1, 2, "1", "s", "\x1b" + "x" * 1000)
    assert found.trouble.startswith("\\x1bxxx")
    assert len(found.trouble) == 300
