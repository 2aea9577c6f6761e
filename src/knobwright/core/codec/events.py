"""What a decoder makes of messages: settings, programs, dumps, parts, and what it can't explain."""

from __future__ import annotations

from msgspec import Struct

from knobwright.core.sheet.records import Raw


class Setting(Struct, frozen=True, tag="setting"):
    """A parameter was set.

    ``channel`` is 1 to 16 or ``None``; ``note`` a key number or ``None``; ``route`` the number of
    the route (0 is the parameter's own line). ``implied`` tells that no byte said so itself: a
    high half that came cleared it. ``step`` is +1 or -1 for an increment or decrement. ``sure``
    is false where a condition is unknown that decides between several parameters: then each of
    them is named.
    """

    key: str
    value: Raw
    channel: int | None = None
    note: int | None = None
    route: int = 0
    implied: bool = False
    step: int = 0
    sure: bool = True


class Part(Struct, frozen=True, tag="part"):
    """Bytes that belong to something and set nothing yet: a selection, a bank, a first half."""

    words: str
    key: str = ""
    channel: int | None = None


class ProgramSet(Struct, frozen=True, tag="program"):
    """A program was chosen: the printed number, the bank and the name (empty if not listed)."""

    channel: int
    number: int
    bank: tuple[int, int]
    name: str = ""


class Note(Struct, frozen=True, tag="note"):
    """A note begins (``velocity`` 1 to 127) or ends (0)."""

    channel: int
    key: int
    velocity: int


class Dump(Struct, frozen=True, tag="dump"):
    """A block came: its unpacked bytes and the settings that stand in it."""

    block: str
    data: bytes
    settings: tuple[Setting, ...] = ()


class Request(Struct, frozen=True, tag="request"):
    """Somebody asks for a block, or (``block`` empty) for the identity."""

    block: str
    channel: int | None = None


class Plain(Struct, frozen=True, tag="plain"):
    """A message of the standard that sets no parameter (clock, start, active sensing ...)."""

    words: str


class Unexplained(Struct, frozen=True, tag="unexplained"):
    """A message that the sheet does not explain, and why."""

    data: bytes
    reason: str


Event = Setting | Part | ProgramSet | Note | Dump | Request | Plain | Unexplained
