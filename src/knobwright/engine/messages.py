"""What goes through the pipe between the engine's process and the one that started it.

What the bridge tells of itself (``engine/told.py``) travels here too. Each record is a msgpack map
with its name as tag. :func:`write` and the two ``read`` functions are the only way in and out, so
that nothing that is not one of these records is ever acted on. Times are of the monotonic clock,
which all processes of the machine share.

To add a record: a class here, its name in ``Order`` (to the engine) or ``Report`` (from it), and a
row where it is handled: ``engine/serve.py`` or whoever listens to the supervisor.
"""

from __future__ import annotations

from typing import TypeVar

import msgspec

from knobwright.core.errors import InputError
from knobwright.core.sheet.records import Raw
from knobwright.engine.told import Told

#: How many bytes of exclusive one record may carry, with room for its other fields.
MAX_RECORD_BYTES = 4 << 20


class PortPlan(msgspec.Struct, frozen=True):
    """A port and how it is opened; see ``adapters/ports/kind.py`` for what a kind makes of it."""

    address: str
    baud: int = 0
    senders: tuple[str, ...] = ()
    api: str = ""
    modelled: bool = False


class LinkPlan(msgspec.Struct, frozen=True):
    """How a module is reached, and how it takes bytes.

    Attributes
    ----------
    out : PortPlan
        The port to send to; its ``baud`` is the speed that the line is reckoned with, 0 for none.
    back : str
        Address of the port that the module answers on; empty where it can only listen.
    gap_ms, gap_holds
        Rest after an exclusive, and what must wait for it: ``exclusive`` or ``all``.
    running_status : bool
        Whether it was proven that the way takes running status.
    selections : str
        ``short`` or ``always``: whether a selection that still holds is left out.
    active_sensing : bool
        Whether the line is kept alive by FE.
    longest_exclusive : int
        In bytes; 0 for no limit but the port's own.
    quiet : tuple of int
        Controllers sent for quiet besides note-offs and pedal lifts.
    quiet_everywhere : bool
        Whether they are sent on all channels, not only where something sounded.
    ledger : str
        Path of the ledger of held notes; empty for the usual place of this address.
    """

    out: PortPlan
    back: str = ""
    gap_ms: int = 0
    gap_holds: str = "exclusive"
    running_status: bool = False
    selections: str = "short"
    active_sensing: bool = False
    longest_exclusive: int = 0
    quiet: tuple[int, ...] = (120, 123)
    quiet_everywhere: bool = False
    ledger: str = ""


class InputPlan(msgspec.Struct, frozen=True):
    """A port to listen to; ``source`` is its name in every report."""

    source: str
    port: PortPlan


# -- orders: to the engine -------------------------------------------------------------------------


class Start(msgspec.Struct, frozen=True, tag=True):
    """Open the ports and begin; the first order of all.

    ``bench`` names a bench folder, and then links and inputs come from it. Without a bench, inputs
    are only shown, and what is sent comes as :class:`Bytes`. ``first`` holds links to let go of at
    once, before anything else is read: those of an engine that died. Without ``hears`` the inputs
    of the bench stay closed. ``is_urgent`` asks the system to put the engine before other programs.
    """

    bench: str = ""
    links: tuple[LinkPlan, ...] = ()
    inputs: tuple[InputPlan, ...] = ()
    first: tuple[LinkPlan, ...] = ()
    hears: bool = True
    is_urgent: bool = True


class Bytes(msgspec.Struct, frozen=True, tag=True):
    """MIDI bytes from ``source``, cut anywhere.

    Where ``source`` is an input of the bench, it is as if its port had brought them. Anything else
    is played as it is on link number ``link`` (0 is the first): with ``is_trusted`` all of it,
    since the user has decided on it already, else what the bench lets pass. ``rest_ns`` is the rest
    that must follow its last message; not for those of an input.
    """

    data: bytes
    source: str = "page"
    link: int = 0
    rest_ns: int = 0
    is_trusted: bool = False


class Set(msgspec.Struct, frozen=True, tag=True):
    """Set a parameter; channel 1 to 16 and key number 0 to 127 where it has one of its own."""

    key: str
    raw: Raw
    channel: int | None = None
    note: int | None = None


class Quiet(msgspec.Struct, frozen=True, tag=True):
    """Stop all sound now; with ``all_channels`` also where nothing is known to sound."""

    all_channels: bool = False


