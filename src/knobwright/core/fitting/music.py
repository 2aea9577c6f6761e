"""The song's own messages behind the set-up: programs and drum keys mapped, banks kept right.

A program change of the song counts with the bank that the song has chosen. Where a row of the table
has sent another bank in between, the song's is sent again before the next program that no row maps.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from knobwright.core.fitting.mapping import Mapping
from knobwright.core.fitting.programs import Choice, Names
from knobwright.core.fitting.setup import Maker
from knobwright.core.fitting.told import Told

_BANKS = (0, 32)


class Changed(NamedTuple):
    """What of the music is changed: messages that go, and those in another's place.

    ``programs`` counts how often each mapped program comes: channel (1 to 16), the song's program
    and bank, the module's; ``keys`` the notes for each mapped drum key.
    """

    dropped: frozenset[Told]
    replaced: dict[Told, tuple[bytes, ...]]
    programs: dict[tuple[int, Choice, Choice], int]
    keys: dict[tuple[int, int], int]


class _Banks:
    """The bank of each channel (1 to 16), high and low."""

    def __init__(self) -> None:
        self.of: dict[int, list[int]] = {}

    def take(self, message: bytes) -> bool:
        """Take a message; return whether it selects a bank."""
        if message[0] >> 4 != 0xB or message[1] not in _BANKS:
            return False
        bank = self.of.setdefault((message[0] & 0x0F) + 1, [0, 0])
        bank[message[1] == _BANKS[1]] = message[2]
        return True

    def bank(self, channel: int) -> tuple[int, int]:
        """Return the bank of a channel; 0, 0 where none was selected."""
        high, low = self.of.get(channel, (0, 0))
        return high, low


class Mapper:
    """Maps the music of one song.

    Parameters
    ----------
    maker : Maker
        Makes the messages of programs.
    mapping : Mapping
        The user's table.
    names : Names
        Of the module: which channels play drums, and the printed number of program byte 0.
    is_reset : callable
        Tells of a message whether it sets the whole module back.
    """

    def __init__(
        self, maker: Maker, mapping: Mapping, names: Names, is_reset: Callable[[bytes], bool]
    ) -> None:
        self._maker, self._mapping, self._names = maker, mapping, names
        self._is_reset = is_reset

    def change(
        self, before: Sequence[Told], set_up: Iterable[bytes], music: Sequence[Told]
    ) -> Changed:
        """Return what is changed in the music.

        Parameters
        ----------
        before : sequence of Told
            What the song says before the music (taken over by the set-up).
        set_up : iterable of bytes
            What is sent before it instead.
        music : sequence of Told
            In playing order.
        """
        song, module = self._banks_after(row.message for row in before), self._banks_after(set_up)
        dropped: set[Told] = set()
        replaced: dict[Told, tuple[bytes, ...]] = {}
        programs: dict[tuple[int, Choice, Choice], int] = {}
        keys: dict[tuple[int, int], int] = {}
        waiting: dict[int, list[Told]] = {}  # banks that wait for their program
        for row in music:
            channel = row.channel
            if channel == 0:
                if self._is_reset(row.message):
                    song, module = _Banks(), _Banks()
            elif song.take(row.message):
                waiting.setdefault(channel, []).append(row)
            elif row.kind == 0xC:
                banks = waiting.pop(channel, [])
                bank = song.bank(channel)
                to = self._maker.mapped(channel, row.message[1], bank)
                if to is not None:
                    dropped.update(banks)
                    sent = self._maker.program_step(channel, to).messages
                    source = Choice(row.message[1] + self._maker.first, bank)
                    name = (channel, source, to)
                    programs[name] = programs.get(name, 0) + 1
                else:
                    for told in banks:
                        module.take(told.message)
                    sent = _with_bank(row.message, bank, module.bank(channel))
                for message in sent:
                    module.take(message)
                if sent != (row.message,):
                    replaced[row] = sent
            elif row.kind in (0x8, 0x9, 0xA) and self._names.is_drums(channel):
                key = row.message[1]
                to_key = self._mapping.drums.get(key, key)
                if to_key != key:
                    replaced[row] = (bytes((row.message[0], to_key, row.message[2])),)
                    if row.begins_note:
                        keys[key, to_key] = keys.get((key, to_key), 0) + 1
        return Changed(frozenset(dropped), replaced, programs, keys)

    def _banks_after(self, messages: Iterable[bytes]) -> _Banks:
        banks = _Banks()
        for message in messages:
            if self._is_reset(message):
                banks = _Banks()
            else:
                banks.take(message)
        return banks


def _with_bank(
    message: bytes, wanted: tuple[int, int], there: tuple[int, int]
) -> tuple[bytes, ...]:
    """Return a program change with the halves of its bank that the module has otherwise."""
    status = 0xB0 | message[0] & 0x0F
    halves = zip(_BANKS, wanted, there, strict=True)
    banks = [bytes((status, number, half)) for number, half, now in halves if half != now]
    return (*banks, message)
