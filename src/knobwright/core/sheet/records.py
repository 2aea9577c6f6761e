"""The records of a checked sheet: what ``build`` makes of the TOML and the codec compiles.

All are frozen. Raw values are integers before coding into bits (or lists and texts for runs);
channels are 1 to 16, key numbers 0 to 127.
"""

from __future__ import annotations

from bisect import bisect_right

from msgspec import Struct

from knobwright.core.sheet.line import Line

#: A raw value: a number, or for runs a text or a list of numbers.
Raw = int | str | tuple[int, ...]


class Checksum(Struct, frozen=True):
    """A named checksum: ``rule`` is a row of ``CHECKSUMS``; ``over`` is sent or unpacked."""

    name: str
    rule: str
    over: str = "sent"


class DigitMap(Struct, frozen=True):
    """A map from a number to a byte or digit: ``values[i]`` stands for channel i + 1, key i, ..."""

    name: str
    of: str
    values: tuple[int, ...]


class Template(Struct, frozen=True):
    """A line with the checksums and maps that its words name.

    ``checksums[k]`` belongs to the k-th span; ``maps`` gives the map of each letter.
    """

    line: Line
    checksums: tuple[Checksum, ...] = ()
    maps: tuple[tuple[str, DigitMap], ...] = ()

    def map_of(self, letter: str) -> DigitMap:
        """Return the map of a letter; it is there, or the sheet would not have passed."""
        return next(m for name, m in self.maps if name == letter)

    @property
    def per(self) -> frozenset[str]:
        """Return what the line can tell apart by itself: channel, key or both."""
        found = {m.of for _, m in self.maps} & {"channel", "key"}
        if self.line.needs_channel:
            found.add("channel")
        if self.line.needs_key:
            found.add("key")
        return frozenset(found)


class Route(Struct, frozen=True):
    """One way to a parameter."""

    template: Template
    prefer: bool = False
    origin: str = ""
    note: str = ""


class Shown(Struct, frozen=True):
    """How a raw value is shown: ``formula`` in ``v``, the unit, and digits behind the point."""

    formula: str = "v"
    unit: str = ""
    digits: int | None = None


class When(Struct, frozen=True):
    """A condition: parameter ``key`` has one of ``values`` (raw)."""

    key: str
    values: tuple[int, ...]


class At(Struct, frozen=True):
    """A place in an unpacked dump: bits ``high`` to ``low`` of byte ``byte`` (from 0)."""

    block: str
    byte: int
    high: int = 6
    low: int = 0


class Parameter(Struct, frozen=True):
    """Something a line sets.

    ``ranges`` are the allowed raw values as (low, high) pairs, both included, ascending.
    ``routes[0]`` is the parameter's own line. ``place`` is where the leaflet says so;
    ``included`` the name of the included sheet it came from (empty for the sheet's own).
    """

    key: str
    label: str
    routes: tuple[Route, ...]
    ranges: tuple[tuple[int, int], ...]
    section: str = ""
    per: frozenset[str] = frozenset()
    default: Raw | None = None
    choices: dict[int, str] = {}
    coding: str = "plain"
    zero: int | None = None
    shown: Shown | None = None
    unit: str = ""
    type: str = ""
    when: tuple[When, ...] = ()
    at: tuple[At, ...] = ()
    danger: str = ""
    place: str = ""
    note: str = ""
    included: str = ""

    @property
    def sent_route(self) -> Route:
        """Return the route that is sent: the preferred one, or else the parameter's own line."""
        return next((route for route in self.routes if route.prefer), self.routes[0])

    @property
    def is_action(self) -> bool:
        """Return whether the parameter is an action: one that carries no value."""
        return self.routes[0].template.line.is_action

    @property
    def n_value_bits(self) -> int:
        """Return how many bits the value takes in the finest route."""
        return max(route.template.line.n_value_bits for route in self.routes)

    def allows(self, raw: int) -> bool:
        """Return whether a raw number lies in the allowed ranges."""
        i = bisect_right(self.ranges, (raw, raw + (1 << 64)))
        return i > 0 and raw <= self.ranges[i - 1][1]


class Setup(Struct, frozen=True):
    """One message of what "reset" means, with the rest in milliseconds after it."""

    template: Template
    rest_ms: int = 0
    note: str = ""
    danger: str = ""


class Program(Struct, frozen=True):
    """A program: printed ``number``, ``bank`` (high, low), voices one note takes, key range."""

    number: int
    name: str
    bank: tuple[int, int] = (0, 0)
    voices: int = 1
    keys: tuple[int, int] = (0, 127)
    tail_ms: int = 0
    family: str = ""


class Kit(Struct, frozen=True):
    """A drum kit: key number to name, and groups of keys of which one stops the others."""

    number: int
    names: dict[int, str]
    name: str = ""
    bank: tuple[int, int] = (0, 0)
    exclusive: tuple[tuple[int, ...], ...] = ()
    tail_ms: int = 0


class Programs(Struct, frozen=True):
    """How programs are chosen: the line, and the printed number of program byte 0."""

    template: Template
    first: int = 1


class Block(Struct, frozen=True):
    """A dump: its line, the request that asks for it, packing and size in unpacked bytes."""

    key: str
    template: Template
    label: str = ""
    request: Template | None = None
    packing: str = "none"
    size: int | None = None
    danger: str = ""
    place: str = ""


class Question(Struct, frozen=True):
    """What drafting or checking could not decide.

    ``gives`` tells what each choice writes into the thing in doubt; ``takes`` what may be typed
    instead of a choice; ``also`` the other parameters that the same answer settles.
    """

    about: str
    place: str
    understood: str
    choices: dict[str, str]
    gives: dict[str, dict[str, object]] = {}
    takes: str = ""
    also: tuple[str, ...] = ()

    @property
    def thing(self) -> str:
        """Return what the question is about without its topic (``KEY/topic``)."""
        return self.about.partition("/")[0]


class Module(Struct, frozen=True):
    """The module: names, identity in the order of the identity reply, voices and channels."""

    name: str
    maker: str = ""
    maker_id: bytes = b""
    family: bytes = b""
    member: bytes = b""
    version: bytes = b""
    device_ids: tuple[int, ...] = (0x7F,)
    voices: int = 0
    channels: tuple[int, ...] = tuple(range(1, 17))
    drum_channels: tuple[int, ...] = ()
    note: str = ""


class Receiver(Struct, frozen=True):
    """How the module takes bytes: rests, start-up time, what it understands."""

    gap_ms: int = 0
    gap_holds: str = "exclusive"
    boot_ms: int = 0
    replies: bool = False
    running_status: bool = True
    active_sensing: bool = False


class Sheet(Struct, frozen=True):
    """A checked sheet."""

    module: Module
    receiver: Receiver = Receiver()
    setup: tuple[Setup, ...] = ()
    programs: Programs | None = None
    program: tuple[Program, ...] = ()
    kits: tuple[Kit, ...] = ()
    checksums: dict[str, Checksum] = {}
    maps: dict[str, DigitMap] = {}
    parameters: tuple[Parameter, ...] = ()
    blocks: tuple[Block, ...] = ()
    questions: tuple[Question, ...] = ()
    includes: tuple[str, ...] = ()
