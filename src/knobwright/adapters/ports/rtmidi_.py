"""MIDI ports of the system: ALSA and JACK on Linux, CoreMIDI on macOS, WinMM on Windows.

A name that begins with ``+`` makes a port of our own, which other programs can be joined to:
``rtmidi:+knobs`` is seen by them as ``Knobwright:knobs``.

An in-port is read by a thread of ours, twice in a millisecond, out of a long queue that the driver
fills by itself. A function of ours that is called by the driver instead would run in JACK's own
thread and wait there for the interpreter: what comes meanwhile is lost without a word, and
closing the port from another thread stands still for good.
"""

from __future__ import annotations

import re
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence

from knobwright.adapters.ports import rtmidi_driver as driver
from knobwright.adapters.ports.kind import PortSettings, Surroundings
from knobwright.adapters.ports.receiving import CLOSE_WAIT_S, Receiving
from knobwright.adapters.ports.rtmidi_look import joined_to
from knobwright.core.errors import DecodeError, PortError, PortLimitError, PortLostError
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
from knobwright.core.wire import check_whole
from knobwright.core.wire.status import START_OF_EXCLUSIVE

KIND = "rtmidi"
OURS = "+"
LONGEST = 16_000
_WHOLE = "whole messages only; no running status"
#: What an open port can't do, by system.
LIMITS = {
    # 16 379 bytes pass and 16 380 vanish without a word (JACK 1.9.21, periods of 64 and 256).
    driver.JACK: Limits(
        False, LONGEST, 0, f"{_WHOLE}; complete only from a server in synchronous mode (jackd -S)"
    ),
    # From memory of ALSA's library: its buffer is 16 384 bytes. Not measured.
    driver.ALSA: Limits(False, LONGEST, 0, _WHOLE),
    driver.CORE_MIDI: Limits(False, LONGEST, 0, _WHOLE),
    # The driver's documentation: it receives exclusive messages in buffers of 8 192 bytes.
    driver.WIN_MM: Limits(False, 8_192, 0, f"{_WHOLE}; a port can be opened only once"),
}

POLL_S = 0.0005
#: How often it is looked when nothing has come for two seconds: half the work.
IDLE_POLL_S = 0.001
IDLE_AFTER_NS = 2_000_000_000
#: How often a port that is sent to looks whether the far end is still listed (it takes 0.1 ms).
LOOK_NS = 50_000_000
BATCH = 256
_NAME_BYTES = 200  # JACK's limit for a name is 255 with the client's
_UNKNOWN_PERIOD_NS = 190_000_000  # the longest that JACK allows: 8 192 frames at 44 100 a second
_MARGIN_NS = 5_000_000


def find(surroundings: Surroundings) -> Sequence[Found]:
    """Return the ports that are there now, of every system that answers.

    Raises
    ------
    PortError
        No system answers, or a library is missing.
    """
    found: list[Found] = []
    answered = False
    for system in driver.systems():
        names = _names(system)
        if names is None:
            continue
        answered = True
        for direction in (OUT, IN):
            known = {port.name for port in found if port.direction == direction}
            new = [name for name in names[direction] if name not in known]
            found += _listed(system, direction, new)
    if not answered:
        raise no_driver()
    return found


def open_out(name: str, settings: PortSettings, surroundings: Surroundings) -> OutPort | None:
    """Open a port to send to."""
    client, period_ns = _joined(OUT, name, settings.api)
    return RtmidiOut(name, client, period_ns)


def open_in(
    name: str,
    settings: PortSettings,
    surroundings: Surroundings,
    receive: Receive,
    receive_number: ReceiveNumber | None = None,
) -> InPort | None:
    """Open a port to receive from; numbers never arrive on it."""
    client, _ = _joined(IN, name, settings.api)
    return RtmidiIn(name, client, receive, surroundings.clock)


