"""Serial lines: a UART on a board, a USB adapter, a pseudo-terminal; 31 250 baud or another speed.

An out-port and an in-port of one device share the line, which is opened once and, where the system
can, for this program alone. The control lines (RTS, DTR) stay as the system sets them: on many
boards they are wired to the reset. A pseudo-terminal takes any speed and keeps none.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import threading
from array import array
from collections.abc import Sequence
from typing import Any

import serial
from serial.tools import list_ports

from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.receiving import CLOSE_WAIT_S, Receiving
from knobwright.core.errors import PortError, PortLostError
from knobwright.core.interfaces import (
    IN,
    OUT,
    Clock,
    Found,
    InPort,
    Limits,
    OutPort,
    Receive,
    ReceiveNumber,
)

KIND = "serial"
#: The line takes no byte for so long: whoever is at the far end holds it up.
STUCK_S = 5.0
PIECE_BYTES = 256
#: How far a speed may be off, as a share. Source: "Determining Clock Accuracy Requirements for UART
#: Communications", Maxim tutorial 2141: 3.3 % for both ends together at best, 2 % at worst.
MOST_OFF = 0.02
_TCGETS2 = 0x802C542A  # Linux, all but a few rare processors
_N_TERMIOS2 = 64
_OSPEED_AT = 10  # number of the field c_ospeed in struct termios2

_LOCK = threading.RLock()
_LINES: dict[str, Line] = {}


def find(surroundings: Surroundings) -> Sequence[Found]:
    """Return the serial devices that the system lists, once for each direction."""
    devices = list(list_ports.comports())
    identities = [_identity(device) for device in devices]
    return [
        Found(
            KIND,
            device.device,
            way,
            identity if identities.count(identity) == 1 else device.device,
        )
        for device, identity in sorted(
            zip(devices, identities, strict=True), key=lambda pair: str(pair[0].device)
        )
        for way in (IN, OUT)
    ]


def _identity(device: Any) -> str:
    """Return what stays the same when a USB adapter is plugged in anew, else the device's path."""
    if device.vid is None or device.pid is None:
        return str(device.device)
    where = device.serial_number or device.location or ""
    return f"usb {device.vid:04X}:{device.pid:04X} {where}".strip()


def open_out(name: str, settings: PortSettings, surroundings: Surroundings) -> OutPort | None:
    """Open a line to send to; ``settings.baud`` is its speed in bits per second."""
    return SerialOut(name, _enter(name, settings))


def open_in(
    name: str,
    settings: PortSettings,
    surroundings: Surroundings,
    receive: Receive,
    receive_number: ReceiveNumber | None = None,
) -> InPort | None:
    """Open a line to receive from; numbers never arrive on it."""
    return SerialIn(name, _enter(name, settings), receive, surroundings.clock)


