"""Read the fields of a message that matched a pattern, or say why it is not that after all."""

from __future__ import annotations

from msgspec import Struct

from knobwright.core.codec.checksums import CHECKSUMS
from knobwright.core.codec.match import Pattern
from knobwright.core.sheet import words as w
from knobwright.core.sheet.records import DigitMap, Module, Template


class Fields(Struct):
    """What the fields of one or more messages of a target said so far."""

    channel: int | None = None
    note: int | None = None
    bits: int = 0
    run: bytes = b""
    data: bytes = b""
    others: dict[str, int] = {}
    digits: dict[str, tuple[tuple[DigitMap, int], ...]] = {}
    reason: str = ""

    def fail(self, reason: str) -> Fields:
        """Return these fields with the reason why they can't be taken."""
        self.reason = reason
        return self


def read_fields(pattern: Pattern, message: bytes, module: Module, before: Fields) -> Fields:
    """Return the fields of a message joined to those of the messages before it in its sequence.

    ``reason`` is set where the message matches the fixed bytes and still can't be taken: a wrong
    checksum, another device's id, a map digit that stands for nothing.
    """
    fields = Fields(
        before.channel,
        before.note,
        before.bits,
        before.run,
        before.data,
        dict(before.others),
        dict(before.digits),
    )
    template = pattern.target.template
    line = template.line.messages[pattern.part]
    stretch = len(message) - pattern.length
    maps = dict(template.maps)
    at = 0
    for cell in line:
        n_bytes = stretch if cell.kind == w.DATA else cell.n_bytes
        part = message[at : at + n_bytes]
        at += n_bytes
        if cell.kind == w.FIXED:
            continue
        if cell.kind == w.MAP:
            row = maps[cell.name]
            digit = (row, part[0] & ~cell.mask & 0xFF)
            fields.digits[row.of] = (*fields.digits.get(row.of, ()), digit)
        elif reason := _take(fields, cell, part, module):
            return fields.fail(reason)
    for of, found in fields.digits.items():
        if reason := _take_map(fields, of, found, module):
            return fields.fail(reason)
    if pattern.data_at < 0 and (reason := wrong_checksum(template, pattern.part, message)):
        return fields.fail(reason)
    return fields


def _take(fields: Fields, cell: w.Cell, part: bytes, module: Module) -> str:
    value = part[0] & ~cell.mask & 0xFF if part else 0
    if cell.kind == w.VALUE:
        fields.bits |= value << cell.low
    elif cell.kind == w.OTHER:
        fields.others[cell.name] = fields.others.get(cell.name, 0) | value << cell.low
    elif cell.kind == w.CHANNEL:
        return _set_channel(fields, value + 1)
    elif cell.kind == w.KEY:
        return _set_note(fields, value)
    elif cell.kind == w.RUN:
        fields.run = part
    elif cell.kind == w.DATA:
        fields.data = part
    elif cell.kind == w.DEVICE:
        mine = [device & (0x0F if cell.mask == 0xF0 else 0x7F) for device in module.device_ids]
        if value not in mine:
            ids = ", ".join(f"{device:02X}" for device in module.device_ids)
            return f"it is addressed to device {value:02X}, and this module is {ids}"
    return ""


def _set_channel(fields: Fields, channel: int) -> str:
    if fields.channel is not None and fields.channel != channel:
        return f"its fields say channel {fields.channel} and channel {channel}"
    fields.channel = channel
    return ""


def _set_note(fields: Fields, note: int) -> str:
    if fields.note is not None and fields.note != note:
        return f"its fields say key {fields.note} and key {note}"
    fields.note = note
    return ""


def _take_map(
    fields: Fields, of: str, found: tuple[tuple[DigitMap, int], ...], module: Module
) -> str:
    """Take what the digits of all maps of one kind, up to here, say together."""
    size = len(found[0][0].values)
    hits = [i for i in range(size) if all(row.values[i] == digit for row, digit in found)]
    said = " ".join(f"{digit:X}" for _, digit in found)
    if not hits:
        return f"the digit {said} stands for no {of} in the map {found[0][0].name}"
    if len(hits) > 1:
        return ""  # the digits of a later message tell which: together they have no doubles
    if of == "channel":
        return _set_channel(fields, hits[0] + 1)
    if of == "key":
        return _set_note(fields, hits[0])
    if hits[0] not in module.device_ids:
        return f"it is addressed to device {hits[0]:02X}"
    return ""


def wrong_checksum(template: Template, index: int, message: bytes) -> str:
    """Return what is wrong with a message's checksums, or an empty string.

    The message has the template's own length (no dump).
    """
    line = template.line.messages[index]
    for span, checksum in zip(template.line.spans, template.checksums, strict=True):
        if span.message != index:
            continue
        start = sum(cell.n_bytes for cell in line[: span.start])
        stop = sum(cell.n_bytes for cell in line[: span.stop])
        place = sum(cell.n_bytes for cell in line[: span.checksum])
        right = CHECKSUMS[checksum.rule].compute(message[start:stop])
        if message[place] != right:
            return f"its checksum is {message[place]:02X} and should be {right:02X}"
    return ""