def no_driver(asked: str = "") -> PortError:
    """Return the error that says what is missing, and what to do."""
    if driver.ALSA in driver.SYSTEMS and asked in ("", driver.ALSA, driver.JACK):
        return PortError(
            "there is no MIDI driver here: neither an ALSA device nor a running JACK server",
            where=KIND,
            hint="plug in a MIDI interface, or start a JACK server; "
            "ports of the kinds memory, file and standin need none",
        )
    return PortError(f"the system's MIDI driver {asked} does not answer", where=KIND)


def identity_of(name: str, system: str) -> str:
    """Return a raw name without the numbers that the system gives anew each time.

    ALSA writes client and port behind the name (``Larkfield MIDI 1 20:0``), WinMM the port's place
    in its list (``Larkfield 3``); JACK tells clients of one name apart by ``-01``, and a bridge
    from ALSA writes the client's number in brackets. Common practice of the systems, no source.
    """
    if system == driver.ALSA:
        return re.sub(r"\s+\d+:\d+$", "", name)
    if system == driver.WIN_MM:
        return re.sub(r"\s+\d+$", "", name)
    if system == driver.JACK:
        return re.sub(r"\s*\[\d+\]", "", re.sub(r"-\d\d(?=:)", "", name))
    return name


def _names(system: str) -> dict[str, list[str]] | None:
    """Return the raw names of one system by direction; ``None`` where it does not answer."""
    if system == driver.JACK and driver.can_survey():
        survey = driver.survey_jack()
        return None if survey is None else survey.names
    names: dict[str, list[str]] = {}
    for direction in (OUT, IN):
        open_one = driver.borrowed(direction, system)
        client = open_one or driver.make_client(direction, system)
        if client is None:
            return None
        names[direction] = client.names()
        if open_one is None:
            client.release()
    return names


def _listed(system: str, direction: str, names: list[str]) -> list[Found]:
    """Return the ports; one whose identity another shares keeps its raw name as identity."""
    identities = [identity_of(name, system) for name in names]
    return [
        Found(KIND, name, direction, identity if identities.count(identity) == 1 else name)
        for name, identity in zip(names, identities, strict=True)
    ]


def _join(direction: str, name: str, asked: str) -> driver.Client:
    """Return a native object that is joined to the port of this raw name, or that is one itself."""
    where = f"{KIND}:{name}"
    if name.startswith(OURS) and not 0 < len(name[1:].strip().encode()) <= _NAME_BYTES:
        raise PortError(f"a name after + has 1 to {_NAME_BYTES} bytes", where=where)
    answered = False
    for system in driver.systems(asked):
        client = driver.make_client(direction, system)
        if client is None:
            continue
        answered = True
        try:
            if _opened(client, direction, name, where):
                return client
        except BaseException:
            client.release()
            raise
        client.release()
    if not answered:
        raise no_driver(asked)
    raise PortLostError("the port is not there", where=where)


def _opened(client: driver.Client, direction: str, name: str, where: str) -> bool:
    """Open the port in the native object; ``False`` where its system has no such port."""
    rtmidi = driver.library()
    try:
        with driver.quiet(), client.lock:
            if name.startswith(OURS):
                client.native.open_virtual_port(name[1:])
            elif not _opened_by_number(client, direction, name):
                return False
            if direction == IN:  # all that is filtered by habit is wanted here
                client.native.ignore_types(sysex=False, timing=False, active_sense=False)
    except (rtmidi.RtMidiError, RuntimeError, NotImplementedError) as error:
        raise _refused(str(error), where) from error
    if client.complaints:
        raise _refused(client.complaints[0], where)
    return True


def _opened_by_number(client: driver.Client, direction: str, name: str) -> bool:
    """Open the port whose place in the list is the name's.

    The list can change between looking and opening, and then another port would be opened: so it
    is looked at once more, and begun anew where it is another.
    """
    for _ in range(5):
        before = client.names()
        if name not in before:
            return False
        client.native.open_port(before.index(name), direction)
        # The new port of ours stands in its own direction's list, never in the one looked at.
        if client.names() == before:
            return True
        client.native.close_port()
    return False