class Line:
    """An open device, shared by the ports that lead to it.

    Attributes
    ----------
    is_lost : bool
        Reading or writing has failed: the device is gone.
    """

    def __init__(self, name: str, path: str, baud: int) -> None:
        self.where = f"{KIND}:{name}"
        self.path = path
        self.baud = baud
        self.n_users = 0
        self.is_lost = False
        self.limits = Limits(True, None, baud, "keeps the speed it is opened with")
        self._device = _opened(path, baud, self.where)
        self._writing = threading.Lock()
        self._receivers: tuple[tuple[Receiving, Clock], ...] = ()
        self._thread: threading.Thread | None = None

    def write(self, data: bytes) -> None:
        """Write all of ``data``; returns when the system has taken it."""
        with self._writing:
            if self.is_lost:
                raise PortLostError("the serial line is gone", where=self.where)
            try:
                for at in range(0, len(data), PIECE_BYTES):
                    piece = data[at : at + PIECE_BYTES]
                    n_written = 0
                    while n_written < len(piece):
                        n_written += self._device.write(piece[n_written:]) or 0
            except serial.SerialTimeoutException as error:
                raise PortLostError(
                    f"the serial line has taken no byte for {STUCK_S:g} s", where=self.where
                ) from error
            except (serial.SerialException, OSError, TypeError, ValueError) as error:
                self.is_lost = True
                raise PortLostError("the serial line is gone", where=self.where) from error

    def is_there(self) -> bool:
        """Return whether the device is still the one that was opened."""
        if self.is_lost:
            return False
        if os.name != "posix":
            return any(device.device == self.path for device in list_ports.comports())
        try:
            now, then = os.stat(self.path), os.fstat(self._device.fileno())
        except (OSError, serial.SerialException):
            return False
        return (now.st_ino, now.st_dev, now.st_rdev) == (then.st_ino, then.st_dev, then.st_rdev)

    def join(self, receiving: Receiving, clock: Clock) -> None:
        """Add an in-port; the first one starts the reader, which begins with what comes now."""
        with _LOCK:
            self._receivers += ((receiving, clock),)
            if self._thread is None:
                with contextlib.suppress(serial.SerialException, OSError):
                    self._device.reset_input_buffer()
                self._thread = threading.Thread(target=self._read, name=self.where, daemon=True)
                self._thread.start()

    def leave(self, receiving: Receiving) -> None:
        """Take an in-port out; with the last one the reader ends. Allowed from its own thread."""
        with _LOCK:
            self._receivers = tuple(pair for pair in self._receivers if pair[0] is not receiving)
            thread = None if self._receivers else self._thread
            if thread is not None:
                self._thread = None
                self._device.cancel_read()
        if thread is not None and thread is not threading.current_thread():
            thread.join(CLOSE_WAIT_S)

    @property
    def is_read(self) -> bool:
        """Return whether the reader works: a receiver that failed ends it."""
        return self._thread is not None and self._thread.is_alive()

    def close(self) -> None:
        """Close the device; what was written still leaves, as far as the system keeps its word."""
        with contextlib.suppress(serial.SerialException, OSError):
            self._device.close()

    def _read(self) -> None:
        me = threading.current_thread()
        while self._thread is me:
            try:
                data = self._device.read(1)
                receivers = self._receivers
                times = [clock() for _, clock in receivers]
                if data and (n_more := self._device.in_waiting):
                    data += self._device.read(n_more)
            except (serial.SerialException, OSError, TypeError, ValueError):
                if self._thread is me:
                    self.is_lost = True
                return
            if data:
                for (receiving, _), at_ns in zip(receivers, times, strict=True):
                    receiving.call(data, at_ns)


def _enter(name: str, settings: PortSettings) -> Line:
    """Return the open line of a device for one port more."""
    where = f"{KIND}:{name}"
    path = os.path.realpath(name) if os.name == "posix" else name
    with _LOCK:
        line = _LINES.get(path)
        if line is not None and not line.is_there():
            line.is_lost = True  # its ports find out; a new line takes its place
            line = None
        if line is not None and line.baud != settings.baud:
            raise PortError(
                f"the line is open at {line.baud} baud, and {settings.baud} was asked for",
                where=where,
                hint="one line has one speed in both directions",
            )
        if line is None:
            line = _LINES[path] = Line(name, path, settings.baud)
        line.n_users += 1
        return line


def _exit(line: Line) -> None:
    """Let one port go; the last closes the device."""
    with _LOCK:
        line.n_users -= 1
        if line.n_users:
            return
        if _LINES.get(line.path) is line:
            del _LINES[line.path]
    line.close()


