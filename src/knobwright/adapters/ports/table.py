"""The kinds of ports, and how an address finds and opens one.

An address is ``KIND:NAME``, such as ``rtmidi:Larkfield`` or ``serial:/dev/ttyUSB0``. A bare name is
looked for among the kinds that the system lists (``rtmidi`` and ``serial``).

To add a kind, write ``adapters/ports/<kind>.py`` with the functions of
:class:`~knobwright.adapters.ports.kind.Driver` and add a row to :data:`KINDS`; the contract suite
in ``tests/contracts/test_ports.py`` wants a row for it too.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from typing import NamedTuple

from knobwright.adapters.ports.kind import Kind, PortSettings, Surroundings
from knobwright.adapters.ports.names import match
from knobwright.core.errors import NamingError, PortError
from knobwright.core.interfaces import (
    IN,
    OUT,
    Found,
    InPort,
    Limits,
    OutPort,
    Receive,
    ReceiveNumber,
)

KINDS: dict[str, Kind] = {
    row.name: row
    for row in (
        Kind(
            "rtmidi",
            "a MIDI port of the system: ALSA, JACK, CoreMIDI or WinMM; +NAME makes one of our own",
            Limits(False, 16_000, 0, "whole messages only; no running status"),
            "rtmidi_",
            direct=("+",),
            needs="rtmidi",
            extra="ports",
        ),
        Kind(
            "serial",
            "a serial line: a UART on a board or a USB adapter, by its device name",
            Limits(True, None, 31_250, "keeps the speed it is opened with"),
            "serial_",
            direct=("/",),
            needs="serial",
            extra="serial",
        ),
        Kind(
            "osc",
            "Open Sound Control over UDP: ADDRESS:PORT to send to or to listen at",
            Limits(False, 8_192, 0, "one datagram a message; datagrams may be lost on a network"),
            "osc",
            needs="pythonosc",
            extra="osc",
        ),
        Kind(
            "memory",
            "a wire inside this process: all that is sent to a name arrives at that name",
            Limits(True, None, 0, "reaches nothing outside this process"),
            "memory",
        ),
        Kind(
            "scripted",
            "a far end that follows a file NAME.script.toml: expected exchanges, or a pass-through",
            Limits(True, None, 0, "answers as its file says; a through may lose bytes on demand"),
            "scripted",
            is_file=True,
        ),
        Kind(
            "file",
            "a trace file: out records what is sent, in replays what was recorded",
            Limits(True, None, 0, "an in-port plays the file once, a line at its time"),
            "file",
            is_file=True,
        ),
        Kind(
            "standin",
            "a simulated module, by the sheet that it follows",
            Limits(True, 1 << 20, 0, "makes no sound here; replies as its sheet says"),
            "standin",
            is_file=True,
        ),
    )
}

#: Where a name without a kind is looked for.
LISTED_KINDS = tuple(row.name for row in KINDS.values() if not row.is_direct(" "))


class Address(NamedTuple):
    """A port as the user names it; ``kind`` is empty for a bare name."""

    kind: str
    name: str

    def __str__(self) -> str:
        return f"{self.kind}:{self.name}" if self.kind else self.name


class Listing(NamedTuple):
    """The ports that are there, and the kinds that could not be asked, each with the reason."""

    found: tuple[Found, ...]
    troubles: tuple[PortError, ...]


def parse_address(text: str) -> Address:
    """Return kind and name of ``KIND:NAME``; the kind is empty where no known kind stands first.

    Names of ports may hold colons themselves, so only a known kind makes an address of a text.

    Raises
    ------
    NamingError
        Nothing is left to name a port.
    """
    kind, colon, name = text.partition(":")
    address = Address(kind, name) if colon and kind in KINDS else Address("", text)
    if not address.name.strip():
        raise NamingError(
            f"a port is named KIND:NAME, and {text!r} names none",
            hint=f"kinds are {', '.join(KINDS)}",
            candidates=tuple(KINDS),
        )
    return address


def placed(address: str, folder: str) -> str:
    """Return an address whose file lies in a folder, where it names a file that is there.

    Parameters
    ----------
    address : str
        As it stands in a bench.
    folder : str
        The bench folder; empty for none.
    """
    kind, name = parse_address(address)
    if not folder or not kind or not KINDS[kind].is_file or os.path.isabs(name):
        return address
    path = os.path.join(folder, name)
    # A stand-in may be of a standard sheet, which is no file; a trace to record to may be new.
    return f"{kind}:{path}" if kind != "standin" or os.path.exists(path) else address


def list_ports(
    kinds: Iterable[str] | None = None, surroundings: Surroundings | None = None
) -> Listing:
    """Return the ports that are there now.

    Parameters
    ----------
    kinds : iterable of str, optional
        Names of kinds; all of them when left out.
    surroundings : Surroundings, optional

    Raises
    ------
    NamingError
        There is no such kind.
    """
    around = surroundings or Surroundings()
    found: list[Found] = []
    troubles: list[PortError] = []
    for name in KINDS if kinds is None else kinds:
        try:
            found += _kind(name).find(around)
        except PortError as error:
            troubles.append(error)
    return Listing(tuple(found), tuple(troubles))


def resolve(address: str, direction: str, surroundings: Surroundings | None = None) -> Found:
    """Return the port that an address means now; its ``identity`` finds it again when it was lost.

    ``f"{found.kind}:{found.identity}"`` is an address too.

    Parameters
    ----------
    address : str
    direction : str
        ``"in"`` or ``"out"``.
    surroundings : Surroundings, optional

    Raises
    ------
    NamingError
        It fits no port, or more than one.
    PortError
        The kind can't be asked: its library or its driver is missing.
    """
    asked = parse_address(address)
    if asked.kind and KINDS[asked.kind].is_direct(asked.name):
        return Found(asked.kind, asked.name, direction, asked.name)
    if asked.kind:
        found = KINDS[asked.kind].find(surroundings or Surroundings())
        troubles: tuple[PortError, ...] = ()
    else:
        for kind in LISTED_KINDS:  # a device name says by itself what it is
            if KINDS[kind].is_direct(asked.name):
                return Found(kind, asked.name, direction, asked.name)
        found, troubles = list_ports(LISTED_KINDS, surroundings)
    try:
        return match(asked.name, [port for port in found if port.direction == direction])
    except NamingError as error:
        raise _placed(error, address, troubles) from None


def open_out(
    address: str,
    settings: PortSettings | None = None,
    surroundings: Surroundings | None = None,
) -> OutPort:
    """Open the port that an address means, to send to.

    Raises
    ------
    NamingError
        It fits no port, or more than one.
    PortError
        It can't be opened.
    """
    around = surroundings or Surroundings()
    found = resolve(address, OUT, around)
    return KINDS[found.kind].open_out(found.name, settings or PortSettings(), around)


def open_in(
    address: str,
    settings: PortSettings | None = None,
    surroundings: Surroundings | None = None,
    *,
    receive: Receive,
    receive_number: ReceiveNumber | None = None,
) -> InPort:
    """Open the port that an address means, to receive from.

    Raises
    ------
    NamingError
        It fits no port, or more than one.
    PortError
        It can't be opened.
    """
    around = surroundings or Surroundings()
    found = resolve(address, IN, around)
    kind = KINDS[found.kind]
    return kind.open_in(found.name, settings or PortSettings(), around, receive, receive_number)


def _kind(name: str) -> Kind:
    if name not in KINDS:
        raise NamingError(
            f"there is no kind of port {name!r}",
            hint=f"kinds are {', '.join(KINDS)}",
            candidates=tuple(KINDS),
        )
    return KINDS[name]


def _placed(error: NamingError, address: str, troubles: tuple[PortError, ...]) -> NamingError:
    """Return the error with the address; with why a kind could not be asked, if that may be it."""
    hint = error.hint
    kind, colon, _ = address.partition(":")
    if colon and kind and kind not in KINDS and " " not in kind:
        hint += f"; kinds that may stand before a colon are {', '.join(KINDS)}"
    for trouble in troubles:
        hint += f"; {trouble.message}" + (f": {trouble.hint}" if trouble.hint else "")
    return NamingError(error.message, where=address, hint=hint, candidates=error.candidates)
