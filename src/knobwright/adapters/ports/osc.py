"""Open Sound Control over UDP: MIDI messages and numbers, to and from tablets and programs.

A name is ``ADDRESS:PORT`` (``127.0.0.1:9000``, ``[::1]:9000``) or ``PORT`` alone, which is this
machine only. An in-port takes datagrams of this machine, or of the senders that the settings list,
and of nobody else. What it does not take is counted and said in the log, at the first and then ever
more rarely.
"""

from __future__ import annotations

import contextlib
import heapq
import ipaddress
import itertools
import logging
import select
import socket
import sys
import threading
import time
from collections.abc import Sequence
from typing import NamedTuple

from knobwright.adapters.ports import osc_packet
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.receiving import CLOSE_WAIT_S
from knobwright.core.errors import DecodeError, PortError, PortLimitError, PortLostError
from knobwright.core.interfaces import (
    Clock,
    Found,
    InPort,
    Limits,
    OutPort,
    Receive,
    ReceiveNumber,
)
from knobwright.core.wire import check_whole

KIND = "osc"
LOG = logging.getLogger("knobwright.osc")
LONGEST = 8_192
LIMITS = Limits(False, LONGEST, 0, "one datagram a message; datagrams may be lost on a network")
LOOPBACK = ("127.0.0.0/8", "::1/128")
BUFFER_BYTES = 8 << 20
#: A bundle that is due later than this is given at once: the sender's clock is another.
MOST_AHEAD_NS = 2_000_000_000
MAX_WAITING = 10_000
_NTP_TO_UNIX_S = 2_208_988_800
_SO_RXQ_OVFL = 40  # Linux: how many datagrams the system threw away, with each one that comes

_Network = ipaddress.IPv4Network | ipaddress.IPv6Network


class Counts(NamedTuple):
    """What an in-port did with datagrams.

    ``n_taken`` were used, ``n_refused`` came from senders that are not listed, ``n_wrong`` were not
    understood, ``n_unused`` arguments were of no use here (texts; numbers nobody asked for),
    ``n_thrown_away`` were lost by the system before they were read, ``n_ahead`` bundles were due
    too far ahead and given at once.
    """

    n_taken: int = 0
    n_refused: int = 0
    n_wrong: int = 0
    n_unused: int = 0
    n_thrown_away: int = 0
    n_ahead: int = 0


_WORDS = {
    "n_refused": "datagrams of senders that are not listed were refused",
    "n_wrong": "datagrams were refused, since they are not as the standard says",
    "n_unused": "arguments were of no use here",
    "n_thrown_away": "datagrams were thrown away by the system, since they came too fast",
    "n_ahead": "bundles were due too far ahead and were given at once",
}


def find(surroundings: Surroundings) -> Sequence[Found]:
    """Return nothing: addresses on a network are not listed, they are named."""
    return []


def open_out(name: str, settings: PortSettings, surroundings: Surroundings) -> OutPort | None:
    """Open a port to send to ``ADDRESS:PORT``."""
    return OscOut(name)


def open_in(
    name: str,
    settings: PortSettings,
    surroundings: Surroundings,
    receive: Receive,
    receive_number: ReceiveNumber | None = None,
) -> InPort | None:
    """Open a port to receive from: listens at ``ADDRESS:PORT`` for the listed senders."""
    return OscIn(name, settings.senders, surroundings.clock, receive, receive_number)


def parse_name(name: str) -> tuple[str, int]:
    """Return address and UDP port of ``ADDRESS:PORT`` or ``PORT``.

    Raises
    ------
    PortError
        It is neither.
    """
    address, _, number = name.strip().rpartition(":")
    bare = address.removeprefix("[").removesuffix("]")
    if not number.isascii() or not number.isdigit() or not 0 < int(number[:6]) < 65_536:
        raise PortError(
            f"expected ADDRESS:PORT with a port of 1 to 65535, found {name!r}",
            where=f"{KIND}:{name}",
            hint=f"as in {KIND}:127.0.0.1:9000, or {KIND}:9000 for this machine",
        )
    return bare or "127.0.0.1", int(number)


def _networks(senders: Sequence[str], where: str) -> tuple[_Network, ...]:
    try:
        return tuple(ipaddress.ip_network(text, strict=False) for text in senders or LOOPBACK)
    except ValueError as error:
        raise PortError(
            f"a sender is an address such as 192.168.1.20, or a range of them: {error}",
            where=where,
        ) from error


