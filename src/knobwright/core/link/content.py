"""Messages that can be told from each other, and the clockwork that lays them out in time.

Every message carries a number, so that loss, change, exchange and copy can be told apart. Notes are
played at velocity 1 to 7, controllers are ones without a function (table of controllers, MIDI 1.0
Detailed Specification 4.2.1), exclusives carry 7D, the identifier for non-commercial use (page 34).
"""

from __future__ import annotations

from knobwright.core.link.records import Mark, Piece, Sent
from knobwright.core.wire import N_DATA, wire_time_us

OFF = "note off"
ON = "note on"
ON_0 = "note on with velocity 0"
POLY = "key pressure"
CONTROL = "control change"
PROGRAM = "program change"
PRESSURE = "channel pressure"
BEND = "pitch bend"
EXCLUSIVE = "exclusive"

#: Kinds of channel messages, with their status byte on channel 1.
CHANNEL_KINDS = {
    OFF: 0x80,
    ON: 0x90,
    ON_0: 0x90,
    POLY: 0xA0,
    CONTROL: 0xB0,
    PROGRAM: 0xC0,
    PRESSURE: 0xD0,
    BEND: 0xE0,
}
#: System common messages that are tried, with their status byte.
COMMON_KINDS = {"time code": 0xF1, "song position": 0xF2, "song select": 0xF3, "tune request": 0xF6}
ACTIVE_SENSING = "active sensing"
#: Real-time messages that are tried, by name. FF is not: it resets what hears it.
REAL_TIME_KINDS = {
    "clock": b"\xf8",
    "start": b"\xfa",
    "continue": b"\xfb",
    "stop": b"\xfc",
    ACTIVE_SENSING: b"\xfe",
}
# Undefined controllers: they set nothing.
_CONTROLLERS = (3, 9, 14, 15, *range(20, 32), 85, 86, 87, 89, 90, *range(102, 120))
_N_PAIRS = 1 << 14
# An odd step visits all 14-bit numbers, and neighbours differ in both bytes.
_STEP, _FIRST = 2731, 77


class Numbers:
    """Makes messages of which no two of a kind have the same data bytes for a long time.

    On other channels neither: a message that comes back elsewhere must still be told.
    """

    def __init__(self) -> None:
        self._next: dict[str, int] = {}
        self._n_exclusive = 0

    def message(self, kind: str, channel: int = 0) -> bytes:
        """Return the next message of a channel kind; ``channel`` is 0 to 15.

        Of two data bytes the first is always the higher one, but for note-offs, where it is the
        lower: exchanged they are never another message of the test.
        """
        status = CHANNEL_KINDS[kind] | channel
        # The two sorts of note-on share their numbers: their keys must differ.
        counted = OFF if kind == ON_0 else kind
        while True:
            number = self._next.get(counted, 0)
            self._next[counted] = number + 1
            data = _data(kind, number)
            if len(data) < 2 or (data[0] < data[1] if kind == OFF else data[0] > data[1]):
                return bytes((status, *data))

    def common(self, kind: str) -> bytes:
        """Return the next system common message of a kind."""
        status = COMMON_KINDS[kind]
        number = self._next.get(kind, 0)
        self._next[kind] = number + 1
        data = (*_data(POLY, number), 0)[: N_DATA[status]]
        return bytes((status, *data))

    def exclusive(self, n_bytes: int) -> bytes:
        """Return the next exclusive of this length (6 or more), F0 and F7 counted."""
        number = self._n_exclusive
        self._n_exclusive += 1
        head = bytes((0xF0, 0x7D, number >> 7 & 0x7F, number & 0x7F))
        body = bytearray()
        state = number * 40_503 + 12_345
        for _ in range(n_bytes - len(head) - 1):
            # A plain congruential generator: any few bytes tell their place.
            state = (state * 1_103_515_245 + 12_345) & 0x7FFF_FFFF
            body.append(state >> 16 & 0x7F)
        return head + bytes(body) + b"\xf7"


def _data(kind: str, number: int) -> tuple[int, ...]:
    """Return the data bytes of a kind's message with this number."""
    if kind == ON:
        return (number * 37 + 5) % 128, 1 + number // 128 % 7
    if kind == OFF:
        return (number * 37 + 5) % 128, 65 + number // 128 % 7
    if kind == ON_0:
        return (number * 37 + 5) % 128, 0
    if kind == CONTROL:
        n_all = len(_CONTROLLERS)
        return _CONTROLLERS[number % n_all], (number // n_all * 11 + number * 5 + 1) % 128
    if kind in (PROGRAM, PRESSURE):
        return ((number * 37 + 5) % 128,)
    scattered = (number * _STEP + _FIRST) % _N_PAIRS
    return scattered >> 7, scattered & 0x7F


class Builder:
    """Lays out a stage: what is sent when, at the line's speed.

    Parameters
    ----------
    baud : int, bits per second
    """

    def __init__(self, baud: int) -> None:
        self._byte_us = wire_time_us(1, baud=baud)
        self._at_us = 0.0
        self._since_rest = 0
        self.pieces: list[Piece] = []
        self.messages: list[Sent] = []
        self.marks: list[Mark] = []
        self.orphans: list[tuple[bytes, str]] = []

    @property
    def length_us(self) -> int:
        """Return when the line is free again."""
        return round(self._at_us)

    def rest(self, us: float) -> None:
        """Leave the line free for a while."""
        self._at_us += us
        self._since_rest = 0

    def raw(self, data: bytes) -> None:
        """Send bytes that no message is expected for."""
        self.pieces.append(Piece(round(self._at_us), data))
        self._at_us += len(data) * self._byte_us
        self._since_rest += len(data)

    def send(self, data: bytes, kind: str, group: str, *, on_wire: bytes | None = None) -> None:
        """Send a message that must come back; ``on_wire`` is how its bytes go out if otherwise."""
        self.messages.append(Sent(data, kind, group, len(self.pieces), self._since_rest))
        self.raw(data if on_wire is None else on_wire)

    def mark(self, data: bytes, group: str, *, alone: bool = True) -> None:
        """Send a real-time byte in front of the message that comes next.

        ``alone`` is false where its byte is inside the next message's ``on_wire``.
        """
        self.marks.append(Mark(data, group, len(self.messages)))
        if alone:
            self.raw(data)