def _joined(direction: str, name: str, asked: str) -> tuple[driver.Client, int]:
    """Return a native object that is joined, and a JACK server's period in ns (0: not known).

    The driver does not look whether the server has done what it was told, so it is looked here,
    and begun anew where it has not.
    """
    for attempt in range(1, driver.JACK_TRIES + 1):
        client = _join(direction, name, asked)
        if client.system != driver.JACK:
            return client, 0
        survey = driver.survey_jack("" if name.startswith(OURS) else name)
        if survey is None or name.startswith(OURS) or _is_ours(survey.joined):
            return client, survey.period_ns if survey else 0
        client.release()
        time.sleep(driver.JACK_PAUSE_S * attempt)
    raise PortLostError("the JACK server does not join us to it", where=f"{KIND}:{name}")


def _is_ours(joined: tuple[str, ...]) -> bool:
    return any(port.startswith(driver.CLIENT_NAME) for port in joined)


def _refused(words: str, where: str) -> PortError:
    return PortError(
        f"the driver can't open it: {words.strip() or 'it gives no reason'}",
        where=where,
        hint="another program may hold it: close that program, or choose another port",
    )


class _Rtmidi:
    """What both directions share."""

    def __init__(self, name: str, client: driver.Client) -> None:
        self._name = name
        self._client = client
        self._is_open = True

    @property
    def name(self) -> str:
        """Return the raw name."""
        return self._name

    @property
    def limits(self) -> Limits:
        """Return what it can't do, on the system that it is of."""
        return LIMITS[self._client.system]

    @property
    def _where(self) -> str:
        return f"{KIND}:{self._name}"

    def is_there(self) -> bool:
        """Return whether the server still runs and we are joined to the port.

        A port of our own is there as long as the server is.
        """
        if not self._is_listed():
            return False
        if self._client.system != driver.JACK or self._name.startswith(OURS):
            return True
        joined = joined_to(self._name)
        return joined is None or _is_ours(joined)

    def _is_listed(self) -> bool:
        """Return whether the server still runs and lists the port; quick."""
        if not self._is_open or not self._client.is_alive:
            return False
        return self._name.startswith(OURS) or self._name in self._client.names()


class RtmidiOut(_Rtmidi):
    """A port of the system to send to."""

    def __init__(self, name: str, client: driver.Client, period_ns: int) -> None:
        super().__init__(name, client)
        self._room = Room(period_ns) if client.system == driver.JACK else None
        self._looked_ns = time.monotonic_ns()

    def send(self, data: bytes) -> None:
        """Hand one whole message to the driver.

        Raises
        ------
        PortError
            The port is closed.
        PortLostError
            The server has ended, or the driver can't send.
        PortLimitError
            It is not one whole message, or too long; nothing was sent.
        """
        if not self._is_open:
            raise PortError("the port is closed", where=self._where)
        self._check(data)
        if self._room is not None:
            self._room.take(len(data), self._check_alive)
        with self._client.lock:
            self._check_alive()
            self._check_far_end()
            self._client.complaints.clear()
            self._client.native.send_message(data)
            if self._client.complaints:
                raise PortLostError(
                    f"the driver can't send: {self._client.complaints[0].strip()}",
                    where=self._where,
                )

    def _check(self, data: bytes) -> None:
        try:
            check_whole(data)
        except DecodeError as error:
            raise PortLimitError(
                f"this kind takes one whole message at a time: {error.message}", where=self._where
            ) from error
        longest = self.limits.longest_exclusive
        if longest is not None and len(data) > longest and data[0] == START_OF_EXCLUSIVE:
            raise PortLimitError(
                f"an exclusive of {len(data)} bytes is longer than the {longest} that this carries",
                where=self._where,
                hint="nothing of it was sent; send it in parts, if the module takes parts",
            )

    def _check_alive(self) -> None:
        if not self._client.is_alive:
            raise PortLostError("the MIDI driver has ended", where=self._where)

    def _check_far_end(self) -> None:
        """Look now and then whether the port is still listed: drivers take bytes for nobody."""
        now_ns = time.monotonic_ns()
        if now_ns - self._looked_ns < LOOK_NS:
            return
        if not self._is_listed():
            raise PortLostError("the port is gone", where=self._where)
        self._looked_ns = now_ns

    def close(self) -> None:
        """Close it; a second time does nothing. What was handed over still leaves."""
        if not self._is_open:
            return
        self._is_open = False
        if self._room is not None and self._client.is_alive:
            self._room.empty()
        self._client.release()


