"""Sends a few messages to a port in this process, in their order, at the speed of the line."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import NamedTuple

from knobwright.adapters.clock import monotonic_ns
from knobwright.core.errors import PortLimitError
from knobwright.core.interfaces import OutPort
from knobwright.core.timing.merge import from_messages
from knobwright.core.timing.pacing import Pacing
from knobwright.exports.timed import Timed
from knobwright.wiring.links import byte_ns

_NS = 1_000_000_000
_MS_NS = 1_000_000


class Sent(NamedTuple):
    """What was sent: the port's raw name, counts, and how long it takes the line, rests too."""

    port: str
    n_messages: int
    n_bytes: int
    line_ns: int


def send(port: OutPort, messages: Sequence[Timed], *, baud: int, gap_ms: int = 0) -> Sent:
    """Send whole messages and wait until the last byte is out and the last rest over.

    Parameters
    ----------
    port : OutPort
        Open; it stays open.
    messages : sequence of Timed
        Whole messages, each with its status byte, and the rest behind each.
    baud : int >= 0, bits per second
        Speed of the line; 0 for no limit.
    gap_ms : int >= 0
        Rest behind every exclusive message.

    Raises
    ------
    PortLostError
        The port is gone.
    PortLimitError
        The kind of port can't carry a message; nothing was sent.
    """
    longest = port.limits.longest_exclusive
    for timed in messages:
        if longest is not None and len(timed.data) > longest:
            raise PortLimitError(
                f"this port carries exclusive messages of up to {longest} bytes; "
                f"this one has {len(timed.data)}",
                where=port.name,
                hint="nothing was sent; send it through another kind of port",
            )
    pacing = Pacing(byte_ns=byte_ns(baud), stream=port.limits.stream, max_items=len(messages) + 1)
    start_ns = now_ns = monotonic_ns()
    line_ns = n_bytes = 0
    for timed in messages:
        gap = gap_ms if timed.data[0] == 0xF0 else 0
        rest_ns = max(timed.rest_ms, gap) * _MS_NS
        pacing.push(from_messages((timed.data,), rest_ns=rest_ns, source="command"), now_ns)
        line_ns += len(timed.data) * byte_ns(baud) + rest_ns
    while True:
        hand = pacing.due(monotonic_ns())
        if hand is not None:
            port.send(hand.data)
            n_bytes += len(hand.data)
        elif pacing.next_ns is None:
            break
        else:
            _sleep_until(pacing.next_ns)
    _sleep_until(start_ns + line_ns)
    return Sent(port.name, len(messages), n_bytes, line_ns)


def send_raw(port: OutPort, data: bytes, *, baud: int) -> Sent:
    """Send bytes exactly as they are, whole messages or not, to a port that carries a stream.

    Raises
    ------
    PortLimitError
        The kind of port carries whole messages only.
    """
    if not port.limits.stream:
        raise PortLimitError(
            "this kind of port carries whole messages only: bytes can't be sent as they are",
            where=port.name,
            hint="leave --as-is out, or use a serial port",
        )
    start_ns, line_ns = monotonic_ns(), len(data) * byte_ns(baud)
    port.send(data)
    _sleep_until(start_ns + line_ns)
    return Sent(port.name, 0, len(data), line_ns)


def _sleep_until(deadline_ns: int) -> None:
    while (left_ns := deadline_ns - monotonic_ns()) > 0:
        time.sleep(left_ns / _NS)