def _resolved(name: str, *, to_bind: bool) -> tuple[socket.AddressFamily, tuple[object, ...]]:
    address, number = parse_name(name)
    try:
        rows = socket.getaddrinfo(
            address,
            number,
            type=socket.SOCK_DGRAM,
            flags=socket.AI_NUMERICHOST if to_bind and address != "localhost" else 0,
        )
    except (OSError, UnicodeError) as error:
        raise PortError(
            f"no machine is called {address!r}"
            if not to_bind
            else f"an address of this machine is expected as numbers, not {address!r}",
            where=f"{KIND}:{name}",
        ) from error
    return rows[0][0], rows[0][4]


class OscOut:
    """Sends each MIDI message, and numbers, as one datagram."""

    def __init__(self, name: str) -> None:
        self._name = name
        family, target = _resolved(name, to_bind=False)
        self._socket = socket.socket(family, socket.SOCK_DGRAM)
        self._lock = threading.Lock()
        self._is_open = True
        self._nobody_said = False
        try:
            self._socket.connect(target)
        except OSError as error:
            self._socket.close()
            raise PortLostError(
                f"there is no way to it: {error.strerror}", where=self._where
            ) from (error)

    @property
    def name(self) -> str:
        """Return the raw name."""
        return self._name

    @property
    def limits(self) -> Limits:
        """Return what it can't do."""
        return LIMITS

    @property
    def _where(self) -> str:
        return f"{KIND}:{self._name}"

    def send(self, data: bytes) -> None:
        """Send one whole MIDI message.

        Raises
        ------
        PortError
            The port is closed.
        PortLostError
            The system has no way to the address any more.
        PortLimitError
            It is not one whole message, or too long; nothing was sent.
        """
        if len(data) > LONGEST:
            raise PortLimitError(
                f"an exclusive of {len(data)} bytes is longer than the {LONGEST} that this carries",
                where=self._where,
                hint="nothing of it was sent; send it in parts, if the module takes parts",
            )
        try:
            check_whole(data)
        except DecodeError as error:
            raise PortLimitError(
                f"this kind takes one whole message at a time: {error.message}", where=self._where
            ) from error
        self._give(osc_packet.midi_datagram(data))

    def send_number(self, path: str, value: float) -> None:
        """Send a number to a path; whole numbers as ``i``, truth as ``T`` or ``F``, else ``f``.

        Raises
        ------
        PortLimitError
            The path can't be a name, or the number can't be carried.
        """
        try:
            datagram = osc_packet.number_datagram(path, value)
        except DecodeError as error:
            raise PortLimitError(error.message, where=self._where) from error
        self._give(datagram)

    def _give(self, datagram: bytes) -> None:
        with self._lock:
            if not self._is_open:
                raise PortError("the port is closed", where=self._where)
            try:
                try:
                    self._socket.send(datagram)
                except ConnectionRefusedError:
                    # Said about an earlier datagram, while this one has not been sent yet.
                    self._say_nobody()
                    self._socket.send(datagram)
            except ConnectionRefusedError:
                self._say_nobody()
            except OSError as error:
                raise PortLostError(
                    f"there is no way to it now: {error.strerror}", where=self._where
                ) from error

    def _say_nobody(self) -> None:
        if not self._nobody_said:
            self._nobody_said = True
            LOG.warning("%s: nobody listens there", self._where)

    def is_there(self) -> bool:
        """Return whether it is open: that nobody listens can't be told."""
        return self._is_open

    def close(self) -> None:
        """Close it; a second time does nothing."""
        with self._lock:
            self._is_open = False
            self._socket.close()


