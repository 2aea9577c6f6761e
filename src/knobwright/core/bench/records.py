"""The records of a checked bench: what ``check`` makes of ``bench.toml``."""

from __future__ import annotations

from msgspec import Struct

from knobwright.core.sheet.records import Receiver
from knobwright.core.surface.assignment import Assignment
from knobwright.core.surface.zones import Zone
from knobwright.core.wire.cost import DIN_BAUD

#: When running status is used on a link: once the link test has found that it arrives, or as said.
RUNNING_STATUS = ("proven", "always", "never")
#: How selections of RPN and NRPN are sent: left out while the same holds, or with every value.
SELECTIONS = ("short", "always")
#: What of strangers' exclusive messages is passed on.
EXCLUSIVES = ("explained", "none")

#: What quiet sends on a channel besides the note-offs that are owed: word to controller number
#: (MIDI 1.0 Detailed Specification 4.2.1, table V; 121 is explained by RP-015).
QUIET_WAYS: dict[str, int] = {
    "sound-off": 120,
    "reset-controllers": 121,
    "notes-off": 123,
}
#: On which channels: where something sounded, or on every one.
QUIET_CHANNELS = ("sounded", "all")


class Proven(Struct, frozen=True):
    """What the link test has found of a link.

    ``running_status`` tells whether it arrives whole (``None``: not tested); ``longest_exclusive``
    the most bytes that arrive, 0 where no limit was found; ``rest_ms`` the rest that the way needs
    after an exclusive message; ``at`` when that was, as text.
    """

    running_status: bool | None = None
    longest_exclusive: int = 0
    rest_ms: int = 0
    at: str = ""


class Link(Struct, frozen=True):
    """The way to the module.

    Attributes
    ----------
    out, into : str
        Addresses of the ports to the module and (may be empty) from it; ``out`` and ``in`` in the
        file.
    baud : int, bits per second
        The line's speed, kept by pacing; 0 is no limit.
    running_status, selections : str
        One of ``RUNNING_STATUS``, one of ``SELECTIONS``.
    api, senders, modelled
        For the kind of port: system, addresses that may send, whether ``memory`` keeps the speed.
    proven : Proven
        What the link test has found.
    """

    out: str
    into: str = ""
    baud: int = DIN_BAUD
    running_status: str = "proven"
    selections: str = "short"
    api: str = ""
    senders: tuple[str, ...] = ()
    modelled: bool = False
    proven: Proven = Proven()

    def uses_running_status(self, receiver: Receiver) -> bool:
        """Return whether status bytes may be left out: the module and the way both take it."""
        if not receiver.running_status or self.running_status == "never":
            return False
        return self.running_status == "always" or self.proven.running_status is True

    def gap_ms(self, receiver: Receiver) -> int:
        """Return the rest after an exclusive message in milliseconds: the longer need counts."""
        return max(receiver.gap_ms, self.proven.rest_ms)

    @property
    def longest_exclusive(self) -> int | None:
        """Return the most bytes of an exclusive message that arrive, ``None`` for no limit."""
        return self.proven.longest_exclusive or None


class Input(Struct, frozen=True):
    """Something that is played or moved: a controller, a keyboard, another program.

    Attributes
    ----------
    name : str
        What assignments and zones call it.
    port, out : str
        Addresses: where it sends, and (may be empty) where it is shown values.
    surface : str
        File of its controls; empty where it has none.
    link : int, 1 or 2
        Where what is passed on goes.
    passes : bool
        Whether what is neither assigned nor played by a zone is passed on at all.
    baud, api, senders
        For the kind of port.
    """

    name: str
    port: str
    out: str = ""
    surface: str = ""
    link: int = 1
    passes: bool = True
    baud: int = DIN_BAUD
    api: str = ""
    senders: tuple[str, ...] = ()


class Keys(Struct, frozen=True):
    """A zone of a keyboard, and whose it is (empty: of every input)."""

    input: str
    zone: Zone


class Passing(Struct, frozen=True):
    """What is passed on of what comes in and is not assigned.

    ``exclusive`` is one of ``EXCLUSIVES``; ``allow`` holds beginnings in hex that pass as well.
    ``clock`` is clock, start, continue and stop; ``common`` time code, song position and selection,
    tune request; ``reset`` is system reset (FF).
    """

    notes: bool = True
    controls: bool = True
    programs: bool = True
    bend: bool = True
    pressure: bool = True
    exclusive: str = "explained"
    allow: tuple[str, ...] = ()
    clock: bool = True
    common: bool = True
    reset: bool = False


class Quiet(Struct, frozen=True):
    """What quiet sends besides note-offs and pedal lifts: rows of ``QUIET_WAYS``; and where."""

    ways: tuple[str, ...] = ("sound-off", "notes-off")
    channels: str = "sounded"

    @property
    def controllers(self) -> tuple[int, ...]:
        """Return the controller numbers to send, in order; their value is 0."""
        return tuple(QUIET_WAYS[way] for way in self.ways)


class Bench(Struct, frozen=True):
    """One set-up.

    ``sheet`` is the file of the sheet, ``device`` the device id to send (``None``: the sheet's
    first). Channels 17 to 32 are those of the second link.
    """

    sheet: str
    links: tuple[Link, ...]
    name: str = ""
    note: str = ""
    device: int | None = None
    inputs: tuple[Input, ...] = ()
    assignments: tuple[Assignment, ...] = ()
    keys: tuple[Keys, ...] = ()
    passing: Passing = Passing()
    quiet: Quiet = Quiet()

    def zones(self, source: str) -> tuple[Zone, ...]:
        """Return the zones of an input, in the order of the file."""
        return tuple(keys.zone for keys in self.keys if keys.input in ("", source))

    def assigned(self, source: str) -> tuple[Assignment, ...]:
        """Return the assignments of an input, in the order of the file."""
        return tuple(a for a in self.assignments if a.input in ("", source))
