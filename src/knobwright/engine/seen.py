"""What a stand-in tells of itself: the records of its report."""

from __future__ import annotations

from msgspec import Struct

from knobwright.core.sheet.records import Raw
from knobwright.engine.ignored import IgnoredCount


class ValueSeen(Struct, frozen=True):
    """A value as the stand-in holds it: raw, and shown as a person reads it."""

    key: str
    channel: int | None
    note: int | None
    raw: Raw
    shown: str
    default: Raw | None = None


class ProgramSeen(Struct, frozen=True):
    """The program of a channel: printed number, bank (high, low) and name (may be empty)."""

    channel: int
    number: int
    bank: tuple[int, int]
    name: str = ""


class Done(Struct, frozen=True):
    """An action that was asked for, and how often."""

    key: str
    channel: int | None
    note: int | None
    times: int


class Report(Struct, frozen=True):
    """What a stand-in holds and what it ignored.

    ``values`` are those that differ from the sheet's default, in the order of last set; ``held``
    the notes that sound, as (channel, key).
    """

    values: tuple[ValueSeen, ...]
    programs: tuple[ProgramSeen, ...]
    actions: tuple[Done, ...]
    held: tuple[tuple[int, int], ...]
    ignored: tuple[IgnoredCount, ...]
    n_ignored: int
    n_bytes: int
    n_messages: int
    n_replies: int
    n_resets: int
