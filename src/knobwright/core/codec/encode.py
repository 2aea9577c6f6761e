"""Compile a template into a function that gives its messages: the way out.

Everything that can be worked out once is: fixed bytes, channel digits and maps are baked into one
set of message prototypes per channel; what is left per call is the value's bits, key, runs and
checksum.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import NamedTuple

from knobwright.core.codec.checksums import CHECKSUMS
from knobwright.core.errors import EncodeError
from knobwright.core.sheet import words as w
from knobwright.core.sheet.records import DigitMap, Template
from knobwright.core.sheet.words import Cell

#: The messages of a template, each with its full status byte.
Messages = tuple[bytes, ...]


class Fill(NamedTuple):
    """What one call fills in.

    ``bits`` are the coded value (0 for an action), ``run`` the bytes of a run or of a dump,
    ``key`` a key number, ``program`` and ``bank`` program bytes, ``others`` the coded bits of
    other parameters by key.
    """

    bits: int = 0
    run: bytes = b""
    key: int = 0
    program: int = 0
    bank: tuple[int, int] = (0, 0)
    others: Mapping[str, int] = {}


#: ``encoder(channel from 0 to 15, fill)`` gives the messages.
Encoder = Callable[[int, Fill], Messages]

_BYTES = tuple(bytes((i,)) for i in range(128))


class _Op(NamedTuple):
    """One byte to fill in: where, from what, and what of it (the last only for the quick way)."""

    position: int
    read: Callable[[Fill], int]
    cell: Cell


class _Sum(NamedTuple):
    start: int
    stop: int
    position: int
    compute: Callable[[bytes], int]


class _Part(NamedTuple):
    """One message: prototypes by channel, what to fill in, checksums, and where a run starts."""

    prototypes: tuple[bytes, ...]
    ops: tuple[_Op, ...]
    sums: tuple[_Sum, ...]
    run_at: int


def make_encoder(template: Template, device: int) -> Encoder:
    """Return the function that gives a template's messages for one device id (0 to 127)."""
    parts = tuple(_part(template, m, device) for m in range(len(template.line.messages)))

    def encode(channel: int, fill: Fill) -> Messages:
        return tuple([_message(part, channel, fill) for part in parts])

    return encode


def make_value_encoder(template: Template, device: int) -> Callable[[int, int], Messages] | None:
    """Return a quicker ``f(bits, channel)`` for the common case, or ``None``.

    The case: no other field than the value and channels; the value in one message (the last) with
    at most one checksum, or one byte of it in each of several. Bits must have been checked against
    the line.
    """
    parts = [_part(template, m, device) for m in range(len(template.line.messages))]
    last = parts[-1]
    simple = all(not part.ops and not part.sums for part in parts[:-1]) and len(last.sums) <= 1
    if any(op.cell.kind != w.VALUE for part in parts for op in part.ops):
        return None
    if not simple or not last.ops or last.run_at >= 0:
        return _spread_encoder(parts)
    heads = [tuple(part.prototypes[ch] for part in parts[:-1]) for ch in range(16)]
    table = list(zip(heads, last.prototypes, strict=True))
    slices = [
        (op.position, op.cell.low, (1 << (op.cell.high - op.cell.low + 1)) - 1) for op in last.ops
    ]
    behind = not last.sums or slices[0][0] < last.sums[0].position
    if len(slices) == 1 and slices[0][1] == 0 and behind:
        return _one_byte_encoder(table, slices[0][0], last)
    return _slices_encoder(table, slices, last)


_Table = list[tuple[tuple[bytes, ...], bytes]]


def _one_byte_encoder(table: _Table, position: int, last: _Part) -> Callable[[int, int], Messages]:
    cut = [(head, proto[:position], proto[position + 1 :]) for head, proto in table]
    base = table[0][1][position]
    if base:  # a half byte such as 4v: the fixed digit stays
        return _slices_encoder(table, [(position, 0, 0x0F)], last)
    if not last.sums:

        def plain(bits: int, channel: int) -> Messages:
            head, before, after = cut[channel]
            return (*head, before + _BYTES[bits] + after)

        return plain
    start, stop, place, compute = last.sums[0]
    pieces = [
        (head, before, after[: place - position - 1], after[place - position :])
        for head, before, after in cut
    ]

    def summed(bits: int, channel: int) -> Messages:
        head, before, between, after = pieces[channel]
        body = before + _BYTES[bits] + between
        return (*head, body + _BYTES[compute(body[start:stop])] + after)

    return summed


def _slices_encoder(
    table: _Table, slices: list[tuple[int, int, int]], last: _Part
) -> Callable[[int, int], Messages]:
    sums = last.sums

    def sliced(bits: int, channel: int) -> Messages:
        head, prototype = table[channel]
        message = bytearray(prototype)
        for position, low, mask in slices:
            message[position] |= bits >> low & mask
        for start, stop, place, compute in sums:
            message[place] = compute(bytes(message[start:stop]))
        return (*head, bytes(message))

    return sliced


