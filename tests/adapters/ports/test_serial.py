"""Serial lines, on pseudo-terminals: they take any speed and keep none."""

from __future__ import annotations

import os
import pty
import select
import subprocess
import sys
import termios
import threading
import time
import tty
from array import array
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
import serial

from knobwright.adapters.ports import serial_
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.table import open_in, open_out
from knobwright.core.errors import PortError, PortLostError
from knobwright.core.interfaces import InPort
from tests.contracts.rig import Arrived, becomes

NOTE = bytes.fromhex("90 3C 40")


class Far:
    """The far end of a line: what was sent to it, and what it sends."""

    def __init__(self) -> None:
        self.handle, self._near = pty.openpty()
        tty.setraw(self._near)
        self.device = os.ttyname(self._near)
        self._is_open = True

    def read(self, n_bytes: int) -> bytes:
        """Return so many bytes, or what has come in 20 s."""
        data = b""
        while len(data) < n_bytes and select.select([self.handle], [], [], 20)[0]:
            data += os.read(self.handle, 65_536)
        return data

    def write(self, data: bytes) -> None:
        os.write(self.handle, data)

    def pull(self) -> None:
        """End the line; a second time does nothing."""
        if self._is_open:
            self._is_open = False
            os.close(self.handle)
            os.close(self._near)


@pytest.fixture
def far() -> Iterator[Far]:
    made = Far()
    yield made
    made.pull()


def test_the_line_is_opened_at_31250_baud_with_8_data_bits_no_parity_1_stop_bit(far: Far) -> None:
    # MIDI 1.0, page 1: 31.25 kBaud, a start bit, 8 data bits, a stop bit.
    out = open_out(f"serial:{far.device}")
    try:
        fields = array("I", bytes(256))
        import fcntl

        fcntl.ioctl(far._near, 0x802C542A, fields)  # TCGETS2 of Linux: speeds that have no name
        assert fields[10] == 31_250
        flags = termios.tcgetattr(far._near)[2]
        assert flags & termios.CSIZE == termios.CS8
        assert not flags & (termios.PARENB | termios.CSTOPB | termios.CRTSCTS)
        assert out.limits.speed_baud == 31_250
    finally:
        out.close()


@pytest.mark.parametrize("baud", [31_250, 38_400, 115_200, 62_500])
def test_all_256_bytes_pass_both_ways_at_any_speed(far: Far, baud: int) -> None:
    # A terminal's habits (echo, line ends, control characters) must all be off.
    every = bytes(range(256))
    arrived = Arrived()
    settings = PortSettings(baud=baud)
    out = open_out(f"serial:{far.device}", settings)
    source = open_in(f"serial:{far.device}", settings, receive=arrived)
    try:
        out.send(every)
        assert far.read(256) == every
        far.write(every)
        assert arrived.wait(256)
        assert arrived.data == every
        assert out.limits.speed_baud == baud
    finally:
        out.close()
        source.close()


def test_a_long_write_is_finished_though_the_line_takes_it_in_small_pieces(far: Far) -> None:
    long = bytes(i * 31 % 256 for i in range(200_000))
    out = open_out(f"serial:{far.device}")
    got: list[bytes] = []
    reader = threading.Thread(target=lambda: got.append(far.read(len(long))))
    reader.start()
    try:
        out.send(long)
        reader.join(30)
        assert got == [long]
    finally:
        out.close()


def test_a_line_that_takes_no_bytes_is_said_instead_of_waited_for(
    far: Far, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serial_, "STUCK_S", 0.2)
    out = open_out(f"serial:{far.device}")
    try:
        with pytest.raises(PortLostError, match="taken no byte"):
            out.send(bytes(1_000_000))  # nobody reads
    finally:
        out.close()


def test_one_line_has_one_speed_for_both_directions(far: Far) -> None:
    out = open_out(f"serial:{far.device}")
    try:
        with pytest.raises(PortError, match="open at 31250 baud, and 38400"):
            open_in(f"serial:{far.device}", PortSettings(baud=38_400), receive=Arrived())
    finally:
        out.close()


def test_what_came_before_the_port_was_opened_is_not_taken_for_now(far: Far) -> None:
    out = open_out(f"serial:{far.device}")
    arrived = Arrived()
    far.write(b"\x40\x40")
    source = open_in(f"serial:{far.device}", receive=arrived)
    try:
        far.write(NOTE)
        assert arrived.wait(3)
        assert arrived.data == NOTE
    finally:
        source.close()
        out.close()


