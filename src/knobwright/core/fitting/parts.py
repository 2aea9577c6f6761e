"""What each channel of a song plays and asks for, held against what the module has.

Notes are counted on whole arrays; what is walked over one by one are programs, banks and what sets
registered and non-registered parameters. Each distinct message of a plain controller is asked about
once: whether the sheet explains it does not depend on when it comes.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from knobwright.core.codec.plan import Codec
from knobwright.core.fitting.asked import Asked, Judge, asked_of
from knobwright.core.fitting.families import family_of_program
from knobwright.core.fitting.programs import (
    DRUM_CHANNEL,
    PREPARED_FOR,
    Choice,
    Names,
    prepared_text,
)
from knobwright.core.song.metas import metas, text
from knobwright.core.song.records import Song
from knobwright.core.song.timeline import Timeline, timeline

Int = NDArray[np.int64]
Byte = NDArray[np.uint8]

_BANK_HIGH, _BANK_LOW = 0, 32
#: Controllers whose value at the first note is told.
STARTS = {7: "volume", 11: "expression", 10: "pan", 91: "reverb send", 93: "chorus send"}


class PlayedProgram(Struct, frozen=True):
    """A program that a channel plays.

    ``number`` is printed as the sheet counts (from 1 without a sheet), ``bank`` (high, low).
    ``name`` is the module's, ``standard_name`` that of General MIDI (empty on a drum channel).
    ``is_known`` is ``None`` where no list says. ``keys`` are the lowest and highest key played,
    ``allowed`` those that the program has; ``n_outside`` counts notes outside of them.
    ``is_chosen`` is false where notes begin before any program change: the module's own choice.
    ``is_other_kind`` tells that the module's program is of another family than General MIDI's of
    that number, as its name says: a song made for General MIDI wants another one.
    """

    number: int
    bank: tuple[int, int]
    name: str
    standard_name: str
    is_known: bool | None
    is_chosen: bool
    n_changes: int
    n_notes: int
    first_ns: int
    first_tick: int
    keys: tuple[int, int] | None = None
    allowed: tuple[int, int] | None = None
    n_outside: int = 0
    is_other_kind: bool = False


class PlayedKey(Struct, frozen=True):
    """A drum key that is played; ``is_known`` is ``None`` where the sheet lists no drum keys."""

    key: int
    name: str
    standard_name: str
    is_known: bool | None
    n_notes: int
    first_ns: int
    first_tick: int


class Part(Struct, frozen=True):
    """What one channel (1 to 16) plays and asks for.

    ``keys`` are the lowest and highest key; ``first_ns`` and ``last_ns`` when the first note begins
    and the last message comes. ``starts`` are the values in force at the first note, by what they
    are (only those that the song gives). ``is_there`` is false for a channel that the module lacks.
    """

    channel: int
    is_drums: bool
    is_there: bool
    n_notes: int
    n_messages: int
    keys: tuple[int, int] | None
    first_ns: int
    first_tick: int
    last_ns: int
    programs: tuple[PlayedProgram, ...]
    drum_keys: tuple[PlayedKey, ...]
    asked: tuple[Asked, ...]
    starts: dict[str, int]


class Parts(Struct, frozen=True):
    """All parts of a song by channel, those without notes too."""

    parts: tuple[Part, ...]

    @property
    def playing(self) -> tuple[Part, ...]:
        """Return the parts that play notes."""
        return tuple(part for part in self.parts if part.n_notes)


class Rows:
    """A timeline as arrays: channel messages only, in playing order."""

    def __init__(self, line: Timeline) -> None:
        messages = line.messages
        flat = b"".join([m if len(m) == 3 else m[:3].ljust(3, b"\0") for m in messages])
        table = np.frombuffer(flat, np.uint8).reshape(-1, 3)
        plain = np.flatnonzero(table[:, 0] < 0xF0)
        self.index = plain
        self.ns: Int = line.ns[plain]
        self.tick: Int = line.tick[plain]
        self.kind: Byte = table[plain, 0] >> 4
        self.channel: Byte = table[plain, 0] & 15
        self.first: Byte = table[plain, 1]
        self.second: Byte = table[plain, 2]

    def of(self, channel: int) -> Channel:
        """Return what one channel (0 to 15) gets."""
        mine = np.flatnonzero(self.channel == channel)
        return Channel(
            channel, self.ns[mine], self.tick[mine], self.kind[mine], self.first[mine],
            self.second[mine],
        )  # fmt: skip


class Channel:
    """The messages of one channel (0 to 15) as arrays."""

    def __init__(
        self, channel: int, ns: Int, tick: Int, kind: Byte, first: Byte, second: Byte
    ) -> None:
        self.channel, self.ns, self.tick = channel, ns, tick
        self.kind, self.first, self.second = kind, first, second
        self.notes: Int = np.flatnonzero((kind == 0x9) & (second > 0))

    def __len__(self) -> int:
        return len(self.ns)


def read_parts(
    song: Song,
    codec: Codec | None = None,
    *,
    standard: Names | None = None,
    line: Timeline | None = None,
    pattern: int = 0,
) -> Parts:
    """Return what each channel of a song plays and asks for.

    Parameters
    ----------
    song : Song
        As it was read.
    codec : Codec, optional
        Of the module's sheet; without it nothing is called unknown.
    standard : Names, optional
        Of the standard sheet ``general-midi-1``: names beside the module's.
    line : Timeline, optional
        The song's, where it has been made already.
    pattern : int from 0
        Which pattern of a format 2 song.

    Raises
    ------
    InputError
        As :func:`knobwright.core.song.timeline.timeline`.
    """
    line = timeline(song, pattern=pattern) if line is None else line
    own = codec is not None and is_mapped(song, codec.sheet.module.name)
    return PartsReader(codec, standard).read(line, has_own_numbers=own)


def is_prepared(song: Song) -> bool:
    """Return whether a song says that it has a set-up already, for whatever module."""
    texts = (text(meta.content) for meta in metas(song, 0x01) if meta.tick == 0)
    return any(said.startswith(PREPARED_FOR) for said in texts)


def is_mapped(song: Song, module: str) -> bool:
    """Return whether a song says that its programs were mapped to those of a module."""
    wanted = prepared_text(module, is_mapped=True)
    return any(meta.tick == 0 and text(meta.content) == wanted for meta in metas(song, 0x01))


class PartsReader:
    """Makes the parts of songs; for many songs, what the sheet said is remembered.

    Parameters
    ----------
    codec, standard
        As in :func:`read_parts`.
    """

    def __init__(self, codec: Codec | None = None, standard: Names | None = None) -> None:
        self._codec, self._standard = codec, standard
        self._names = Names(codec.sheet) if codec is not None else None
        self._judge = Judge(codec)
        self._has_own_numbers = False

    def read(self, line: Timeline, *, has_own_numbers: bool = False) -> Parts:
        """Return the parts of a song by its timeline.

        ``has_own_numbers`` tells that it asks for programs by the module's own numbers, so that
        those of General MIDI mean nothing.
        """
        self._has_own_numbers = has_own_numbers
        rows = Rows(line)
        found = [rows.of(channel) for channel in range(16)]
        return Parts(tuple(self._part(channel) for channel in found if len(channel)))

    def _part(self, rows: Channel) -> Part:
        number = rows.channel + 1
        names = self._names or self._standard
        is_drums = names.is_drums(number) if names is not None else number == DRUM_CHANNEL
        keys = rows.first[rows.notes]
        first = int(rows.notes[0]) if len(keys) else 0
        programs = self._programs(rows, is_drums)
        is_there = self._codec is None or number in self._codec.sheet.module.channels
        return Part(
            number, is_drums, is_there, len(keys), len(rows),
            (int(keys.min()), int(keys.max())) if len(keys) else None,
            int(rows.ns[first]), int(rows.tick[first]), int(rows.ns[-1]),
            programs, self._drum_keys(rows, programs) if is_drums else (),
            asked_of(rows.channel, rows.ns, rows.tick, rows.kind, rows.first, rows.second,
                     self._judge),
            _starts(rows, first if len(keys) else len(rows)),
        )  # fmt: skip

    # -- programs --------------------------------------------------------------------------------

    def _programs(self, rows: Channel, is_drums: bool) -> tuple[PlayedProgram, ...]:
        """Return each program that is chosen or played, in the order in which it first comes."""
        places, choices = self._choices(rows)
        notes = rows.notes
        stretch = np.searchsorted(np.asarray(places, np.int64), notes, "right")
        found: dict[tuple[Choice, bool], list[int]] = {}
        for i, choice in enumerate(choices, 1):
            found.setdefault((choice, True), []).append(i)
        if len(notes) and not stretch[0]:
            first = self._names.first if self._names is not None else 1
            found = {(Choice(first), False): [0], **found}
        out = []
        for (choice, is_chosen), stretches in found.items():
            mine = notes[np.isin(stretch, stretches)] if len(choices) else notes
            at = places[stretches[0] - 1] if is_chosen else int(notes[0])
            out.append(self._played(rows, choice, is_chosen, len(stretches), mine, at, is_drums))
        return tuple(out)

    def _choices(self, rows: Channel) -> tuple[list[int], list[Choice]]:
        """Return where programs change, and to what; banks are taken as the sheet takes them."""
        controls = (rows.kind == 0xB) & ((rows.first == _BANK_HIGH) | (rows.first == _BANK_LOW))
        wanted = np.flatnonzero(controls | (rows.kind == 0xC)).tolist()
        counted = self._names.first if self._names is not None else 1
        bank = [0, 0]
        understood = self._banks()
        places, choices = [], []
        for i in wanted:
            if rows.kind[i] == 0xC:
                places.append(i)
                choices.append(Choice(int(rows.first[i]) + counted, (bank[0], bank[1])))
            elif int(rows.first[i]) in understood:
                bank[int(rows.first[i]) == _BANK_LOW] = int(rows.second[i])
        return places, choices

    def _banks(self) -> frozenset[int]:
        """Return the bank controllers that the module listens to."""
        if self._codec is None or self._codec.sheet.programs is None:
            return frozenset((_BANK_HIGH, _BANK_LOW)) if self._codec is None else frozenset()
        return frozenset(self._codec.matchers.bank_controllers)

    def _played(
        self, rows: Channel, choice: Choice, is_chosen: bool, n: int, mine: Int, at: int,
        is_drums: bool,
    ) -> PlayedProgram:  # fmt: skip
        counted = self._names.first if self._names is not None else 1
        known, name, allowed, program = None, "", None, None
        if is_drums and self._names is not None:
            kit = self._names.kit(choice if is_chosen else None)
            known = kit is not None if self._names.sheet.kits else None
            name = kit.name if kit is not None else ""
        elif self._names is not None:
            program = self._names.program(choice)
            known = program is not None if self._names.has_programs else None
            if program is not None:
                name, allowed = program.name, program.keys
        standard = None
        if self._standard is not None and not is_drums and not self._has_own_numbers:
            standard = self._standard.program(
                Choice(choice.number - counted + self._standard.first)
            )
        is_other = False
        if not is_drums and is_chosen and known and standard is not None and program is not None:
            family = family_of_program(program)
            is_other = bool(family) and family != family_of_program(standard)
        keys = rows.first[mine]
        outside = 0
        if allowed is not None:
            outside = int(np.count_nonzero((keys < allowed[0]) | (keys > allowed[1])))
        return PlayedProgram(
            choice.number, choice.bank, name, standard.name if standard is not None else "",
            known, is_chosen, n if is_chosen else 0, len(mine), int(rows.ns[at]),
            int(rows.tick[at]), (int(keys.min()), int(keys.max())) if len(keys) else None,
            allowed, outside, is_other,
        )  # fmt: skip

    # -- drums -----------------------------------------------------------------------------------

    def _drum_keys(
        self, rows: Channel, programs: tuple[PlayedProgram, ...]
    ) -> tuple[PlayedKey, ...]:
        names: dict[int, str] = {}
        lists = self._names is not None and self._names.has_kits
        if self._names is not None:
            for program in programs:
                choice = Choice(program.number, program.bank) if program.is_chosen else None
                kit = self._names.kit(choice)
                for key, name in (kit.names if kit is not None else {}).items():
                    names.setdefault(key, name)
        standard_kit = self._standard.kit(None) if self._standard is not None else None
        standard = standard_kit.names if standard_kit is not None else {}
        keys, first, counts = np.unique(
            rows.first[rows.notes], return_index=True, return_counts=True
        )
        out = []
        for key, at, n in zip(keys.tolist(), first.tolist(), counts.tolist(), strict=True):
            place = int(rows.notes[at])
            named, is_known = names.get(key, ""), key in names if lists else None
            at_ns, tick = int(rows.ns[place]), int(rows.tick[place])
            out.append(PlayedKey(key, named, standard.get(key, ""), is_known, n, at_ns, tick))
        return tuple(out)


def _starts(rows: Channel, before: int) -> dict[str, int]:
    """Return the values that the song gives before a place, by what they are."""
    found: dict[str, int] = {}
    control = rows.kind[:before] == 0xB
    for number, name in STARTS.items():
        said = np.flatnonzero(control & (rows.first[:before] == number))
        if len(said):
            found[name] = int(rows.second[said[-1]])
    return found
