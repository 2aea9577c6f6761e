"""Far ends that follow a script."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from pathlib import Path

import pytest

from knobwright.adapters.ports import scripted
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.table import open_in, open_out
from knobwright.core.errors import (
    InputError,
    PortError,
    PortLimitError,
    PortLostError,
    SheetError,
    StoreError,
)
from knobwright.core.interfaces import InPort, OutPort
from tests.adapters.ports.clocks import HandClock
from tests.contracts.rig import Arrived, becomes

ASK = bytes.fromhex("F0 7E 7F 06 01 F7")
ANSWER = bytes.fromhex("F0 7E 10 06 02 7D 00 00 00 00 00 00 00 00 F7")
EXCHANGE = f"""format = 1
ignore = ["FE"]
[[step]]
expect = "F0 7E ?? 06 01 F7"
reply = "{ANSWER.hex(" ")}"
after_ms = 5
[[step]]
expect = "90 3C 40"
"""
Scripts = Callable[[str], str]
_COUNT = itertools.count()


@pytest.fixture
def script(tmp_path: Path) -> Scripts:
    def save(text: str) -> str:
        name = f"far {next(_COUNT)}"
        (tmp_path / f"{name}.script.toml").write_text(text, encoding="utf-8")
        return f"scripted:{tmp_path / name}"

    return save


def test_an_expected_exchange(script: Scripts) -> None:
    address, clock, arrived = script(EXCHANGE), HandClock(0), Arrived()
    around = Surroundings(clock)
    source = open_in(address, None, around, receive=arrived)
    out = open_out(address, None, around)
    out.send(b"\xfe" + ASK[:3])  # cut anywhere, with something to pass over
    out.send(ASK[3:])
    clock.on(4_999)
    assert arrived.pieces == []
    clock.on(1)
    assert arrived.wait(len(ANSWER))
    assert arrived.pieces == [(ANSWER, 5_000_000)]
    out.send(b"\x90\x3c\x40")
    out.close()
    source.close()


def closing(*ports: InPort | OutPort) -> str:
    """Close ports; return what the last one says."""
    said = ""
    for port in ports:
        try:
            port.close()
        except PortError as error:
            said = error.message
    return said


def test_everything_that_goes_otherwise_is_told_when_the_last_port_closes(script: Scripts) -> None:
    address, arrived = script(EXCHANGE), Arrived()
    source = open_in(address, receive=arrived)
    out = open_out(address)
    out.send(bytes.fromhex("80 3C 40 12"))
    out.send(bytes.fromhex("F5 B0 07"))
    assert len(scripted.findings(address.partition(":")[2])) == 3
    said = closing(out, source)
    for part in (
        "step 1 expects F0 7E ?? 06 01 F7, and 80 3C 40 came",
        "bytes that are no message: 12 (unfinished message, broken off by another status byte)",
        "bytes that are no message: F5 (undefined system common byte)",
        "step 1 was never reached",
        "step 2 was never reached: 90 3C 40",
        "unfinished at the end: B0 07",
    ):
        assert part in said
    source.close()  # a second time does nothing
    assert scripted.findings(address.partition(":")[2]) == ()


def test_a_reply_that_nobody_reads_is_told(script: Scripts) -> None:
    address = script('format = 1\n[[step]]\nexpect = "F8"\nreply = ["FA", "FC"]\n')
    out = open_out(address)
    out.send(b"\xf8")
    assert becomes(lambda: len(scripted.findings(address.partition(":")[2])) == 2)
    out.send(b"\xf8")
    said = closing(out)
    assert "the reply FA was not read: no in-port" in said
    assert "F8 came after the last step" in said


def test_a_reply_that_is_still_under_way_at_the_end_is_told(script: Scripts) -> None:
    address = script('format = 1\n[[step]]\nexpect = "F8"\nreply = "FA"\nafter_ms = 3600000\n')
    source, out = open_in(address, receive=Arrived()), open_out(address)
    out.send(b"\xf8")
    assert "replies left unread when the port was closed: 1" in closing(out, source)


def test_steps_without_an_expectation_come_by_themselves_once_somebody_listens(
    script: Scripts,
) -> None:
    address = script(
        'format = 1\n[[step]]\nreply = "FA"\nafter_ms = 1\n[[step]]\nreply = "F8"\nafter_ms = 2\n'
        '[[step]]\nexpect = "FC"\n[[step]]\nreply = "FE"\n'
    )
    clock, arrived = HandClock(0), Arrived()
    around = Surroundings(clock)
    out = open_out(address, None, around)
    source = open_in(address, None, around, receive=arrived)
    clock.on(3_000)
    assert arrived.wait(2)
    out.send(b"\xfc")
    assert arrived.wait(3)
    assert arrived.pieces == [(b"\xfa", 1_000_000), (b"\xf8", 3_000_000), (b"\xfe", 3_000_000)]
    out.close()
    source.close()


def test_a_through_carries_at_the_speed_of_its_line(script: Scripts) -> None:
    address = script("format = 1\n[through]\n")
    clock, arrived = HandClock(0), Arrived()
    around = Surroundings(clock)
    source = open_in(address, None, around, receive=arrived)
    out = open_out(address, None, around)
    out.send(b"\xf8\xfa")
    clock.on(10_000)
    assert arrived.wait(2)
    assert arrived.pieces == [(b"\xf8", 640_000), (b"\xfa", 960_000)]
    out.close()
    source.close()


def test_a_flood_is_refused_whole_when_too_much_waits(script: Scripts) -> None:
    address = script("format = 1\n[through]\nbaud = 31250\n")
    out = open_out(address)
    with pytest.raises(PortLimitError, match="nothing of this was sent"):
        out.send(bytes(5 << 20))
    out.send(b"\xf8")  # the line is as free as before
    out.close()


def test_a_through_has_the_faults_of_its_script(script: Scripts) -> None:
    address = script(
        "format = 1\n[through]\nbaud = 0\n"
        '[[through.fault]]\nname = "exclusive-cut"\nn_bytes = 4\n'
        '[[through.fault]]\nname = "real-time-dropped"\n'
    )
    arrived = Arrived()
    source, out = open_in(address, receive=arrived), open_out(address)
    out.send(bytes.fromhex("F0 7D 01 F8 02 03 F7 90 3C 40"))
    assert arrived.wait(8)
    assert arrived.data.hex(" ").upper() == "F0 7D 01 02 F7 90 3C 40"
    out.close()
    source.close()


def test_the_seed_of_a_script_comes_before_that_of_the_settings(script: Scripts) -> None:
    fault = '[[through.fault]]\nname = "bytes-lost"\none_in = 4\n'

    def left(address: str, seed: int) -> bytes:
        arrived = Arrived()
        settings = PortSettings(seed=seed)
        source = open_in(address, settings, receive=arrived)
        out = open_out(address, settings)
        out.send(bytes(range(100)))
        assert becomes(lambda: bool(arrived.pieces))
        out.close()
        source.close()
        return arrived.data

    fixed = script(f"format = 1\n[through]\nbaud = 0\nseed = 7\n{fault}")
    free = script(f"format = 1\n[through]\nbaud = 0\n{fault}")
    assert left(fixed, 1) == left(fixed, 2) == left(free, 7) != left(free, 8)


def test_a_far_end_that_goes_away_is_lost_and_comes_back(script: Scripts) -> None:
    address = script("format = 1\n[through]\nbaud = 0\n[away]\nafter_bytes = 5\nfor_ms = 200\n")
    clock, arrived = HandClock(0), Arrived()
    around = Surroundings(clock)
    source, out = open_in(address, None, around, receive=arrived), open_out(address, None, around)
    out.send(b"\x90\x3c\x40")
    assert arrived.wait(3)
    with pytest.raises(PortLostError, match="went away"):
        out.send(b"\x80\x3c\x40")
    assert not out.is_there()
    assert not source.is_there()
    with pytest.raises(PortLostError, match="is away"):
        open_out(address, None, around)
    out.close()
    source.close()
    clock.on(200_000)
    out = open_out(address, None, around)
    assert out.is_there()
    out.close()


def test_a_script_is_named_without_its_ending_or_whole(script: Scripts, tmp_path: Path) -> None:
    address, arrived = script("format = 1\n[through]\nbaud = 0\n"), Arrived()
    source = open_in(f"{address}.script.toml", receive=arrived)
    out = open_out(address)
    out.send(b"\xf8")
    assert arrived.wait(1)  # both spellings lead to one far end
    out.close()
    source.close()


def test_a_script_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match="can't be read") as caught:
        open_out(f"scripted:{tmp_path / 'none'}")
    assert "NAME.script.toml" in caught.value.hint
    (tmp_path / "bad.script.toml").write_bytes(b"format = 1\n\xff")
    with pytest.raises(InputError, match="not UTF-8") as wrong:
        open_out(f"scripted:{tmp_path / 'bad'}")
    assert str(wrong.value).startswith(f"{tmp_path / 'bad.script.toml'}:2")
    (tmp_path / "long.script.toml").write_bytes(b"#" * (1 << 20) + b"\n")
    with pytest.raises(InputError, match="at most 1 MiB"):
        open_out(f"scripted:{tmp_path / 'long'}")


def test_a_faulty_script_opens_nothing(script: Scripts) -> None:
    address = script("format = 2\n")
    with pytest.raises(SheetError, match="format = 1"):
        open_out(address)
    assert scripted.find(Surroundings()) == []