class RtmidiIn(_Rtmidi):
    """A port of the system to receive from, with the thread that reads it."""

    def __init__(self, name: str, client: driver.Client, receive: Receive, clock: Clock) -> None:
        super().__init__(name, client)
        self._receiving = Receiving(receive)
        self._clock = clock
        self._thread = threading.Thread(target=self._read, name=f"{KIND} {name}", daemon=True)
        self._thread.start()

    def is_there(self) -> bool:
        """Return whether the port is still listed and its reader works."""
        return self._thread.is_alive() and super().is_there()

    def close(self) -> None:
        """Close it; allowed from within the call. A second time does nothing."""
        self._is_open = False
        self._receiving.close()
        if threading.current_thread() is not self._thread:
            self._thread.join(CLOSE_WAIT_S)

    def _read(self) -> None:
        try:
            last_ns = self._clock()
            while self._is_open:
                batch = self._batch()
                if batch is None:
                    return
                at_ns = self._clock()
                for data in batch:
                    self._receiving.call(data, at_ns)
                if batch:
                    last_ns = at_ns
                if len(batch) < BATCH:
                    time.sleep(POLL_S if at_ns - last_ns < IDLE_AFTER_NS else IDLE_POLL_S)
        finally:
            self._client.release()

    def _batch(self) -> list[bytes] | None:
        """Return what waits, some hundred messages at most; ``None`` once the client is gone."""
        client = self._client
        batch: list[bytes] = []
        with client.lock:
            native = client.native
            if native is None:
                return None
            while len(batch) < BATCH and (message := native.get_message()) is not None:
                batch.append(bytes(message[0]))
        return batch


class Room:
    """Keeps what is on its way to a JACK server below what its driver can hold.

    The driver keeps 16 383 bytes, 4 of them for each message beside its own; where they are full it
    waits while it holds the interpreter, so that nothing of this process runs, not even what would
    make room. And a server's port takes 32 KiB in one period (12 bytes for each message beside its
    own): what is beyond is lost without a word. A period takes all that waits, so it is enough to
    count what was handed over in the last few of them.

    Parameters
    ----------
    period_ns : int >= 0
        The server's period; 0 where it is not known.
    """

    MAX_BYTES = 16_379
    MAX_MESSAGES = 1_000
    PER_MESSAGE_BYTES = 4

    def __init__(self, period_ns: int) -> None:
        self._window_ns = 3 * (period_ns or _UNKNOWN_PERIOD_NS // 3) + _MARGIN_NS
        self._given: deque[tuple[int, int]] = deque()
        self._n_bytes = 0
        self._lock = threading.Lock()

    def take(self, n_bytes: int, check: Callable[[], None]) -> None:
        """Wait until a message of so many bytes has room, and count it; ``check`` may give up."""
        cost = n_bytes + self.PER_MESSAGE_BYTES
        with self._lock:
            while True:
                now_ns = time.monotonic_ns()
                while self._given and self._given[0][0] <= now_ns - self._window_ns:
                    self._n_bytes -= self._given.popleft()[1]
                fits = self._n_bytes + cost <= self.MAX_BYTES
                if fits and len(self._given) < self.MAX_MESSAGES:
                    self._given.append((now_ns, cost))
                    self._n_bytes += cost
                    return
                check()
                left_ns = self._given[0][0] + self._window_ns - now_ns
                time.sleep(max(left_ns, 100_000) / 1e9)

    def empty(self) -> None:
        """Wait until all that was handed over has left: two periods at most behind the last."""
        with self._lock:
            if self._given:
                left_ns = self._given[-1][0] + self._window_ns - time.monotonic_ns()
                time.sleep(max(left_ns, 0) / 1e9)