class Off(msgspec.Struct, frozen=True, tag=True):
    """The module was switched off: nothing is known of its values any more."""


class Resend(msgspec.Struct, frozen=True, tag=True):
    """Send again what the module should have; with ``setup`` its reset and set-up lines first."""

    setup: bool = False


class Hear(msgspec.Struct, frozen=True, tag=True):
    """Tell, or stop telling, what a control of ``source`` sends that is being moved."""

    source: str
    on: bool = True


class Answer(msgspec.Struct, frozen=True, tag=True):
    """Answer something that was asked of the control that is being heard."""

    source: str
    name: str
    value: str


class Reset(msgspec.Struct, frozen=True, tag=True):
    """Send what the sheet calls a reset."""


class Watch(msgspec.Struct, frozen=True, tag=True):
    """Send, or stop sending, the trace: a batch each ``batch_ms``, 10 to 1 000."""

    on: bool
    batch_ms: int = 50


class Ask(msgspec.Struct, frozen=True, tag=True):
    """Ask for :class:`Stats`; ``number`` comes back in it."""

    number: int = 0


class Stop(msgspec.Struct, frozen=True, tag=True):
    """Let go of everything and end; with ``finish`` send what waits before that."""

    finish: bool = False


Order = Start | Bytes | Set | Quiet | Off | Resend | Reset | Hear | Answer | Watch | Ask | Stop

# -- reports: from the engine ----------------------------------------------------------------------


class Ready(msgspec.Struct, frozen=True, tag=True):
    """The engine runs; ``links`` are its links with the paths of their ledgers filled in."""

    links: tuple[LinkPlan, ...]
    n_let_go: int = 0


class PortState(msgspec.Struct, frozen=True, tag=True):
    """A port is there, or it is not, with the reason; told once each time it changes."""

    name: str
    direction: str
    is_there: bool
    words: str = ""


class TraceBatch(msgspec.Struct, frozen=True, tag=True):
    """Bytes that came and went: ``(at_ns, "in" or "out", port, bytes)``.

    ``n_not_shown`` counts entries that were left out since the last batch, because the reader is
    slower than the link.
    """

    entries: tuple[tuple[int, str, str, bytes], ...]
    n_not_shown: int = 0


class Stats(msgspec.Struct, frozen=True, tag=True):
    """Counts since the start, by name, and the answer to :class:`Ask` with the same number."""

    number: int
    counts: dict[str, int]


class Trouble(msgspec.Struct, frozen=True, tag=True):
    """Something that the user must know, in one sentence; ``n_more`` times more since then."""

    words: str
    where: str = ""
    hint: str = ""
    n_more: int = 0


class Stopped(msgspec.Struct, frozen=True, tag=True):
    """The last report: what sounded was let go, but for ``n_owed`` notes that can't be reached."""

    n_owed: int = 0


class Restarted(msgspec.Struct, frozen=True, tag=True):
    """Made by the supervisor: the engine had died and runs again.

    ``n_let_go`` notes were still held and were let go.
    """

    n_let_go: int
    n_times: int
    words: str = ""


class GaveUp(msgspec.Struct, frozen=True, tag=True):
    """Made by the supervisor: the engine died too often and stays down."""

    words: str
    n_times: int


Report = Ready | PortState | TraceBatch | Stats | Trouble | Stopped | Restarted | GaveUp | Told

_ENCODER = msgspec.msgpack.Encoder()
_ORDERS: msgspec.msgpack.Decoder[Order] = msgspec.msgpack.Decoder(Order)
_REPORTS: msgspec.msgpack.Decoder[Report] = msgspec.msgpack.Decoder(Report)

T = TypeVar("T")


def write(record: Order | Report) -> bytes:
    """Return the record as msgpack."""
    return _ENCODER.encode(record)


def read_order(data: bytes) -> Order:
    """Return the order that :func:`write` wrote.

    Raises
    ------
    InputError
        The bytes are none of the orders.
    """
    return _read(_ORDERS, data)


def read_report(data: bytes) -> Report:
    """Return the report that :func:`write` wrote.

    Raises
    ------
    InputError
        The bytes are none of the reports.
    """
    return _read(_REPORTS, data)


def _read(decoder: msgspec.msgpack.Decoder[T], data: bytes) -> T:
    try:
        return decoder.decode(data)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as error:
        raise InputError(f"a record of the pipe was expected, and this is none: {error}") from error
