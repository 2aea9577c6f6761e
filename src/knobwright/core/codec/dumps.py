"""Dumps: checksums over unpacked bytes, and the parameters that stand inside a dump."""

from __future__ import annotations

from collections.abc import Iterator

from knobwright.core.codec.checksums import CHECKSUMS
from knobwright.core.codec.codings import CODINGS
from knobwright.core.codec.runs import bytes_to_run, run_to_bytes
from knobwright.core.errors import DecodeError, EncodeError
from knobwright.core.sheet.line import Span
from knobwright.core.sheet.parameters import dump_zero
from knobwright.core.sheet.records import Block, Checksum, Parameter, Raw, Sheet
from knobwright.core.sheet.words import DATA


def data_place(block: Block) -> tuple[int, int, int]:
    """Return (message, bytes before the data, bytes behind it) of a block's line."""
    for m, message in enumerate(block.template.line.messages):
        for c, cell in enumerate(message):
            if cell.kind == DATA:
                return m, c, len(message) - c - 1
    raise AssertionError("a checked block has its data")


def covered(block: Block, span: Span, checksum: Checksum, message: bytes, data: bytes) -> bytes:
    """Return the bytes that a checksum covers in a dump whose unpacked bytes are ``data``."""
    m, before, behind = data_place(block)
    if span.message != m:
        return message[span.start : span.stop]
    stretch = len(message) - before - behind - 1
    start = span.start if span.start <= before else span.start + stretch
    stop = span.stop if span.stop <= before else span.stop + stretch
    if checksum.over == "unpacked" and start <= before < stop:
        return message[start:before] + data + message[len(message) - behind : stop]
    return message[start:stop]


def checksum_at(block: Block, span: Span, message: bytes) -> int:
    """Return the position of a span's checksum byte in a dump message."""
    m, before, behind = data_place(block)
    if span.message != m or span.checksum < before:
        return span.checksum
    return span.checksum + len(message) - before - behind - 1


def with_unpacked_sums(block: Block, messages: tuple[bytes, ...], data: bytes) -> tuple[bytes, ...]:
    """Return the messages with every checksum that runs over the unpacked bytes put in."""
    out = [bytearray(message) for message in messages]
    for span, checksum in zip(block.template.line.spans, block.template.checksums, strict=True):
        if checksum.over == "unpacked":
            message = bytes(out[span.message])
            value = CHECKSUMS[checksum.rule].compute(covered(block, span, checksum, message, data))
            out[span.message][checksum_at(block, span, message)] = value
    return tuple(bytes(message) for message in out)


def parameters_in(sheet: Sheet, block: Block) -> Iterator[Parameter]:
    """Yield the parameters that stand in a block."""
    for parameter in sheet.parameters:
        if parameter.at and parameter.at[0].block == block.key:
            yield parameter


def take_out(parameter: Parameter, data: bytes) -> Raw | None:
    """Return the raw value that stands for a parameter in unpacked bytes.

    Returns ``None`` where the data end before it, or the value is outside the range.
    """
    if any(at.byte >= len(data) for at in parameter.at):
        return None
    bits = n_bits = 0
    for at in parameter.at:
        width = at.high - at.low + 1
        bits = bits << width | (data[at.byte] >> at.low & ((1 << width) - 1))
        n_bits += width
    if parameter.type:
        run = bytes(bits >> 7 * i & 0x7F for i in reversed(range(len(parameter.at))))
        try:
            return bytes_to_run(parameter, run)
        except DecodeError:
            return None
    raw = CODINGS[parameter.coding].to_raw(bits, n_bits, _zero(parameter))
    return raw if parameter.allows(raw) else None


def put_in(parameter: Parameter, raw: Raw, data: bytearray) -> None:
    """Write a raw value into unpacked bytes.

    Raises
    ------
    EncodeError
        The data end before the parameter's place, or the value is none that it can have.
    """
    n_bits = sum(at.high - at.low + 1 for at in parameter.at)
    if parameter.type:
        bits = 0
        for byte in run_to_bytes(parameter, raw):
            bits = bits << 7 | byte
    elif isinstance(raw, int) and parameter.allows(raw):
        bits = CODINGS[parameter.coding].to_bits(raw, n_bits, _zero(parameter))
    else:
        raise EncodeError(f"{parameter.key}: {raw!r} is outside the range")
    for at in reversed(parameter.at):
        if at.byte >= len(data):
            raise EncodeError(f"{parameter.key} stands at byte {at.byte}, behind the dump's end")
        width = at.high - at.low + 1
        mask = ((1 << width) - 1) << at.low
        data[at.byte] = data[at.byte] & ~mask & 0xFF | (bits << at.low & mask)
        bits >>= width


def _zero(parameter: Parameter) -> int:
    return dump_zero(parameter.zero, parameter.n_value_bits)