def test_a_line_that_another_program_uses_is_said(far: Far) -> None:
    script = (
        "import serial, sys\n"
        "line = serial.Serial(sys.argv[1], exclusive=True)\n"
        "print('open', flush=True)\n"
        "sys.stdin.read()\n"
    )
    other = subprocess.Popen(
        [sys.executable, "-c", script, far.device], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert other.stdin is not None
    assert other.stdout is not None
    try:
        assert other.stdout.readline() == b"open\n"
        with pytest.raises(PortError, match=r"another program|does not let you") as caught:
            open_out(f"serial:{far.device}")
        assert caught.value.hint
    finally:
        other.communicate()


def test_a_device_that_is_not_there_and_one_that_is_no_line_are_said(tmp_path: Path) -> None:
    with pytest.raises(PortLostError, match="no such device"):
        open_out("serial:/dev/not-there")
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(PortError, match="can't be opened as a serial line"):
        open_out(f"serial:{tmp_path / 'file'}")


def test_a_speed_of_nothing_is_refused(far: Far) -> None:
    with pytest.raises(PortError, match="more than 0 baud"):
        open_out(f"serial:{far.device}", PortSettings(baud=0))


def test_a_speed_that_the_system_refuses_is_said(far: Far, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(self: Any, baud: int) -> None:
        raise ValueError(f"Failed to set custom baud rate ({baud}): [Errno 22]")

    monkeypatch.setattr(serial.Serial, "_set_special_baudrate", refuse)
    with pytest.raises(PortError, match="refuses 31250 baud") as caught:
        open_out(f"serial:{far.device}")
    assert "UART" in caught.value.hint


def test_a_line_that_makes_another_speed_than_asked_is_refused(
    far: Far, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serial_, "_speed_made", lambda device: 38_400)
    with pytest.raises(PortError, match="makes 38400 baud where 31250"):
        open_out(f"serial:{far.device}")
    monkeypatch.setattr(serial_, "_speed_made", lambda device: 31_496)  # 0.8 % off
    open_out(f"serial:{far.device}").close()


def test_a_line_that_is_pulled_is_lost_in_both_directions_and_its_threads_end(far: Far) -> None:
    out = open_out(f"serial:{far.device}")
    source = open_in(f"serial:{far.device}", receive=Arrived())
    far.pull()
    assert becomes(lambda: not out.is_there() and not source.is_there())
    with pytest.raises(PortLostError):
        out.send(NOTE)
    out.close()
    source.close()
    assert not [t for t in threading.enumerate() if far.device in t.name]


def test_closing_from_within_the_call_while_bytes_pour_in(far: Far) -> None:
    ports: list[InPort] = []
    ready, closed = threading.Event(), threading.Event()

    def receive(data: bytes, at_ns: int) -> None:
        ready.wait(10)
        ports[0].close()
        closed.set()

    ports.append(open_in(f"serial:{far.device}", receive=receive))
    ready.set()
    for _ in range(100):
        far.write(NOTE)
    assert closed.wait(20)
    assert not ports[0].is_there()


def test_bytes_are_given_at_the_time_they_were_read(far: Far) -> None:
    arrived = Arrived()
    source = open_in(f"serial:{far.device}", receive=arrived)
    try:
        before_ns = time.monotonic_ns()
        far.write(NOTE)
        assert arrived.wait(3)
        assert before_ns <= arrived.times[0] <= time.monotonic_ns()
    finally:
        source.close()


def usb(device: str, serial_number: str | None, location: str = "1-1") -> SimpleNamespace:
    return SimpleNamespace(
        device=device, vid=0x1209, pid=0x0001, serial_number=serial_number, location=location
    )


def test_a_usb_adapter_is_known_by_its_numbers_and_others_by_their_path(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Vendor 1209, product 0001: set aside for tests (pid.codes, from memory).
    devices = [
        usb("/dev/ttyUSB1", "A7"),
        usb("/dev/ttyUSB0", None, "1-2"),
        SimpleNamespace(device="/dev/ttyS0", vid=None, pid=None),
    ]
    monkeypatch.setattr("serial.tools.list_ports.comports", lambda: devices)
    found = serial_.find(Surroundings())
    assert [(port.name, port.direction, port.identity) for port in found] == [
        (name, way, identity)
        for name, identity in (
            ("/dev/ttyS0", "/dev/ttyS0"),
            ("/dev/ttyUSB0", "usb 1209:0001 1-2"),
            ("/dev/ttyUSB1", "usb 1209:0001 A7"),
        )
        for way in ("in", "out")
    ]
    devices[:] = [usb("/dev/ttyUSB0", "A7"), usb("/dev/ttyUSB1", "A7")]  # a maker's carelessness
    assert {port.identity for port in serial_.find(Surroundings())} == {
        "/dev/ttyUSB0",
        "/dev/ttyUSB1",
    }


def test_the_control_lines_are_left_alone(far: Far, monkeypatch: pytest.MonkeyPatch) -> None:
    touched: list[str] = []
    for name in ("_update_dtr_state", "_update_rts_state"):
        monkeypatch.setattr(serial.Serial, name, lambda self, name=name: touched.append(name))
    open_out(f"serial:{far.device}").close()
    assert touched == []
