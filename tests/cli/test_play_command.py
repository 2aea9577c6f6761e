"""``knobwright play`` in a process of its own: what a song may send, and how it ends."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest

from tests.instruments.benches import SHEET, Cables, left_sounding
from tests.instruments.command import running

#: Ticks a quarter note; at 120 in a minute, which a song without a tempo has, a tick is 1/192 s.
DIVISION = 96
HALL_TIME = "f0 7d 10 42 30 05 40 0b f7"  # by hand from the leaflet
STRANGE = "f0 7d 10 55 01 02 f7"  # no line of the leaflet


def song(path: Path, events: Sequence[tuple[int, str]]) -> Path:
    """Write a song of one track: pairs of a delta in ticks (below 16 384) and bytes in hex.

    By hand from the Standard MIDI Files 1.0 specification (RP-001).
    """
    track = b""
    for delta, text in (*events, (0, "ff 2f 00")):
        data = bytes.fromhex(text)
        if data[0] == 0xF0:  # in a file the length stands behind F0
            data = b"\xf0" + bytes((len(data) - 1,)) + data[1:]
        track += bytes((0x80 | delta >> 7, delta & 0x7F)) + data
    head = b"MThd" + (6).to_bytes(4) + (0).to_bytes(2) + (1).to_bytes(2) + DIVISION.to_bytes(2)
    path.write_bytes(head + b"MTrk" + len(track).to_bytes(4) + track)
    return path


@pytest.fixture
def cables(tmp_path: Path) -> Iterator[Cables]:
    made = Cables(tmp_path)
    yield made
    made.close()


@pytest.fixture
def tune(tmp_path: Path) -> Path:
    return song(
        tmp_path / "tune.mid",
        [(0, "c0 05"), (0, HALL_TIME), (0, STRANGE), (0, "90 3c 40"), (24, "80 3c 40"),
         (0, STRANGE), (0, "b0 07 50")],
    )  # fmt: skip


def test_exclusive_that_nobody_explains_is_counted_and_not_sent(cables: Cables, tune: Path) -> None:
    with running("play", tune, "--to", cables.folder) as play:
        assert play.end(cables.module.read) == 1
        said = next(line for line in play.err if "not sent: F0 7D 10 55" in line)
        assert "7 bytes, 2 times" in said
        assert 'to send: --allow "F0 7D' in said
        assert play.out[-1].startswith("played at ")
        assert "2 exclusive messages not sent" in play.out[-1]
        assert not any("keyboard" in line for line in play.err)  # inputs stay closed
    assert STRANGE not in cables.module.messages
    assert cables.module.messages[:5] == ["c0 05", HALL_TIME, "90 3c 40", "80 3c 40", "b0 07 50"]


def test_what_the_user_allows_is_sent(cables: Cables, tune: Path) -> None:
    with running("play", tune, "--to", cables.folder, "--allow", "F0 7D 10 55") as play:
        assert play.end(cables.module.read) == 0
    assert cables.module.messages.count(STRANGE) == 2


def test_a_port_and_a_sheet_do_as_well_as_a_bench(cables: Cables, tune: Path) -> None:
    sheet = cables.folder / SHEET
    with running("play", tune, "--to", cables.module.address, "--sheet", sheet) as play:
        assert play.end(cables.module.read) == 1
    assert HALL_TIME in cables.module.messages
    cables.module.messages.clear()
    with running("play", tune, "--to", cables.module.address) as play:
        assert play.end(cables.module.read) == 1
        assert "3 exclusive messages not sent" in play.out[-1]
    assert HALL_TIME not in cables.module.messages


def test_beginning_later_brings_what_was_set_before(cables: Cables, tmp_path: Path) -> None:
    path = song(
        tmp_path / "late.mid",
        [(0, "c3 05"), (0, "b3 07 50"), (0, "93 3c 40"), (96, "83 3c 40"), (0, "b3 07 60"),
         (96, "93 3e 40"), (24, "83 3e 40")],
    )  # fmt: skip
    with running("play", path, "--to", cables.module.address, "--from", "750ms") as play:
        assert play.end(cables.module.read) == 0
        assert "of earlier settings sent first" in play.out[-1]
    before, _, _ = " ".join(cables.module.messages).partition("93 3e 40")
    assert "c3 05" in before
    assert "b3 07 60" in before
    assert "b3 07 50" not in before
    assert "93 3c 40" not in before
    assert left_sounding(cables.module.messages) == []


def test_a_reset_in_a_song_gets_its_rest_on_a_bench_too(cables: Cables, tmp_path: Path) -> None:
    # General MIDI on (RP-003), and 100 ms for it: common practice, no source.
    path = song(tmp_path / "reset.mid", [(0, "f0 7e 7f 09 01 f7"), (0, "c0 05"), (0, "b0 07 50")])
    with running("play", path, "--to", cables.folder) as play:
        reset_s = cables.module.wait_for("f0 7e 7f 09 01 f7")
        program_s = cables.module.wait_for("c0 05")
        assert play.end(cables.module.read) == 0
    assert program_s - reset_s > 0.08
    assert cables.module.messages[:3] == ["f0 7e 7f 09 01 f7", "c0 05", "b0 07 50"]


def test_ctrl_c_leaves_silence(cables: Cables, tmp_path: Path) -> None:
    path = song(tmp_path / "long.mid", [(0, "90 3c 40"), (0, "b0 40 7f"), (16_000, "80 3c 40")])
    with running("play", path, "--to", cables.module.address) as play:
        cables.module.wait_for("b0 40 7f")
        play.interrupt()
        assert play.end(cables.module.read) == 130
        assert play.out[-1].startswith("stopped at ")
        assert not any("Traceback" in line for line in play.all)
    assert "b0 40 00" in cables.module.messages
    assert left_sounding(cables.module.messages) == []


def test_the_last_messages_of_a_dense_song_are_waited_for(cables: Cables, tmp_path: Path) -> None:
    # 100 notes begin and end at once: 600 bytes of 320 us are 192 ms of a DIN line.
    chord = [(0, f"9{n % 16:x} {n // 16 + 40:02x} 40") for n in range(100)]
    ends = [(0, f"8{n % 16:x} {n // 16 + 40:02x} 40") for n in range(100)]
    path = song(tmp_path / "dense.mid", [*chord, *ends, (0, "b0 07 33")])
    with running("play", path, "--to", cables.module.address) as play:
        assert play.end(cables.module.read) == 0
    assert [m for m in cables.module.messages if m[0] == "9"] == [text for _, text in chord]
    assert left_sounding(cables.module.messages) == []
    assert "b0 07 33" in cables.module.messages


def test_a_port_that_is_not_there_and_a_file_that_is_no_song_are_said(
    cables: Cables, tune: Path, tmp_path: Path
) -> None:
    with running("play", tune, "--to", f"serial:{tmp_path / 'none'}") as play:
        assert play.end() == 3
        assert "there is no such device" in " ".join(play.err)
    with running("play", cables.folder / "bench.toml", "--to", cables.module.address) as play:
        assert play.end() == 2
    assert cables.module.messages == []


def test_a_bench_that_is_bridged_is_not_played_to(cables: Cables, tune: Path) -> None:
    with running("bridge", cables.folder) as bridge:
        bridge.wait_for("Larkfield is bridged")
        with running("play", tune, "--to", cables.folder) as play:
            assert play.end(cables.module.read) == 3
            assert "another bridge is at work on this link" in " ".join(play.err)
    assert "90 3c 40" not in cables.module.messages
