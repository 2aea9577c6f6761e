"""Names for programs and drum keys: the module's own, and those of General MIDI beside them.

Sources: General MIDI System Level 1 (RP-003), tables 1 to 3, for families (eight programs each) and
that channel 10 plays drums; the names themselves stand in the standard sheet ``general-midi-1``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from knobwright.core.sheet.records import Kit, Program, Sheet

#: The sixteen families of General MIDI in order: eight programs each (RP-003, table 1).
FAMILIES: tuple[str, ...] = (
    "Piano", "Chromatic Percussion", "Organ", "Guitar", "Bass", "Strings", "Ensemble", "Brass",
    "Reed", "Pipe", "Synth Lead", "Synth Pad", "Synth Effects", "Ethnic", "Percussive",
    "Sound Effects",
)  # fmt: skip
PER_FAMILY = 8
#: How the text begins that a prepared song carries.
PREPARED_FOR = "Set-up for "
#: The channel of the drums where a sheet names none (RP-003).
DRUM_CHANNEL = 10

Bank = tuple[int, int]


class Choice(NamedTuple):
    """A program as it is chosen: the printed number and the bank (high, low)."""

    number: int
    bank: Bank = (0, 0)

    def words(self) -> str:
        """Return it for people: the bank only where it is not 0, 0."""
        if self.bank == (0, 0):
            return f"program {self.number}"
        return f"program {self.number} of bank {self.bank[0]}, {self.bank[1]}"


class Names:
    """What a sheet calls its programs and drum keys.

    Parameters
    ----------
    sheet : Sheet
        Of a module, or a standard sheet.
    """

    def __init__(self, sheet: Sheet) -> None:
        self.sheet = sheet
        self.first = sheet.programs.first if sheet.programs is not None else 1
        self._programs = {(p.number, p.bank): p for p in sheet.program}
        self._kits = {(k.number, k.bank): k for k in sheet.kits}
        self.drum_channels = sheet.module.drum_channels or (DRUM_CHANNEL,)

    @property
    def has_programs(self) -> bool:
        """Return whether the sheet lists programs, so that one can be missing."""
        return bool(self.sheet.program)

    @property
    def has_kits(self) -> bool:
        """Return whether the sheet lists drum keys."""
        return any(kit.names for kit in self.sheet.kits)

    def program(self, choice: Choice) -> Program | None:
        """Return the program of the list, or ``None``."""
        return self._programs.get((choice.number, choice.bank))

    def kit(self, choice: Choice | None) -> Kit | None:
        """Return the kit that a drum channel plays.

        Where there is a single kit, it is that one, whatever number is chosen (so General MIDI 1
        has it). ``choice`` is ``None`` where none was chosen: the first of the list.
        """
        kits = self.sheet.kits
        if len(kits) == 1 or (kits and choice is None):
            return kits[0]
        return None if choice is None else self._kits.get((choice.number, choice.bank))

    def is_drums(self, channel: int) -> bool:
        """Return whether a channel (1 to 16) plays drums."""
        return channel in self.drum_channels


def prepared_text(module: str, *, is_mapped: bool) -> str:
    """Return the text that a song prepared for a module carries at its start.

    ``is_mapped`` tells that its programs went through a mapping, so that their numbers are the
    module's own and no longer those of General MIDI.
    """
    return PREPARED_FOR + module + (", programs mapped" if is_mapped else "")


def family_of(number: int) -> str:
    """Return the family of a General MIDI program.

    Parameters
    ----------
    number : int, 1 to 128
        As printed: the program byte is one less.

    Examples
    --------
    >>> family_of(1), family_of(33), family_of(128)
    ('Piano', 'Bass', 'Sound Effects')
    """
    return FAMILIES[(number - 1) // PER_FAMILY]


def spans(numbers: Sequence[int]) -> str:
    """Return whole numbers in words, those that follow each other joined: ``1-4, 10``."""
    parts: list[list[int]] = []
    for number in sorted(set(numbers)):
        if parts and number == parts[-1][1] + 1:
            parts[-1][1] = number
        else:
            parts.append([number, number])
    return ", ".join(str(low) if low == high else f"{low}-{high}" for low, high in parts)
