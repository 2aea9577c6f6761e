"""A byte stream cut into whole messages, byte by byte: the rules of MIDI 1.0 and nothing else.

Source of every rule: MIDI 1.0 Detailed Specification 4.2.1 (1996), pages 5, 6, 29 and A-1 to A-3.
Nothing here imports the program.
"""

from __future__ import annotations

#: Data bytes after a status: by its first four bits, and for system common by the whole byte.
N_DATA_CHANNEL = {0x8: 2, 0x9: 2, 0xA: 2, 0xB: 2, 0xC: 1, 0xD: 1, 0xE: 2}
N_DATA_COMMON = {0xF1: 1, 0xF2: 2, 0xF3: 1, 0xF6: 0}


def n_data(status: int) -> int:
    """Return how many data bytes follow a status byte (0 for real-time; not for exclusive)."""
    if status < 0xF0:
        return N_DATA_CHANNEL[status >> 4]
    return N_DATA_COMMON.get(status, 0)


class Stream:
    """Collects bytes and gives back each message when it is complete, with its full status byte."""

    def __init__(self) -> None:
        self.running = 0  # the status that data bytes may follow without it; 0 is none
        self.open: bytearray | None = None  # the message being collected

    def feed(self, data: bytes) -> list[bytes]:
        """Return the messages that are complete with these bytes, in the order of their ends."""
        messages: list[bytes] = []
        for byte in data:
            messages += self._byte(byte)
        return messages

    def _byte(self, byte: int) -> list[bytes]:
        if byte >= 0xF8:
            return self._real_time(byte)
        if byte >= 0xF0:
            return self._common(byte)
        if byte >= 0x80:
            self.running = byte
            self.open = bytearray([byte])
            return []
        return self._data(byte)

    def _real_time(self, byte: int) -> list[bytes]:
        """Real-time stands anywhere and disturbs nothing; F9 and FD are undefined.

        System Reset begins afresh as at power-up: no running status (p. 33), nothing half heard.
        """
        if byte in (0xF9, 0xFD):
            return []
        if byte == 0xFF:
            self.running, self.open = 0, None
        return [bytes([byte])]

    def _common(self, byte: int) -> list[bytes]:
        """System common and exclusive clear running status, F4 and F5 too (p. A-2)."""
        unfinished, self.open = self.open, None
        self.running = 0
        if byte == 0xF7:
            if unfinished is not None and unfinished[0] == 0xF0:
                return [bytes(unfinished) + b"\xf7"]
            return []
        if byte == 0xF0 or n_data(byte) > 0:
            self.open = bytearray([byte])
            return []
        return [bytes([byte])] if byte == 0xF6 else []

    def _data(self, byte: int) -> list[bytes]:
        if self.open is None:
            if not self.running:
                return []  # no status precedes it: ignored (p. 6)
            self.open = bytearray([self.running])
        self.open.append(byte)
        status = self.open[0]
        if status == 0xF0 or len(self.open) <= n_data(status):
            return []
        message, self.open = bytes(self.open), None
        return [message]
