"""What messages cost on the wire: bytes with and without running status, and time.

Source: MIDI 1.0 Detailed Specification 4.2.1, pages 1 (31 250 baud; a byte is a start bit, eight
data bits and a stop bit), 5 and A-1 to A-2 (running status).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from knobwright.core.wire.status import FIRST_REAL_TIME, FIRST_SYSTEM, SYSTEM_RESET

#: Speed of a MIDI cable in bits per second.
DIN_BAUD = 31_250
#: Bits on a serial line for each byte: start, eight data bits, stop.
BITS_PER_BYTE = 10

#: Least rest between start or continue (FA, FB) and the next clock, in microseconds (page 30).
START_REST_US = 1_000


def wire_time_us(n_bytes: int, *, baud: int = DIN_BAUD) -> float:
    """Return the time in microseconds that ``n_bytes`` occupy the line.

    Parameters
    ----------
    n_bytes : int >= 0
        Bytes actually sent, after any running-status saving.
    baud : int > 0, bits per second
        Line speed.

    Returns
    -------
    float, microseconds
        ``n_bytes * 10 / baud * 1e6``; 320 per byte at 31 250 baud.

    Raises
    ------
    ValueError
        When ``n_bytes`` is negative or ``baud`` is not positive.

    Examples
    --------
    >>> wire_time_us(3)
    960.0
    """
    if n_bytes < 0 or baud <= 0:
        raise ValueError(f"n_bytes must be 0 or more and baud positive, not {n_bytes} and {baud}")
    return n_bytes * BITS_PER_BYTE * 1_000_000 / baud


def shortened(messages: Iterable[bytes]) -> Iterator[bytes]:
    """Yield each message as a sender with running status puts it on the wire.

    Parameters
    ----------
    messages : iterable of bytes
        Whole messages with their status bytes, in sending order, for one wire that begins with
        no running status.

    Yields
    ------
    bytes
        The message without its status where that repeats the last one on the wire. Only channel
        messages are shortened; F0 to F7 and FF clear running status, other real-time bytes leave
        it (pages 5, 33, A-2).

    Examples
    --------
    >>> [m.hex(" ") for m in shortened([b"\\x90<@", b"\\xf8", b"\\x90>@"])]
    ['90 3c 40', 'f8', '3e 40']
    """
    running = 0
    for message in messages:
        status = message[0]
        if status < FIRST_SYSTEM:
            yield message[1:] if status == running else message
            running = status
        else:
            yield message
            if status < FIRST_REAL_TIME or status == SYSTEM_RESET:
                running = 0


def cost_bytes(messages: Iterable[bytes], *, running_status: bool) -> int:
    """Return how many bytes the messages take on the wire, in order.

    Parameters
    ----------
    messages : iterable of bytes
        Whole messages with their status bytes.
    running_status : bool
        Whether the sender leaves out a status that repeats the last one.
    """
    return sum(map(len, shortened(messages) if running_status else messages))
