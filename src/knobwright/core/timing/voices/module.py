"""What a module does with voices: how many it has, what a note takes, how long a note rings on.

The sheet says most of it; what it leaves open is an option with a plain default.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from msgspec import Struct

from knobwright.core.errors import InputError
from knobwright.core.sheet.records import Kit, Sheet
from knobwright.core.sheet.words import BANK_HIGH, BANK_LOW, FIXED

#: Repeated keys: each note takes voices of its own, or the key's voice begins anew.
ANOTHER, SAME = "another", "same"
#: A drum rings this long where nothing says how long: common practice, no source.
DRUM_MS = 500
#: The drum channel where no sheet says: General MIDI 1 (RP-003).
GM_DRUM_CHANNELS = (10,)
_NS = 1_000_000
#: Longest ring that is reckoned with: over a day.
_MAX_MS = 100_000_000


class Choices(Struct, frozen=True):
    """What the user may choose where a sheet is silent.

    Attributes
    ----------
    tail_ms : int >= 0
        How long a note rings on after its release, where its program does not say.
    drum_ms : int >= 1
        How long a drum rings from its start, where its kit does not say.
    one_shot : bool
        Drums ring out whatever their note-off says (General MIDI 2, 1.2a, 2.8.1); ``False``: drums
        end as other notes do.
    repeats : str
        ``another``: a key that is struck again takes other voices, and each note-off lets one go.
        ``same``: its voice begins anew, and the first note-off lets it go. The receiver is free
        (MIDI 1.0 Detailed Specification 4.2.1, p. A-4).
    tail_percent : int, 0 to 100
        Part of all tails after a release that is reckoned with, to try shorter ones.
    """

    tail_ms: int = 0
    drum_ms: int = DRUM_MS
    one_shot: bool = True
    repeats: str = ANOTHER
    tail_percent: int = 100

    def check(self) -> None:
        """Check that everything is in its range.

        Raises
        ------
        InputError
            Something is not.
        """
        ranges = (("tail_ms", 0, _MAX_MS), ("drum_ms", 1, _MAX_MS), ("tail_percent", 0, 100))
        for name, low, high in ranges:
            value = getattr(self, name)
            if not low <= value <= high:
                raise InputError(f"{name} is {low} to {high}, found {value}")
        if self.repeats not in (ANOTHER, SAME):
            raise InputError(
                f"a repeated key takes {ANOTHER!r} voice or the {SAME!r}, found {self.repeats!r}"
            )


class Cost(NamedTuple):
    """What a note of a program takes: voices, and its tail in nanoseconds (-1: nobody says)."""

    voices: int = 1
    tail_ns: int = -1


class Drums(NamedTuple):
    """A drum kit: how long its drums ring (-1: nobody says), and which keys stop which."""

    tail_ns: int = -1
    exclusive: tuple[tuple[int, ...], ...] = ()


class Polyphony(NamedTuple):
    """A module as far as voices go.

    Attributes
    ----------
    voices : int >= 0
        How many it has; 0 where nobody says: then nothing is ever cut.
    programs : mapping of (bank high, bank low, program byte) to Cost
        Any other program takes one voice a note.
    kits : mapping of (bank high, bank low, program byte) to Drums
        The first one stands for any other.
    drum_channels : tuple of int, 1 to 16
    hears_bank : pair of bool
        Whether the module hears bank select high and low; what it does not hear counts as 0.
    reserve : mapping of int, 1 to 16, to int
        Voices that other channels may not take from a channel.
    choices : Choices
    """

    voices: int = 0
    programs: Mapping[tuple[int, int, int], Cost] = {}
    kits: Mapping[tuple[int, int, int], Drums] = {}
    drum_channels: tuple[int, ...] = GM_DRUM_CHANNELS
    hears_bank: tuple[bool, bool] = (True, True)
    reserve: Mapping[int, int] = {}
    choices: Choices = Choices()


def polyphony(
    sheet: Sheet | None = None,
    choices: Choices | None = None,
    *,
    reserve: Mapping[int, int] | None = None,
) -> Polyphony:
    """Return what a sheet says about voices.

    Parameters
    ----------
    sheet : Sheet, optional
        Without it: any number of voices, one a note, drums on channel 10.
    choices : Choices, optional
        For what the sheet leaves open.
    reserve : mapping of int, 1 to 16, to int, optional
        Voices kept for channels; by default what the sheet says, see :func:`reserved`.
    """
    chosen = Choices() if choices is None else choices
    if sheet is None:
        return Polyphony(reserve=reserve or {}, choices=chosen)
    first = 1 if sheet.programs is None else sheet.programs.first
    programs = {
        (*row.bank, row.number - first): Cost(row.voices, _tail_ns(row.tail_ms))
        for row in sheet.program
    }
    kits = {(*kit.bank, kit.number - first): _drums(kit) for kit in sheet.kits}
    return Polyphony(
        sheet.module.voices, programs, kits, sheet.module.drum_channels, _hears_bank(sheet),
        reserved(sheet) if reserve is None else reserve, chosen,
    )  # fmt: skip


def reserved(sheet: Sheet) -> dict[int, int]:
    """Return the voices that a module keeps for each channel after it was switched on.

    That is the default of a parameter per channel whose key ends in ``voice-reserve`` (common
    practice, no source); 0 is left out.
    """
    for row in sheet.parameters:
        name = row.key.rpartition(".")[2]
        if name == "voice-reserve" and row.per == {"channel"} and isinstance(row.default, int):
            return {channel: row.default for channel in sheet.module.channels if row.default > 0}
    return {}


def _tail_ns(tail_ms: int) -> int:
    """Return a tail in nanoseconds; 0 in a sheet means that nothing is said."""
    return min(tail_ms, _MAX_MS) * _NS if tail_ms > 0 else -1


def _drums(kit: Kit) -> Drums:
    return Drums(_tail_ns(kit.tail_ms), kit.exclusive)


def _hears_bank(sheet: Sheet) -> tuple[bool, bool]:
    """Return whether the line of programs holds the bank's high and low controller."""
    if sheet.programs is None:
        return True, True
    numbers = {
        message[1].fixed
        for message in sheet.programs.template.line.messages[:-1]
        if message[1].kind == FIXED and message[2].kind in (FIXED, BANK_HIGH, BANK_LOW)
    }
    return 0 in numbers, 32 in numbers
