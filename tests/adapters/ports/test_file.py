"""Traces as ports: recording that survives, replaying that keeps its times."""

from __future__ import annotations

import json
import os
import resource
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import mido
import pytest

from knobwright.adapters.ports.file import Player
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.table import open_in, open_out
from knobwright.core.errors import (
    InputError,
    KnobwrightError,
    NamingError,
    PortError,
    PortLostError,
)
from knobwright.exports.trace import HEADER, TraceEntry, read_entry, write_entry
from tests.adapters.ports.clocks import HandClock
from tests.contracts.rig import Arrived, becomes


def record(path: Path, *pieces: str, gap_us: int = 1_000, clock: HandClock | None = None) -> None:
    clock = clock or HandClock()
    out = open_out(f"file:{path}", None, Surroundings(clock))
    for piece in pieces:
        out.send(bytes.fromhex(piece))
        clock.on(gap_us)
    out.close()


def write(path: Path, *entries: TraceEntry, tail: str = "") -> None:
    lines = [HEADER, *map(write_entry, entries)]
    path.write_text("\n".join(lines) + "\n" + tail, encoding="utf-8")


def play(name: Path | str, speed: float = 0) -> list[bytes]:
    arrived = Arrived()
    port = open_in(f"file:{name}", PortSettings(speed=speed), receive=arrived)
    assert isinstance(port, Player)
    assert port.wait_ended(20)
    port.close()
    return [data for data, _ in arrived.pieces]


@pytest.fixture
def small_disk() -> Iterator[None]:
    """Let files grow to 2 000 bytes only: the system then writes a part and fails."""
    limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (2_000, limits[1]))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, limits)


def test_what_is_recorded_is_a_trace_with_its_times(tmp_path: Path) -> None:
    record(tmp_path / "take.jsonl", "90 3C 40", "F8")
    first, *rest = (tmp_path / "take.jsonl").read_text(encoding="utf-8").splitlines()
    assert json.loads(first) == {"format": "knobwright-trace", "version": 1}
    name = str(tmp_path / "take.jsonl")
    assert [read_entry(line) for line in rest] == [
        (1_000_000_000, "out", name, b"\x90\x3c\x40"),
        (1_001_000_000, "out", name, b"\xf8"),
    ]


def test_each_piece_is_on_its_way_to_the_disk_when_send_returns(tmp_path: Path) -> None:
    path = tmp_path / "take.jsonl"
    out = open_out(f"file:{path}")
    out.send(b"\xf8")
    assert play(path) == [b"\xf8"]  # while it is still open: what a crash would leave
    out.close()


def test_recording_goes_on_behind_what_is_there(tmp_path: Path) -> None:
    path = tmp_path / "take.jsonl"
    record(path, "FA")
    record(path, "FC")
    assert play(path) == [b"\xfa", b"\xfc"]


def test_two_recorders_never_write_over_each_other(tmp_path: Path) -> None:
    path = tmp_path / "take.jsonl"
    first = open_out(f"file:{path}")
    with pytest.raises(PortError, match="recorded to already"):
        open_out(f"file:{path}")
    first.send(b"\xfa")
    first.close()
    record(path, "FC")
    assert play(path) == [b"\xfa", b"\xfc"]


@pytest.mark.parametrize("tail", ['{"at_ns": 12, "wa', '{"at_ns": 12}\n{"a', HEADER[:9]])
def test_a_line_that_a_crash_cut_off_is_left_out_noted_and_written_over(
    tmp_path: Path, tail: str
) -> None:
    path = tmp_path / "take.jsonl"
    if tail == HEADER[:9]:
        path.write_text(tail, encoding="utf-8")
        record(path, "FC")
        assert play(path) == [b"\xfc"]
        return
    record(path, "FA")
    whole = path.read_bytes()
    path.write_bytes(whole + tail.rpartition("\n")[2].encode())
    port = open_in(f"file:{path}", PortSettings(speed=0), receive=Arrived())
    assert isinstance(port, Player)
    assert port.notes == ("line 3 was cut off while it was written: left out",)
    port.close()
    record(path, "FC")
    assert play(path) == [b"\xfa", b"\xfc"]


@pytest.mark.parametrize("content", ["my diary", "my diary\n", '{"format": "other"}\n', "\xff\n"])
def test_a_file_that_is_no_trace_is_never_touched(tmp_path: Path, content: str) -> None:
    path = tmp_path / "diary"
    path.write_bytes(content.encode("latin-1"))
    with pytest.raises(PortError, match="it is no trace") as caught:
        open_out(f"file:{path}")
    assert caught.value.hint == "name another file to record to"
    assert path.read_bytes() == content.encode("latin-1")


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    for name in (tmp_path / "no" / "take.jsonl", tmp_path, "a\0b"):
        with pytest.raises(PortError, match="can't be recorded to"):
            open_out(f"file:{name}")
        with pytest.raises(KnobwrightError) as caught:
            open_in(f"file:{name}", receive=Arrived())
        assert str(name) in caught.value.where