class OscIn:
    """Listens for datagrams in a thread of its own."""

    def __init__(
        self,
        name: str,
        senders: Sequence[str],
        clock: Clock,
        receive: Receive,
        receive_number: ReceiveNumber | None,
    ) -> None:
        self._name = name
        self._where = f"{KIND}:{name}"
        self._networks = _networks(senders, self._where)
        self._clock = clock
        self._receive = receive
        self._receive_number = receive_number
        self._counts = dict.fromkeys(Counts._fields, 0)
        self._waiting: list[tuple[int, int, osc_packet.Taken]] = []
        self._order = itertools.count()
        self._is_open = True
        self._socket = self._bound()
        self._wake, self._woken = socket.socketpair()
        self._thread = threading.Thread(target=self._run, name=self._where, daemon=True)
        self._thread.start()

    def _bound(self) -> socket.socket:
        family, address = _resolved(self._name, to_bind=True)
        bound = socket.socket(family, socket.SOCK_DGRAM)
        try:
            with contextlib.suppress(OSError):
                bound.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, BUFFER_BYTES)
            with contextlib.suppress(OSError):
                bound.setsockopt(socket.SOL_SOCKET, _SO_RXQ_OVFL, 1)
            bound.bind(address)
        except OSError as error:
            bound.close()
            raise PortError(
                f"it can't be listened at: {error.strerror}",
                where=self._where,
                hint="another program may listen there: choose another port",
            ) from error
        bound.setblocking(False)
        return bound

    @property
    def name(self) -> str:
        """Return the raw name."""
        return self._name

    @property
    def limits(self) -> Limits:
        """Return what it can't do."""
        return LIMITS

    @property
    def counts(self) -> Counts:
        """Return what was done with datagrams so far."""
        return Counts(**self._counts)

    def is_there(self) -> bool:
        """Return whether it still listens."""
        return self._is_open and self._thread.is_alive()

    def close(self) -> None:
        """Close it; allowed from within the call. A second time does nothing."""
        if self._is_open:
            self._is_open = False
            with contextlib.suppress(OSError):
                self._wake.send(b"\0")
        if threading.current_thread() is not self._thread:
            self._thread.join(CLOSE_WAIT_S)

    # -- the thread ---------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while self._is_open:
                timeout_s = None
                if self._waiting:
                    timeout_s = max(0.0, (self._waiting[0][0] - self._clock()) / 1e9)
                select.select([self._socket, self._woken], [], [], timeout_s)
                for datagram, sender, at_ns in self._drained():
                    self._take(datagram, sender, at_ns)
                self._give_due()
        finally:
            for each in (self._socket, self._wake, self._woken):
                each.close()

    def _drained(self) -> list[tuple[bytes, str, int]]:
        """Return all datagrams that wait; they are read first, lest the system throw some away."""
        found: list[tuple[bytes, str, int]] = []
        while len(found) < MAX_WAITING:
            try:
                if hasattr(self._socket, "recvmsg"):
                    data, extra, _, sender = self._socket.recvmsg(65_536, 64)
                    self._note_thrown_away(extra)
                else:
                    data, sender = self._socket.recvfrom(65_536)
            except BlockingIOError:
                break
            except OSError:  # on some systems a complaint about an earlier datagram
                break
            found.append((data, sender[0], self._clock()))
        return found

    def _note_thrown_away(self, extra: Sequence[tuple[int, int, bytes]]) -> None:
        for level, kind, data in extra:
            if level == socket.SOL_SOCKET and kind == _SO_RXQ_OVFL and len(data) == 4:
                total = int.from_bytes(data, sys.byteorder)
                self._count("n_thrown_away", total - self._counts["n_thrown_away"])

    def _take(self, datagram: bytes, sender: str, at_ns: int) -> None:
        if not self._is_listed(sender):
            self._count("n_refused", detail=sender)
            return
        try:
            parts = osc_packet.take_apart(datagram)
        except DecodeError as error:
            self._count("n_wrong", detail=error.message)
            return
        self._count("n_taken")
        for part in parts:
            self._count("n_unused", part.n_unused)
            due_ns = self._due_ns(part.timetag, at_ns)
            if due_ns <= at_ns:
                self._give(part, at_ns)
            else:
                self._hold(part, due_ns)

    def _is_listed(self, sender: str) -> bool:
        address: ipaddress.IPv4Address | ipaddress.IPv6Address
        address = ipaddress.ip_address(sender.partition("%")[0])
        if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
            address = address.ipv4_mapped
        return any(address in network for network in self._networks)

    def _due_ns(self, timetag: int, at_ns: int) -> int:
        """Return when a bundle is due on the monotonic clock; its own time is the wall clock's."""
        if timetag <= osc_packet.IMMEDIATELY:
            return at_ns
        seconds = timetag / (1 << 32) - _NTP_TO_UNIX_S
        ahead_ns = int((seconds - time.time()) * 1e9)
        if ahead_ns <= 0:
            return at_ns
        if ahead_ns > MOST_AHEAD_NS or len(self._waiting) >= MAX_WAITING:
            self._count("n_ahead")
            return at_ns
        return at_ns + ahead_ns

    def _hold(self, part: osc_packet.Taken, due_ns: int) -> None:
        heapq.heappush(self._waiting, (due_ns, next(self._order), part))

    def _give_due(self) -> None:
        while self._is_open and self._waiting and self._waiting[0][0] <= self._clock():
            _, _, part = heapq.heappop(self._waiting)
            self._give(part, self._clock())

    def _give(self, part: osc_packet.Taken, at_ns: int) -> None:
        for message in part.midi:
            if self._is_open:
                self._receive(message, at_ns)
        for path, value in part.numbers:
            if self._receive_number is None:
                self._count("n_unused")
            elif self._is_open:
                self._receive_number(path, value, at_ns)

    def _count(self, what: str, n: int = 1, detail: str = "") -> None:
        if n <= 0:
            return
        before = self._counts[what]
        now = self._counts[what] = before + n
        if what in _WORDS and (before == 0 or len(str(before)) < len(str(now))):
            LOG.warning("%s: %d %s%s", self._where, now, _WORDS[what], detail and f" ({detail})")
