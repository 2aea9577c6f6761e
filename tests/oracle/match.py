"""A message laid beside a line's message, word by word.

What a byte says narrows what is possible: the channel, the key and the device. Nothing here
imports the program.
"""

from __future__ import annotations

from typing import NamedTuple

from tests.oracle.description import Check, Map
from tests.oracle.notation import UNPACK, Message, Word, checksum

_ALL_KEYS = frozenset(range(128))


class Found:
    """What messages say under a line: who they are for, and what they carry."""

    def __init__(self, channels: frozenset[int], devices: frozenset[int]) -> None:
        self.channels = channels  # 1 to 16
        self.keys = _ALL_KEYS
        self.devices = devices
        self.bits: dict[tuple[str, int, int], int] = {}  # (parameter, high bit, low bit) -> bits
        self.run = b""  # the bytes of a run, as they came
        self.data = b""  # a dump's bytes, as they came
        self.numbers: dict[str, int] = {}  # program, bank-high, bank-low

    def of(self, key: str) -> dict[tuple[int, int], int]:
        """Return the bits of one parameter."""
        return {(high, low): b for (who, high, low), b in self.bits.items() if who == key}


class _Sums(NamedTuple):
    """Where brackets, checksums and a dump's bytes stand in a message."""

    spans: list[tuple[int, int]]  # in the order of their closing brackets
    places: list[int]
    dump: tuple[int, int]


class Reader:
    """Reads messages against lines of one sheet."""

    def __init__(
        self, maps: dict[str, Map], channels: frozenset[int], devices: frozenset[int]
    ) -> None:
        self.maps = maps
        self.channels = channels
        self.devices = devices

    def nothing_yet(self) -> Found:
        """Return what is known before the first message: everything is possible."""
        return Found(self.channels, self.devices)

    def read(
        self,
        template: Message,
        message: bytes,
        found: Found,
        checks: tuple[Check, ...] = (),
        packing: str = "none",
    ) -> bool:
        """Tell whether the message fits the template; what it says goes into ``found``."""
        if template[0].base >> 4 != message[0] >> 4:
            return False
        n_dump = len(message) - sum(word.size for word in template if word.kind != "data")
        if n_dump < 0 or (n_dump > 0 and all(word.kind != "data" for word in template)):
            return False
        place = 0
        opened: list[int] = []
        sums = _Sums([], [], (0, 0))
        for word in template:
            size = n_dump if word.kind == "data" else word.size
            piece = message[place : place + size]
            if word.kind == "open":
                opened.append(place)
            elif word.kind == "close":
                sums.spans.append((opened.pop(), place))
            elif word.kind == "sum":
                sums.places.append(place)
            elif word.kind == "data":
                sums = sums._replace(dump=(place, place + size))
                found.data = piece
            elif word.kind == "run":
                found.run = piece
            elif not self._byte(word, piece[0], found):
                return False
            place += size
        return _sums_hold(message, sums, checks, packing) and bool(found.channels and found.keys)

    def _byte(self, word: Word, byte: int, found: Found) -> bool:
        """Take one byte; false if it can't be under this word."""
        inside = byte - word.base  # what the hole holds: the byte less its fixed bits
        if word.kind == "fixed":
            return inside == 0
        if not 0 <= inside < (16 if word.base else 128):
            return False
        if word.kind == "field":
            found.bits[word.who, word.high, word.low] = inside
            return inside < 1 << (word.high - word.low + 1)
        if word.kind in ("program", "bank-high", "bank-low"):
            found.numbers[word.kind] = inside
        elif word.kind == "key":
            found.keys &= {inside}
        elif word.kind == "channel":
            found.channels &= {inside + 1}
        elif word.kind == "device":
            found.devices &= {inside}
        elif word.kind == "device-low":
            found.devices &= {device for device in self.devices if device % 16 == inside}
        elif word.kind == "map":
            self._mapped(self.maps[word.who], inside, found)
        return bool(found.devices) or "device" not in self._kind_of(word)

    def _kind_of(self, word: Word) -> str:
        return self.maps[word.who].of if word.kind == "map" else word.kind

    @staticmethod
    def _mapped(table: Map, digit: int, found: Found) -> None:
        """Keep the channels, keys or devices to which the map gives this digit."""
        where = [i for i, value in enumerate(table.values) if value == digit]
        if table.of == "channel":
            found.channels &= {i + 1 for i in where}
        elif table.of == "key":
            found.keys &= set(where)
        else:
            found.devices &= set(where)


def _sums_hold(message: bytes, sums: _Sums, checks: tuple[Check, ...], packing: str) -> bool:
    """Tell whether every checksum is what its rule gives over its bracket."""
    start_dump, end_dump = sums.dump
    for place, (start, end), check in zip(sums.places, sums.spans, checks, strict=True):
        covered = message[start:end]
        if check.over == "unpacked" and start <= start_dump < end_dump <= end:
            try:
                plain = UNPACK[packing](message[start_dump:end_dump])
            except ValueError:
                return False
            covered = message[start:start_dump] + plain + message[end_dump:end]
        if message[place] != checksum(check.rule, covered):
            return False
    return True