def _spread_encoder(parts: list[_Part]) -> Callable[[int, int], Messages] | None:
    """Return a quick encoder for a value of which each message carries one byte at most."""
    pieces: list[list[tuple[bytes, int, int, int, bytes]]] = [[] for _ in range(16)]
    for part in parts:
        first = part.prototypes[0][1:2]
        if len(part.ops) > 1 or part.sums or part.run_at >= 0 or not first or first[0] > 0x7F:
            return None
        at, low, mask = 1, 0, 0  # a message without a value byte: its first data byte as it is
        for op in part.ops:
            at, low, mask = op.position, op.cell.low, (1 << (op.cell.high - op.cell.low + 1)) - 1
        for channel, proto in enumerate(part.prototypes):
            pieces[channel].append((proto[:at], low, mask, proto[at], proto[at + 1 :]))

    def spread(bits: int, channel: int) -> Messages:
        return tuple(
            [
                before + _BYTES[bits >> low & mask | base] + after
                for before, low, mask, base, after in pieces[channel]
            ]
        )

    return spread


def _message(part: _Part, channel: int, fill: Fill) -> bytes:
    prototype = part.prototypes[channel]
    if not part.ops and not part.sums and part.run_at < 0:
        return prototype
    message = bytearray(prototype)
    for position, read, _ in part.ops:
        message[position] |= read(fill)
    stretch = 0
    if part.run_at >= 0:
        message[part.run_at : part.run_at + 1] = fill.run
        stretch = len(fill.run) - 1
    for start, stop, place, compute in part.sums:
        first = start if start <= part.run_at or part.run_at < 0 else start + stretch
        end = stop if stop <= part.run_at or part.run_at < 0 else stop + stretch
        at = place if place < part.run_at or part.run_at < 0 else place + stretch
        message[at] = compute(bytes(message[first:end]))
    sent = bytes(message)
    _guard(sent)
    return sent


def _reader(cell: Cell, maps: Mapping[str, DigitMap]) -> Callable[[Fill], int] | None:
    """Return what gives a cell its bits at each call; ``None`` for what is baked in or a run."""
    low, mask = cell.low, (1 << (cell.high - cell.low + 1)) - 1
    if cell.kind == w.VALUE:
        return lambda fill: fill.bits >> low & mask
    if cell.kind == w.OTHER:
        name = cell.name
        return lambda fill: fill.others[name] >> low & mask
    if cell.kind == w.KEY:
        return lambda fill: fill.key
    if cell.kind == w.PROGRAM:
        return lambda fill: fill.program
    if cell.kind in (w.BANK_HIGH, w.BANK_LOW):
        half = 0 if cell.kind == w.BANK_HIGH else 1
        return lambda fill: fill.bank[half]
    if cell.kind == w.MAP and maps[cell.name].of == "key":
        values = maps[cell.name].values
        return lambda fill: values[fill.key]
    return None


def _guard(message: bytes) -> None:
    """Refuse a data byte of 80 or more, wherever it came from: the last line of defence."""
    body = message[1:-1] if message[0] == 0xF0 else message[1:]
    if body and max(body) > 0x7F:
        at = next(i for i, byte in enumerate(body, 1) if byte > 0x7F)
        raise EncodeError(
            f"byte {at + 1} of {message[:16].hex(' ').upper()} would be {message[at]:02X}: "
            "a data byte is 00 to 7F, so nothing is sent"
        )


def _part(template: Template, index: int, device: int) -> _Part:
    message = template.line.messages[index]
    maps = dict(template.maps)
    readers = [(position, _reader(cell, maps), cell) for position, cell in enumerate(message)]
    ops = tuple(_Op(position, read, cell) for position, read, cell in readers if read)
    runs = [position for position, cell in enumerate(message) if cell.kind in (w.RUN, w.DATA)]
    prototypes = tuple(
        bytes(_baked(cell, maps, channel, device) for cell in message) for channel in range(16)
    )
    sums = tuple(
        _Sum(span.start, span.stop, span.checksum, CHECKSUMS[checksum.rule].compute)
        for span, checksum in zip(template.line.spans, template.checksums, strict=True)
        if span.message == index
    )
    return _Part(prototypes, ops, sums, runs[0] if runs else -1)


def _baked(cell: Cell, maps: Mapping[str, DigitMap], channel: int, device: int) -> int:
    """Return the bits of a cell that are the same at every call for one channel and device."""
    if cell.kind == w.CHANNEL:
        return cell.fixed | channel
    if cell.kind == w.DEVICE:
        return cell.fixed | (device & (0x0F if cell.mask == 0xF0 else 0x7F))
    if cell.kind == w.MAP and maps[cell.name].of == "channel":
        return cell.fixed | maps[cell.name].values[channel]
    if cell.kind == w.MAP and maps[cell.name].of == "device":
        return cell.fixed | maps[cell.name].values[device]
    return cell.fixed
