"""Pass-throughs: bytes and times in, bytes and times out, with faults from a table.

A good pass-through sends each byte on as soon as it has come: a byte's time later. What goes wrong
in home-made ones is a row of :data:`THROUGHS`; several faults work one after the other, in the
order in which they are named. Everything is a pure function of the bytes, their times and a seed.

To add a fault, write a :class:`~knobwright.adapters.ports.follow.Stage` in one of the
``faults_*.py`` beside this file and add a row to :data:`THROUGHS`; the tests want an example of it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from difflib import get_close_matches
from random import Random
from typing import NamedTuple

from knobwright.adapters.ports import faults_exclusive as exclusive
from knobwright.adapters.ports import faults_message as message
from knobwright.adapters.ports import faults_rate as rate
from knobwright.adapters.ports import faults_status as status
from knobwright.adapters.ports.follow import Byte, Stage
from knobwright.core.errors import InputError
from knobwright.core.wire.cost import BITS_PER_BYTE, DIN_BAUD


class Number(NamedTuple):
    """A number that a fault takes: the usual one, and from where to where it may be."""

    usual: int
    low: int
    high: int


class Made(NamedTuple):
    """What a stage is made from: its numbers by name, the time of a byte, and its chance."""

    numbers: Mapping[str, int]
    byte_ns: int
    chance: Random


class Row(NamedTuple):
    """One thing that a pass-through may do.

    ``is_fault`` is ``False`` for what a good one may do too; ``words`` completes "the pass-through
    ...".
    """

    name: str
    words: str
    make: Callable[[Made], Stage]
    numbers: Mapping[str, Number] = {}
    is_fault: bool = True


class Fault(NamedTuple):
    """A row by its name, with its numbers; made by :func:`fault`, which checks them."""

    name: str
    numbers: tuple[tuple[str, int], ...] = ()


_BYTES = Number(64, 3, 1 << 20)
_FLAG = Number(1, 0, 1)
_ONE_IN = Number(16, 1, 1 << 20)
_CHANNEL = Number(1, 1, 16)
_TIME_US = Number(1_000, 0, 10_000_000)

_ROWS = (
    Row("exclusive-dropped", "drops exclusive", lambda _: exclusive.ExclusiveDropped()),
    Row(
        "exclusive-cut",
        "cuts an exclusive after so many bytes",
        lambda made: exclusive.ExclusiveCut(made.numbers["n_bytes"], made.numbers["ended"]),
        {"n_bytes": _BYTES, "ended": _FLAG},
    ),
    Row(
        "exclusive-too-long",
        "drops an exclusive of more than so many bytes",
        lambda made: exclusive.ExclusiveTooLong(made.numbers["n_bytes"]),
        {"n_bytes": _BYTES},
    ),
    Row(
        "exclusive-split",
        "sends a long exclusive in pieces that each end with F7",
        lambda made: exclusive.ExclusiveSplit(made.numbers["n_bytes"]),
        {"n_bytes": _BYTES},
    ),
    Row(
        "deaf-after-exclusive",
        "loses what comes too soon after an exclusive",
        lambda made: exclusive.DeafAfterExclusive(made.numbers["rest_us"], made.byte_ns),
        {"rest_us": Number(20_000, 1, 10_000_000)},
    ),
    Row(
        "running-status-ignored",
        "drops data bytes without a status byte of their own",
        lambda _: status.RunningStatusIgnored(),
    ),
    Row(
        "running-status-lost",
        "forgets running status at a real-time byte",
        lambda _: status.RunningStatusLost(),
    ),
    Row(
        "running-status-kept",
        "keeps running status over exclusive and common messages",
        lambda _: status.RunningStatusKept(),
    ),
    Row("real-time-dropped", "drops real time", lambda _: status.RealTimeDropped()),
    Row(
        "real-time-moved",
        "sends a real-time byte after the message that it came in",
        lambda _: status.RealTimeMoved(),
    ),
    Row(
        "real-time-ends-exclusive",
        "ends an exclusive at a real-time byte inside it",
        lambda made: status.RealTimeEndsExclusive(made.numbers["ended"]),
        {"ended": _FLAG},
    ),
    Row(
        "real-time-breaks-message",
        "loses the rest of a message that a real-time byte came in",
        lambda _: status.RealTimeBreaksMessage(),
    ),
    Row("note-off-dropped", "drops note off (8n)", lambda _: message.NoteOffDropped()),
    Row(
        "note-on-0-dropped",
        "drops note on with velocity 0",
        lambda _: message.NoteOnZeroDropped(),
    ),
    Row(
        "channel-dropped",
        "drops the messages of a channel",
        lambda made: message.ChannelDropped(made.numbers["channel"]),
        {"channel": _CHANNEL},
    ),
    Row(
        "channel-moved",
        "moves the messages of a channel to another",
        lambda made: message.ChannelMoved(made.numbers["channel"], made.numbers["to_channel"]),
        {"channel": _CHANNEL, "to_channel": Number(2, 1, 16)},
    ),
    Row(
        "values-capped",
        "cuts off high values",
        lambda made: message.ValuesCapped(made.numbers["highest"]),
        {"highest": Number(99, 0, 126)},
    ),
    Row("common-dropped", "drops system common messages", lambda _: message.CommonDropped()),
    Row(
        "echo",
        "sends everything more than once",
        lambda made: message.Echo(made.numbers["n_times"]),
        {"n_times": Number(2, 2, 8)},
    ),
    Row(
        "stuck",
        "repeats the last message now and then",
        lambda made: message.Stuck(made.numbers["one_in"], made.numbers["n_times"]),
        {"one_in": _ONE_IN, "n_times": Number(3, 1, 100)},
    ),
    Row(
        "exchanged",
        "exchanges neighbouring messages now and then",
        lambda made: message.Exchanged(made.numbers["one_in"]),
        {"one_in": Number(8, 2, 1 << 20)},
    ),
    Row("nothing", "lets nothing pass", lambda _: message.Nothing()),
    Row(
        "lost-after-run",
        "loses bytes once more than so many have come without a rest",
        lambda made: rate.LostAfterRun(
            made.numbers["n_bytes"], made.numbers["rest_us"], made.byte_ns
        ),
        {"n_bytes": Number(64, 1, 1 << 20), "rest_us": _TIME_US},
    ),
    Row(
        "overrun",
        "reads its buffer too slowly, and loses what finds it full",
        lambda made: rate.Overrun(made.numbers["n_bytes"], made.numbers["percent"], made.byte_ns),
        {"n_bytes": Number(16, 1, 1 << 20), "percent": Number(80, 1, 99)},
    ),
    Row(
        "swapped",
        "swaps neighbouring bytes at full rate",
        lambda made: rate.Swapped(
            made.numbers["n_run"], made.numbers["one_in"], made.byte_ns, made.chance
        ),
        {"n_run": Number(12, 1, 1 << 20), "one_in": Number(4, 1, 1 << 20)},
    ),
    Row(
        "bytes-lost",
        "loses single bytes by chance",
        lambda made: rate.Lost(made.numbers["one_in"], made.chance),
        {"one_in": Number(50, 1, 1 << 20)},
    ),
    Row(
        "bytes-changed",
        "changes single data bytes by chance",
        lambda made: rate.Changed(made.numbers["one_in"], made.chance),
        {"one_in": Number(50, 1, 1 << 20)},
    ),
    Row(
        "late",
        "takes a time, and more or less of it",
        lambda made: rate.Late(made.numbers["latency_us"], made.numbers["jitter_us"], made.chance),
        {"latency_us": _TIME_US, "jitter_us": Number(0, 0, 10_000_000)},
        is_fault=False,
    ),
    Row(
        "status-left-out",
        "leaves out status bytes that repeat",
        lambda _: status.RunningStatusUsed(),
        is_fault=False,
    ),
    Row(
        "status-written",
        "puts in status bytes that were left out",
        lambda _: status.StatusWritten(),
        is_fault=False,
    ),
)

#: Everything that a pass-through may do, by name.
THROUGHS: dict[str, Row] = {row.name: row for row in _ROWS}


def fault(name: str, **numbers: int) -> Fault:
    """Return a fault by its name, with its numbers; those left out have their usual value.

    Raises
    ------
    InputError
        There is no such fault, no such number, or it is outside its range.

    Examples
    --------
    >>> fault("exclusive-cut", n_bytes=32).numbers
    (('ended', 1), ('n_bytes', 32))
    """
    row = THROUGHS.get(name)
    if row is None:
        raise InputError(f"there is no fault {name!r}", hint=_close(name, THROUGHS))
    for key, value in numbers.items():
        if key not in row.numbers:
            known = _close(key, row.numbers) if row.numbers else f"{name} takes no numbers"
            raise InputError(f"{name} has no number {key!r}", hint=known)
        _, low, high = row.numbers[key]
        if not low <= value <= high:
            raise InputError(f"{key} of {name} is {low} to {high}, not {value}")
    given = {key: number.usual for key, number in row.numbers.items()} | numbers
    return Fault(name, tuple(sorted(given.items())))


class Through:
    """A pass-through with faults.

    Both its lines carry bytes one after the other at ``baud``: what is fed faster waits its turn on
    the way in, and what it has to send waits its turn on the way out.

    Parameters
    ----------
    faults : sequence of Fault
        In the order in which they work; none for a good pass-through.
    seed : int
        Where the chance begins: the same seed gives the same bytes at the same times.
    baud : int >= 0, bits per second
        Speed of both lines; 0 for lines that take no time.

    Examples
    --------
    >>> Through([fault("real-time-dropped")], 0).feed(b"\\xf8\\xf6", 0)
    [(b'\\xf6', 960000)]
    """

    def __init__(
        self, faults: Sequence[Fault] = (), seed: int = 0, *, baud: int = DIN_BAUD
    ) -> None:
        if baud < 0:
            raise ValueError(f"baud must be 0 or more, not {baud}")
        self._byte_ns = BITS_PER_BYTE * 1_000_000_000 // baud if baud else 0
        self._stages = [
            THROUGHS[name].make(
                Made(dict(numbers), self._byte_ns, Random(f"{seed}/{index}/{name}"))
            )
            for index, (name, numbers) in enumerate(faults)
        ]
        self._in_free_ns = 0
        self._out_free_ns = 0

    def feed(self, data: bytes, at_ns: int) -> list[tuple[bytes, int]]:
        """Take bytes that are sent at ``at_ns`` and return what leaves because of them.

        Parameters
        ----------
        data : bytes
            Any number of bytes; how they are cut into pieces makes no difference.
        at_ns : int, nanoseconds
            When the sender begins, never before the piece fed last; on a line that is still busy
            they wait.

        Returns
        -------
        list of (bytes, int)
            Bytes and when their last bit arrives at the far end, in order of time; may be later
            than the next piece fed.
        """
        byte_ns = self._byte_ns
        self._in_free_ns = max(self._in_free_ns, at_ns)
        arrived: list[Byte] = []
        for byte in data:
            self._in_free_ns += byte_ns
            arrived.append((self._in_free_ns, byte))
        for stage in self._stages:
            arrived = [left for at, byte in arrived for left in stage(at, byte)]
        return self._sent(arrived)

    def _sent(self, ready: Iterable[Byte]) -> list[tuple[bytes, int]]:
        """Return the bytes as they leave on the line out; those of one time in one piece."""
        out: list[tuple[bytes, int]] = []
        piece = bytearray()
        for at_ns, byte in ready:
            free_ns = max(self._out_free_ns, at_ns) + self._byte_ns
            if piece and free_ns != self._out_free_ns:
                out.append((bytes(piece), self._out_free_ns))
                piece.clear()
            self._out_free_ns = free_ns
            piece.append(byte)
        if piece:
            out.append((bytes(piece), self._out_free_ns))
        return out


def _close(name: str, known: Iterable[str]) -> str:
    names = list(known)
    found = get_close_matches(name[:100].lower(), names, n=1, cutoff=0.55)
    return f"did you mean {found[0]!r}?" if found else f"known: {', '.join(names)}"
