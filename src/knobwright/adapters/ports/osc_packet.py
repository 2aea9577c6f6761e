"""Open Sound Control 1.0: datagrams taken apart and put together, strictly.

What is taken: MIDI messages at ``/midi`` (tag ``m``, or a blob for longer ones), and numbers at any
other path. Whatever is not as the standard says is refused whole, before anything of it is used.
The frame of a bundle is walked here, the arguments of a message are read by the library.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable
from typing import Any, NamedTuple

from pythonosc import osc_message, osc_message_builder

from knobwright.core.errors import DecodeError
from knobwright.core.wire import N_BYTES, check_whole

MIDI_PATH = "/midi"
IMMEDIATELY = 1
MAX_DEPTH = 8
MAX_TEXT_BYTES = 255
#: Tags that the library reads. Others (``c``, ``S``, ``I``) it would step over wrongly.
TAGS = frozenset("ifsbhtdrmTFN")
NUMBERS = frozenset("ifdhTF")
_BUNDLE = b"#bundle\0"
_PATTERN = frozenset(" #*,?[]{}")
_ERRORS = (
    osc_message.ParseError,
    struct.error,
    ValueError,  # UnicodeDecodeError too
    IndexError,
    TypeError,
    OverflowError,
    RecursionError,
)


class Taken(NamedTuple):
    """What one message of a datagram holds.

    ``timetag`` is the 64-bit time of its bundle (1: at once). ``midi`` are whole MIDI messages;
    ``numbers`` are names with values. ``n_unused`` counts arguments of no use here (texts, times).
    """

    timetag: int
    midi: tuple[bytes, ...] = ()
    numbers: tuple[tuple[str, float], ...] = ()
    n_unused: int = 0


def take_apart(datagram: bytes) -> list[Taken]:
    """Return what a datagram holds, in its order.

    Raises
    ------
    DecodeError
        It is not Open Sound Control 1.0, or holds MIDI bytes that are no whole message.
    """
    return [_message(data, timetag) for timetag, data in _messages(datagram, IMMEDIATELY, 0)]


def _messages(data: bytes, timetag: int, depth: int) -> list[tuple[int, bytes]]:
    """Return the messages of a packet with the time of the bundle that they stand in."""
    if len(data) % 4 or not data:
        raise DecodeError(f"a packet has a multiple of 4 bytes, and this has {len(data)}")
    if not data.startswith(_BUNDLE):
        return [(timetag, data)]
    if depth >= MAX_DEPTH:
        raise DecodeError(f"bundles lie more than {MAX_DEPTH} deep in each other")
    if len(data) < 16:
        raise DecodeError("a bundle ends before its time")
    (inner,) = struct.unpack_from(">Q", data, 8)
    if depth and inner < timetag:
        raise DecodeError("a bundle is due before the bundle that holds it")
    found: list[tuple[int, bytes]] = []
    at = 16
    while at < len(data):
        (size,) = struct.unpack_from(">i", data, at)
        at += 4
        if not 0 < size <= len(data) - at:
            raise DecodeError(f"a bundle's element of {size} bytes does not fit in it")
        found += _messages(data[at : at + size], inner, depth + 1)
        at += size
    return found


def _message(data: bytes, timetag: int) -> Taken:
    path, tags = _frame(data)
    try:
        arguments = list(osc_message.OscMessage(data).params)
    except _ERRORS as error:
        raise DecodeError("the arguments are not as their tags say") from error
    if len(arguments) != len(tags):
        raise DecodeError(f"{len(tags)} arguments are announced, and {len(arguments)} are there")
    pairs = list(zip(tags, arguments, strict=True))
    if path == MIDI_PATH:
        midi = tuple(_midi(tag, value) for tag, value in pairs if tag in "mb")
        return Taken(timetag, midi, n_unused=len(pairs) - len(midi))
    numbers = [_number(value) for tag, value in pairs if tag in NUMBERS]
    names = (path if i == 1 else f"{path} {i}" for i in range(1, len(numbers) + 1))
    n_unused = len(pairs) - len(numbers)
    return Taken(timetag, (), tuple(zip(names, numbers, strict=True)), n_unused)


def _frame(data: bytes) -> tuple[str, str]:
    """Return path and tags of a message; what the library does not look at is looked at here."""
    if not data.startswith(b"/"):
        raise DecodeError('a message begins with "/"')
    path, at = _text(data, 0)
    check_path(path)
    if at == len(data):
        return path, ""  # the standard lets old senders leave the tags out
    tags, at = _text(data, at)
    if not tags.startswith(","):
        raise DecodeError('the tags begin with ","')
    if unknown := sorted(set(tags[1:]) - TAGS):
        raise DecodeError(f"arguments of the sort {', '.join(unknown)} are not read here")
    _check_sizes(data, at, tags[1:])
    return path, tags[1:]


_SIZES = {"i": 4, "f": 4, "r": 4, "m": 4, "h": 8, "t": 8, "d": 8, "T": 0, "F": 0, "N": 0}


def _check_sizes(data: bytes, at: int, tags: str) -> None:
    """Refuse arguments that do not fill the message: the library makes up what is missing."""
    for tag in tags:
        if tag == "s":
            _, at = _text(data, at)
        elif tag == "b":
            if at + 4 > len(data):
                raise DecodeError("the message ends before a blob's size")
            (size,) = struct.unpack_from(">i", data, at)
            at += 4
            if not 0 <= size <= len(data) - at:
                raise DecodeError(f"a blob of {size} bytes does not fit in its message")
            at += -(-size // 4) * 4
        else:
            at += _SIZES[tag]
    if at != len(data):
        raise DecodeError(f"the arguments take {at} bytes, and the message has {len(data)}")


def _text(data: bytes, at: int) -> tuple[str, int]:
    """Return a text that ends in 0 and is filled up to 4 bytes, and where it ends."""
    end = data.find(b"\0", at)
    if end < 0:
        raise DecodeError("a text has no end")
    if end - at > MAX_TEXT_BYTES:
        raise DecodeError(f"a text of {end - at} bytes is longer than {MAX_TEXT_BYTES}")
    try:
        text = data[at:end].decode("ascii")
    except UnicodeDecodeError as error:
        raise DecodeError("a text holds characters beyond ASCII") from error
    return text, at + (end - at) // 4 * 4 + 4


def check_path(path: str) -> None:
    """Refuse a path that can't be a name.

    Raises
    ------
    DecodeError
        It does not begin with ``/``, or holds a blank, a control character or one of ``#*,?[]{}``.
    """
    if not path.startswith("/") or not path.isprintable() or _PATTERN & set(path):
        raise DecodeError(
            f'a path begins with "/" and holds no blank and none of #*,?[]{{}}; found {path[:60]!r}'
        )


def _midi(tag: str, value: Any) -> bytes:
    """Return the whole MIDI message of an argument: port, status and two data bytes, or a blob."""
    if tag == "m":
        status = value[1]
        data = bytes(value[1 : 1 + (N_BYTES[status] or 3)])
    else:
        data = bytes(value)
    check_whole(data)
    return data


def _number(value: Any) -> float:
    number = float(value)
    if not math.isfinite(number):
        raise DecodeError(f"a number is finite, not {number}")
    return number


def midi_datagram(message: bytes) -> bytes:
    """Return the datagram that carries one whole MIDI message."""
    if len(message) <= 3 and message[0] != 0xF0:
        padded = (0, *message, *(0,) * (3 - len(message)))
        return _built(MIDI_PATH, [("m", padded)])
    return _built(MIDI_PATH, [("b", message)])


def number_datagram(path: str, value: float) -> bytes:
    """Return the datagram that carries a number: ``i`` for whole ones that fit, else ``f``.

    Raises
    ------
    DecodeError
        The path can't be a name, or the number is not finite.
    """
    check_path(path)
    if isinstance(value, bool):
        return _built(path, [("T" if value else "F", value)])
    number = _number(value)
    if isinstance(value, int) and -(2**31) <= value < 2**31:
        return _built(path, [("i", value)])
    if abs(number) > 3.4e38:
        raise DecodeError(f"a number of 32 bits can't hold {number:g}")
    return _built(path, [("f", number)])


def _built(path: str, arguments: Iterable[tuple[str, Any]]) -> bytes:
    builder = osc_message_builder.OscMessageBuilder(address=path)
    for tag, value in arguments:
        builder.add_arg(value, tag)
    return bytes(builder.build().dgram)