def _opened(path: str, baud: int, where: str) -> Any:
    """Return the open device at this speed, or say in words why not."""
    if baud <= 0:
        raise PortError(f"a speed is more than 0 baud, not {baud}", where=where)
    try:
        device = _Device(path, baud, timeout=None, write_timeout=STUCK_S, exclusive=_exclusive())
    except serial.SerialException as error:
        raise _cant_open(error, where) from error
    except (ValueError, OverflowError, OSError) as error:
        raise PortError(
            f"the system refuses {baud} baud on this line", where=where, hint=_SPEED_HINT
        ) from error
    try:
        made = _speed_made(device)
        if made and abs(made - baud) > MOST_OFF * baud:
            raise PortError(
                f"the line makes {made} baud where {baud} was asked for",
                where=where,
                hint=_SPEED_HINT,
            )
    except PortError:
        device.close()
        raise
    with contextlib.suppress(ValueError, OSError, NotImplementedError, AttributeError):
        device.set_low_latency_mode(True)  # some adapters hold bytes back for 16 ms without it
    return device


_SPEED_HINT = "use a UART or an adapter that can make this speed"


class _Device(serial.Serial):  # type: ignore[misc]
    """The library's port, which leaves the control lines alone when it opens one."""

    def _update_dtr_state(self) -> None:
        if os.name != "posix":
            super()._update_dtr_state()

    def _update_rts_state(self) -> None:
        if os.name != "posix":
            super()._update_rts_state()


def _exclusive() -> bool | None:
    return True if os.name == "posix" else None  # elsewhere a device opens only once anyway


def _speed_made(device: Any) -> int:
    """Return the speed in baud that the driver says it makes; 0 where it can't be asked."""
    if sys.platform != "linux":
        return 0
    import fcntl

    fields = array("I", bytes(4 * _N_TERMIOS2))
    try:
        fcntl.ioctl(device.fileno(), _TCGETS2, fields)
    except OSError:
        return 0
    return fields[_OSPEED_AT]


def _cant_open(error: Any, where: str) -> PortError:
    number = error.errno
    if number is None and isinstance(error.__context__, OSError):
        number = error.__context__.errno
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.EIO):
        return PortLostError("there is no such device now", where=where, hint="plug it in")
    if number in (errno.EACCES, errno.EPERM):
        return PortError(
            "the system does not let you use this device",
            where=where,
            hint="another program may hold it, or your account must be allowed to: "
            "on Linux, add it to the group of the device (often dialout)",
        )
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK):
        return PortError("another program uses this device", where=where, hint="close that program")
    return PortError(f"this can't be opened as a serial line: {error}", where=where)


class _Serial:
    """What both directions share."""

    def __init__(self, name: str, line: Line) -> None:
        self._name = name
        self._line = line
        self._is_open = True
        self._closing = threading.Lock()

    @property
    def name(self) -> str:
        """Return the raw name."""
        return self._name

    @property
    def limits(self) -> Limits:
        """Return what it can't do; with its speed."""
        return self._line.limits

    def is_there(self) -> bool:
        """Return whether the device is still there."""
        return self._is_open and self._line.is_there()

    def close(self) -> None:
        """Close it; a second time does nothing."""
        with self._closing:
            if not self._is_open:
                return
            self._is_open = False
        self._leave()
        _exit(self._line)

    def _leave(self) -> None:
        """Let go what the direction holds."""


class SerialOut(_Serial):
    """A serial line to send to: any piece of the stream."""

    def send(self, data: bytes) -> None:
        """Write bytes; returns when the system has taken all of them.

        Raises
        ------
        PortError
            The port is closed.
        PortLostError
            The device is gone, or takes no bytes for five seconds.
        """
        if not self._is_open:
            raise PortError("the port is closed", where=self._line.where)
        self._line.write(data)


class SerialIn(_Serial):
    """A serial line to receive from."""

    def __init__(self, name: str, line: Line, receive: Receive, clock: Clock) -> None:
        super().__init__(name, line)
        self._receiving = Receiving(receive)
        line.join(self._receiving, clock)

    def is_there(self) -> bool:
        """Return whether the device is still there and its reader works."""
        return super().is_there() and self._line.is_read

    def _leave(self) -> None:
        self._receiving.close()
        self._line.leave(self._receiving)