def test_a_full_disk_ends_recording_clearly_and_what_was_recorded_can_be_played(
    tmp_path: Path, small_disk: None
) -> None:
    path = tmp_path / "take.jsonl"
    out = open_out(f"file:{path}")
    sent: list[bytes] = []

    def fill() -> None:
        for i in range(1_000):
            out.send(bytes((0xB0, i // 128, i % 128)))
            sent.append(bytes((0xB0, i // 128, i % 128)))

    with pytest.raises(PortLostError, match="recording has ended: File too large") as caught:
        fill()
    assert caught.value.where == str(path)
    assert not out.is_there()
    with pytest.raises(PortLostError, match="lost"):
        out.send(b"\xf8")
    out.close()
    assert len(sent) > 5
    assert path.read_bytes().endswith(b"\n")  # no torn line is left
    assert play(path) == sent


@pytest.mark.skipif(
    not os.path.exists("/dev/full"), reason="there is no device that is always full"
)
def test_a_device_that_is_full_is_said_at_once() -> None:
    with pytest.raises(PortError, match="No space left on device"):
        open_out("file:/dev/full")


def test_64_kib_of_exclusive_stay_one_piece(tmp_path: Path) -> None:
    long = b"\xf0\x7d" + bytes(i % 128 for i in range(65_533)) + b"\xf7"
    record(tmp_path / "take.jsonl", long.hex())
    assert play(tmp_path / "take.jsonl") == [long]


def test_what_another_library_writes_is_read_by_it_again_after_a_replay(tmp_path: Path) -> None:
    sent = [
        mido.Message("note_on", channel=9, note=38, velocity=100, time=0),
        mido.Message("pitchwheel", channel=3, pitch=-8192),
        mido.Message("sysex", data=(0x7D, *range(100))),
        mido.Message("clock"),
        mido.Message("songpos", pos=300),
        mido.Message("program_change", channel=15, program=127),
    ]
    record(tmp_path / "take.jsonl", *(message.hex() for message in sent))
    assert mido.parse_all(b"".join(play(tmp_path / "take.jsonl"))) == sent


def test_a_replay_keeps_its_times_by_absolute_deadlines(tmp_path: Path) -> None:
    path = tmp_path / "take.jsonl"
    record(path, "F8", "FA", "FC", gap_us=1_500)
    clock, arrived = HandClock(50_000_000), Arrived()
    around = Surroundings(clock)
    port = open_in(f"file:{path}", PortSettings(), around, receive=arrived)
    assert arrived.wait(1)
    clock.on(1_499)
    time.sleep(0.02)
    assert len(arrived.pieces) == 1
    clock.on(10_000)  # we come late: the last is not put off by that
    assert arrived.wait(3)
    assert arrived.times == [50_000_000, 51_500_000, 53_000_000]
    port.close()


def test_a_replay_may_be_faster(tmp_path: Path) -> None:
    path = tmp_path / "take.jsonl"
    record(path, "F8", "FA", gap_us=1_000_000)
    clock, arrived = HandClock(0), Arrived()
    port = open_in(f"file:{path}", PortSettings(speed=4), Surroundings(clock), receive=arrived)
    assert arrived.wait(1)
    clock.on(250_000)
    assert arrived.wait(2)
    assert arrived.times == [0, 250_000_000]
    port.close()
    for speed in (-1.0, float("nan"), float("inf")):
        with pytest.raises(InputError, match="speed"):
            open_in(f"file:{path}", PortSettings(speed=speed), receive=arrived)


def test_a_clock_that_began_anew_makes_no_pause_and_no_rush(tmp_path: Path) -> None:
    path = tmp_path / "take.jsonl"
    times = (9_000_000_000, 9_000_500_000, 1_000, 701_000)  # the machine was started in between
    write(path, *(TraceEntry(at_ns, "in", "keys", b"\xf8") for at_ns in times))
    clock, arrived = HandClock(0), Arrived()
    port = open_in(f"file:{path}", PortSettings(), Surroundings(clock), receive=arrived)
    assert arrived.wait(1)
    clock.on(500)
    assert arrived.wait(3)
    clock.on(700)
    assert arrived.wait(4)
    assert arrived.times == [0, 500_000, 500_000, 1_200_000]
    port.close()


def test_a_port_that_has_played_all_is_still_there_and_its_thread_is_gone(tmp_path: Path) -> None:
    record(tmp_path / "take.jsonl", "F8")
    n_before = threading.active_count()
    port = open_in(f"file:{tmp_path / 'take.jsonl'}", PortSettings(speed=0), receive=Arrived())
    assert isinstance(port, Player)
    assert port.wait_ended(20)
    assert becomes(lambda: threading.active_count() == n_before)
    assert port.is_there()  # or it would be opened anew, and play for ever
    port.close()
    assert not port.is_there()


def test_closing_does_not_wait_for_the_next_entry(tmp_path: Path) -> None:
    record(tmp_path / "take.jsonl", "F8", "FA", gap_us=3_600_000_000)
    arrived = Arrived()
    port = open_in(f"file:{tmp_path / 'take.jsonl'}", receive=arrived)
    assert arrived.wait(1)
    begin_ns = time.monotonic_ns()
    port.close()
    assert time.monotonic_ns() - begin_ns < 900_000_000  # its thread ended: no wait ran out
    assert arrived.data == b"\xf8"


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("not json", "one JSON object a line"),
        ('{"at_ns": -1, "way": "in", "port": "a", "hex": "F8"}', "at_ns is a whole number"),
        ('{"at_ns": 1, "way": "up", "port": "a", "hex": "F8"}', 'way is "in" or "out"'),
        ('{"at_ns": 1, "way": "in", "port": "a", "hex": "F"}', "pairs of hex digits"),
        ('{"at_ns": 9' + "0" * 400 + ', "way": "in", "port": "a", "hex": "F8"}', "63 bits"),
        ("[" * 5_000, "one JSON object a line"),
        ("\xff", "one JSON object a line"),
    ],
)
def test_a_broken_line_is_refused_at_opening_with_its_place(
    tmp_path: Path, line: str, said: str
) -> None:
    path = tmp_path / "take.jsonl"
    entry = write_entry(TraceEntry(1, "in", "keys", b"\xf8"))
    path.write_text(f"{HEADER}\n{entry}\n{line}\n{entry}\n", encoding="utf-8")
    with pytest.raises(InputError, match=said) as caught:
        open_in(f"file:{path}", receive=Arrived())
    assert caught.value.where == f"{path}:3"


def test_a_later_version_an_empty_file_and_a_pipe_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "take.jsonl"
    path.write_text('{"format": "knobwright-trace", "version": 2}\n', encoding="utf-8")
    with pytest.raises(InputError, match="version 2"):
        play(path)
    path.write_bytes(b"")
    with pytest.raises(InputError, match="the file is empty"):
        play(path)
    path.write_bytes(b"\xff\n")
    with pytest.raises(InputError, match="not UTF-8: byte FF"):
        play(path)
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="ordinary file"):
        play(tmp_path / "pipe")


def test_what_did_not_belong_together_is_never_mixed(tmp_path: Path) -> None:
    path = tmp_path / "take.jsonl"
    write(
        path,
        TraceEntry(1, "in", "keys", b"\xfa"),
        TraceEntry(2, "in", "knobs: 2", b"\xfb"),
        TraceEntry(3, "out", "Larkfield", b"\xfc"),
    )
    for name in (f"{path}", f"{path}#in"):
        with pytest.raises(NamingError, match="streams of bytes; one is played") as caught:
            play(name)
        assert caught.value.candidates == (
            f"{path}#in:keys",
            f"{path}#in:knobs: 2",
            f"{path}#out:Larkfield",
        )
    assert [play(name) for name in caught.value.candidates] == [[b"\xfa"], [b"\xfb"], [b"\xfc"]]
    assert play(f"{path}#out") == [b"\xfc"]
    with pytest.raises(NamingError, match="holds none of this"):
        play(f"{path}#in:Larkfield")


def test_a_file_may_have_any_sign_in_its_name(tmp_path: Path) -> None:
    path = tmp_path / "take 1 \u202e#in"
    record(path, "F8")
    assert play(path) == [b"\xf8"]
    raw = os.fsdecode(os.fsencode(tmp_path) + b"/\xff.jsonl")  # no text in any coding
    out = open_out(f"file:{raw}")
    out.send(b"\xf8")
    out.close()
    assert play(raw) == [b"\xf8"]


def test_a_file_that_is_cut_short_while_it_plays_is_no_dead_thread(tmp_path: Path) -> None:
    path = tmp_path / "take.jsonl"
    record(path, *["F8"] * 2_000, gap_us=1_000_000)
    clock, arrived = HandClock(0), Arrived()
    port = open_in(f"file:{path}", None, Surroundings(clock), receive=arrived)
    assert isinstance(port, Player)
    assert arrived.wait(1)
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.write(b" " * size)
    clock.on(10_000_000_000)
    assert port.wait_ended(20)
    if port.trouble is not None:
        assert not port.is_there()
        assert "played on" in port.trouble.message
    else:
        assert len(arrived.pieces) < 2_000
    port.close()
