"""Songs that a set-up bar or a player could change without a word: what must stay, and be said."""

from __future__ import annotations

import io
from pathlib import Path

import mido
import pytest

from knobwright.cli.commands import COMMANDS, CommandRow
from tests.cli.conftest import Command
from tests.core.song import made
from tests.instruments.command import running

NOTES = "00 C0 00 00 90 3C 40 60 80 3C 40 00 90 3E 40 60 80 3E 40 00 90 40 40 60 80 40 40"
#: A module with one parameter of its own, set by channel messages on channel 16.
WIDE = """
format = 1
[module]
name = "Wide"
maker_id = "7D"
channels = "1-16"
[programs]
line = "Cn pp"
first = 1
[[parameter]]
key = "hall.time"
label = "Hall time"
line = "BF 63 05 62 06 06 vv"
range = [0, 127]
default = 64
"""


@pytest.fixture(autouse=True)
def row(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make sure that the commands can be called."""
    for name in ("prepare", "song"):
        monkeypatch.setitem(COMMANDS, name, CommandRow(name, name, "As in the program."))


def prepared(
    knobwright: Command, folder: Path, data: bytes, *options: str
) -> list[tuple[int, bytes]]:
    """Return tick and bytes of all channel messages of a prepared song, in playing order."""
    sheet, song, out = folder / "wide.sheet.toml", folder / "song.mid", folder / "out.mid"
    sheet.write_text(WIDE)
    song.write_bytes(data)
    ran = knobwright("prepare", "--sheet", sheet, "-o", out, *options, song)
    assert ran.status == 0, ran.err
    file = mido.MidiFile(file=io.BytesIO(out.read_bytes()))
    found = []
    for number, track in enumerate(file.tracks):
        tick = 0
        for message in track:
            tick += message.time
            if not message.is_meta and message.type != "sysex":
                found.append((tick, number, bytes(message.bytes())))
    return [(tick, data) for tick, _, data in sorted(found, key=lambda row: row[:2])]


def _data_entries(found: list[tuple[int, bytes]], status: int) -> list[tuple[int, int]]:
    """Return tick, in beats from the first note, and value of the data entries of a channel."""
    start = next(tick for tick, data in found if data[0] & 0xF0 == 0x90)
    return [((tick - start) // 96, data[2]) for tick, data in found
            if data[0] == status and data[1] == 6]  # fmt: skip


def test_what_a_channel_without_notes_does_during_the_song_stays_where_it_is(
    knobwright: Command, tmp_path: Path
) -> None:
    """Its last value alone, sent in the bar, would be heard from the first note on."""
    moves = "00 BF 63 05 00 BF 62 06 00 BF 06 10 60 BF 06 20 60 BF 06 40"
    data = made.song(f"{NOTES} {made.END}", f"{moves} {made.END}")
    found = _data_entries(prepared(knobwright, tmp_path, data), 0xBF)
    # The first one comes with the first note, in the track behind it; none is in the bar after 16.
    assert [row for row in found if row[0] >= 0][-2:] == [(1, 0x20), (2, 0x40)]
    assert {value for beat, value in found if beat <= 0} == {0x10}


def test_what_the_sheet_has_for_the_whole_module_stays_behind_the_first_note(
    knobwright: Command, tmp_path: Path
) -> None:
    """Channel 16 plays only later, but others sound already when it sets the hall."""
    moves = "00 BF 63 05 00 BF 62 06 60 BF 06 20 60 9F 3C 40 60 8F 3C 40"
    data = made.song(f"{NOTES} {made.END}", f"{moves} {made.END}")
    assert _data_entries(prepared(knobwright, tmp_path, data), 0xBF) == [(1, 0x20)]


def test_a_non_registered_parameter_that_nobody_explains_stays_behind_the_first_note(
    knobwright: Command, tmp_path: Path
) -> None:
    moves = "00 B1 63 01 00 B1 62 08 60 B1 06 20 60 91 3C 40 60 81 3C 40"
    data = made.song(f"{NOTES} {made.END}", f"{moves} {made.END}")
    assert _data_entries(prepared(knobwright, tmp_path, data), 0xB1) == [(1, 0x20)]


def test_a_part_that_comes_in_later_is_still_set_up_in_the_bar(
    knobwright: Command, tmp_path: Path
) -> None:
    moves = "60 C1 05 00 B1 07 50 00 B1 65 00 00 B1 64 00 00 B1 06 0C 60 91 3C 40 60 81 3C 40"
    data = made.song(f"{NOTES} {made.END}", f"{moves} {made.END}")
    found = prepared(knobwright, tmp_path, data)
    start = next(tick for tick, message in found if message[0] == 0x90)
    early = {message for tick, message in found if tick < start}
    assert {b"\xc1\x05", b"\xb1\x07\x50", b"\xb1\x06\x0c"} <= early


def test_a_song_of_settings_alone_keeps_them_in_their_places(
    knobwright: Command, tmp_path: Path
) -> None:
    data = made.song(f"00 B0 07 10 60 B0 07 20 60 B0 07 30 {made.END}")
    found = prepared(knobwright, tmp_path, data)
    values = [(tick, message[2]) for tick, message in found if message[:2] == b"\xb0\x07"]
    assert [value for _, value in values] == [0x10, 0x20, 0x30]
    assert values[2][0] - values[1][0] == 96  # as the song has it


def _set_by(found: list[tuple[int, bytes]], status: int) -> list[tuple[bool, int, int, int]]:
    """Return what data entries behind the first note set: is it NRPN, high, low, value.

    MIDI 1.0 Detailed Specification 4.2.1, pages 17 and 18: a selection keeps until another one
    comes, each half by itself; RP-015: Reset All Controllers makes it null.
    """
    half: dict[int, int] = {}
    is_nrpn = None
    out = []
    start = next(tick for tick, data in found if data[0] & 0xF0 == 0x90)
    for tick, data in found:
        if data[0] != status:
            continue
        number, value = data[1:]
        if number in (98, 99, 100, 101):
            half[number], is_nrpn = value, number < 100
        elif number == 121:
            half.clear()
        elif number == 6 and is_nrpn is not None and tick >= start:
            low = 98 if is_nrpn else 100
            out.append((is_nrpn, half.get(low + 1, 127), half.get(low, 127), value))
    return out


@pytest.mark.parametrize(
    ("start", "later", "wanted"),
    [
        # The high part of a non-registered parameter once, a bend range, later only low parts.
        ("00 B0 63 01 00 B0 65 00 00 B0 64 00 00 B0 06 0C",
         "00 B0 62 20 00 B0 06 50", [(True, 1, 0x20, 0x50)]),
        ("00 B0 65 02 00 B0 63 01 00 B0 62 08 00 B0 06 40",
         "00 B0 64 01 00 B0 06 50", [(False, 2, 1, 0x50)]),
        # One half only: nothing that the bar itself selected may stand in for the other.
        ("00 B0 65 00 00 B0 64 00 00 B0 06 0C 00 B0 79 00 00 B0 65 02",
         "00 B0 06 50", [(False, 2, 127, 0x50)]),
    ],
)  # fmt: skip
def test_data_behind_the_bar_sets_what_it_set_in_the_song(
    knobwright: Command, tmp_path: Path, start: str, later: str,
    wanted: list[tuple[bool, int, int, int]],
) -> None:  # fmt: skip
    data = made.song(f"00 C0 00 {start} 00 90 3C 40 60 80 3C 40 {later} 60 90 3C 40 {made.END}")
    assert _set_by(prepared(knobwright, tmp_path, data), 0xB0) == wanted


GM_ON = "00 F0 05 7E 7F 09 01 F7"


def test_a_selection_that_a_reset_undid_is_no_repeat(knobwright: Command, tmp_path: Path) -> None:
    """General MIDI On brings a module into its state after power-up: nothing is selected."""
    bend = "00 B0 65 00 00 B0 64 00 00 B0 06 0C"
    data = made.song(f"00 C0 00 00 90 3C 40 60 80 3C 40 {bend} {GM_ON} {bend} {made.END}")
    found = prepared(knobwright, tmp_path, data, "--drop-repeats")
    last = [data for _, data in found][-3:]
    assert last == [b"\xb0\x65\x00", b"\xb0\x64\x00", b"\xb0\x06\x0c"]


def test_a_program_in_the_bank_that_a_reset_undid_is_no_repeat(
    knobwright: Command, tmp_path: Path
) -> None:
    """Behind the reset the song's program is of bank 0; then bank 1 is chosen, and it again."""
    bank = "00 B0 00 01 00 C0 05"
    play = "00 90 3C 40 60 80 3C 40"
    data = made.song(f"{play} {bank} {play} {GM_ON} 00 C0 05 {play} {bank} {play} {made.END}")
    found = [data for _, data in prepared(knobwright, tmp_path, data, "--drop-repeats")]
    assert found.count(b"\xc0\x05") == 3


def test_tens_of_thousands_of_patterns_are_refused_at_once(
    knobwright: Command, tmp_path: Path
) -> None:
    """Each pattern is compared by itself: the time would grow with the square of their number."""
    sheet, song, out = tmp_path / "w.sheet.toml", tmp_path / "song.mid", tmp_path / "out.mid"
    sheet.write_text(WIDE)
    one = made.track(f"00 90 3C 40 60 80 3C 40 {made.END}")
    song.write_bytes(made.head(65_535, song_format=2) + one * 65_535)
    ran = knobwright("prepare", "--sheet", sheet, "-o", out, song)
    assert ran.status == 2
    assert "a song of at most 256 patterns can be prepared, and this one has 65535" in ran.err
    assert "next: divide it" in ran.err
    assert not out.exists()


def test_a_player_says_which_pattern_of_how_many_it_plays(tmp_path: Path) -> None:
    """RP-001: the patterns of a format 2 song are independent; only one is played."""
    song = tmp_path / "patterns.mid"
    events = [f"00 90 {key:02X} 40 01 80 {key:02X} 40 {made.END}" for key in (60, 61, 62)]
    song.write_bytes(made.song(*events, song_format=2))
    with running("play", song, "--to", "memory:module", "--pattern", "2") as play:
        assert play.end() == 0
    assert any("this is pattern 2 of 3; --pattern chooses another" in line for line in play.err)


def test_messages_that_the_bridge_would_refuse_are_told(
    knobwright: Command, tmp_path: Path
) -> None:
    """How late the others are says little where most of a flood finds no room in the queue."""
    song = tmp_path / "flood.mid"
    song.write_bytes(made.song("00 C0 00" + "00 90 3C 40" * 10_000 + made.END))
    ran = knobwright("song", song)
    line = next(text for text in ran.out.splitlines() if "over the bridge" in text)
    assert line.endswith(" messages refused")
    n_late, n_refused = int(line.split("first: ")[1].split()[0]), int(line.split()[-3])
    assert n_late + n_refused > 9_900


def test_the_list_of_the_set_up_never_takes_the_place_of_another_text(
    knobwright: Command, tmp_path: Path
) -> None:
    data = made.song(f"{NOTES} {made.END}")
    notes, syx = tmp_path / "take.txt", tmp_path / "take.syx"
    prepared(knobwright, tmp_path, data, "--syx", str(syx))
    prepared(knobwright, tmp_path, data, "--syx", str(syx))  # a list of before may be written anew
    notes.write_text("my own notes")
    out = tmp_path / "again.mid"
    ran = knobwright("prepare", "--sheet", tmp_path / "wide.sheet.toml", "-o", out, "--syx", syx,
                     tmp_path / "song.mid")  # fmt: skip
    assert ran.status == 2
    assert "take.txt: the list of the set-up would take the place of a text" in ran.err
    assert notes.read_text() == "my own notes"
    assert not out.exists()
