"""Bytes and line templates in words: hex and decimal, byte by byte, checksums as arithmetic.

What is needed only with a sheet is imported only then: without one this must start at once.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, NamedTuple

from knobwright.core.codec.checksums import CHECKSUMS
from knobwright.core.codec.telling import Telling
from knobwright.core.errors import InputError, printable
from knobwright.core.wire import describe

if TYPE_CHECKING:
    from knobwright.core.codec.plan import Codec
    from knobwright.core.sheet.line import Line
    from knobwright.core.sheet.words import Cell

_HEX_TOKEN = re.compile(r"(?:0[xX]|\$)?([0-9A-Fa-f]{2})[hH]?\Z")
_RUN_TOGETHER = re.compile(r"[0-9A-Fa-f]{4,}\Z")


class FieldWords(NamedTuple):
    """One byte, or a run of them, in words."""

    hex: str
    decimal: str
    words: str


class Explained(NamedTuple):
    """One message (or dropped bytes) explained; ``is_fine`` is false for what is not understood."""

    hex: str
    decimal: str
    words: str
    sets: tuple[str, ...] = ()
    fields: tuple[FieldWords, ...] = ()
    is_fine: bool = True


def read_bytes(text: str) -> bytes | None:
    """Return the bytes that a text spells in hex, or ``None`` if it spells something else.

    Understood: ``B0 07 64``, ``B00764``, ``B0H 07H``, ``0xB0``, ``$B0``, with blanks or commas.
    """
    out = bytearray()
    for token in re.split(r"[\s,;]+", text.strip()):
        if match := _HEX_TOKEN.match(token):
            out.append(int(match[1], 16))
        elif _RUN_TOGETHER.match(token) and len(token) % 2 == 0:
            out += bytes.fromhex(token)
        elif token:
            return None
    return bytes(out) if out else None


def explain_bytes(data: bytes, codec: Codec | None = None) -> Iterator[Explained]:
    """Yield every message in a stream of bytes, explained; dropped bytes too, with the reason.

    Parameters
    ----------
    data : bytes
        A stream as it would come over the wire; running status is understood.
    codec : Codec, optional
        With it, what the messages set is told by the sheet's names.
    """
    telling = Telling(codec)
    for told in (*telling.feed(data), *telling.end()):
        fields: tuple[FieldWords, ...] = ()
        if told.is_fine or told.sets:
            fields = tuple(_guess(told.data) if codec is None else _fields(told.data, codec))
        yield _row(told.data, told.words, told.sets, fields, is_fine=told.is_fine)


def _row(
    data: bytes,
    words: str,
    sets: tuple[str, ...] = (),
    fields: tuple[FieldWords, ...] = (),
    *,
    is_fine: bool = True,
) -> Explained:
    return Explained(_hex(data), " ".join(map(str, data)), words, sets, fields, is_fine)


def _hex(data: bytes) -> str:
    return data.hex(" ").upper()


def _guess(message: bytes) -> Iterator[FieldWords]:
    """Say which usual checksum the last byte of a maker's exclusive message fits, if any.

    That it stands last and covers what follows maker, device, and up to two bytes of model and
    command is common practice (no source): a hint for the eye, nothing is decided by it.
    """
    if message[0] != 0xF0 or message[1:2] in (b"\x7e", b"\x7f") or message[-1] != 0xF7:
        return
    first = 5 if message[1:2] == b"\x00" else 3
    for start in range(first, min(first + 3, len(message) - 3)):
        body = message[start:-2]
        for rule in CHECKSUMS.values():
            if len(body) > 1 and rule.compute(body) == message[-2]:
                span = f"bytes {start + 1} to {len(message) - 2}"
                words = f"fits {rule.name} over {span}: {rule.steps(body)}"
                yield FieldWords(f"{message[-2]:02X}", str(message[-2]), words)


def _fields(message: bytes, codec: Codec) -> Iterator[FieldWords]:
    """Yield the bytes of a message that fits a line of the sheet, in the line's own words."""
    from knobwright.core.codec.match import candidates

    pattern = next(candidates(codec.matchers, message), None)
    if pattern is None or message[0] != 0xF0:
        return
    template = pattern.target.template
    line = template.line.messages[pattern.part]
    sums = {
        span.checksum: (span, checksum)
        for span, checksum in zip(template.line.spans, template.checksums, strict=True)
        if span.message == pattern.part
    }
    starts = [0]
    for cell in line:
        starts.append(starts[-1] + cell.n_bytes)
    for i, cell in enumerate(line):
        part = message[starts[i] : starts[i + 1]]
        words = cell_words(cell, len(line) - 1 == i)
        if i in sums:
            span, checksum = sums[i]
            covered = message[starts[span.start] : starts[span.stop]]
            words = f"checksum {checksum.name}: {CHECKSUMS[checksum.rule].steps(covered)}"
            if CHECKSUMS[checksum.rule].compute(covered) != part[0]:
                words += f", but it is {part[0]:02X}"
        yield FieldWords(_hex(part), " ".join(map(str, part)), words)


def explain_template(text: str, line: Line) -> Iterator[Explained]:
    """Yield every message of a line template, byte by byte; sums over fixed bytes worked out."""
    for m, message in enumerate(line.messages):
        fields = []
        for i, cell in enumerate(message):
            words = cell_words(cell, i == len(message) - 1)
            for span in line.spans:
                if span.message == m and span.checksum == i:
                    words = _template_sum(message[span.start : span.stop])
            decimal = str(cell.fixed) if cell.mask == 0xFF else ""
            fields.append(FieldWords(cell.word, decimal, words))
        shown = " ".join(cell.word for cell in message)
        yield Explained(shown, "", _template_words(message), (), tuple(fields))


def _template_words(message: tuple[Cell, ...]) -> str:
    if all(cell.mask == 0xFF for cell in message):
        return describe(bytes(cell.fixed for cell in message))
    status = message[0].fixed
    if status == 0xF0:
        return "exclusive message, a template"
    names = {
        0x80: "note off", 0x90: "note on", 0xA0: "key pressure", 0xB0: "control change",
        0xC0: "program change", 0xD0: "channel pressure", 0xE0: "pitch bend",
    }  # fmt: skip
    kind = names.get(status & 0xF0, "message")
    if status & 0xF0 == 0xB0 and message[1].mask == 0xFF:
        from knobwright.core.wire.controllers import CONTROLLERS, MODES

        name = (*CONTROLLERS, *MODES)[message[1].fixed]
        kind += f" {message[1].fixed}, {name}" if name else f" {message[1].fixed}"
    where = "any channel" if message[0].mask == 0xF0 else f"channel {(status & 15) + 1}"
    return f"{kind}, {where}, a template"


def _template_sum(cells: tuple[Cell, ...]) -> str:
    if not all(cell.mask == 0xFF for cell in cells):
        return "checksum over the bytes in brackets; depends on the fields among them"
    covered = bytes(cell.fixed for cell in cells)
    rows = (f"{rule.name}: {rule.compute(covered):02X}" for rule in CHECKSUMS.values())
    return f"checksum over {_hex(covered)}: {', '.join(rows)}"


def cell_words(cell: Cell, is_last: bool = False) -> str:
    """Return what one word of a line stands for."""
    if cell.kind == "fixed":
        return {0xF0: "exclusive begins", 0xF7: "exclusive ends"}.get(cell.fixed, "fixed")
    if cell.kind == "value":
        if cell.high == cell.low:
            return f"value, bit {cell.low}"
        return f"value, bits {cell.high} to {cell.low}"
    if cell.kind == "channel":
        return "channel (0 is channel 1)" if not cell.is_status else "status and channel"
    words = {
        "key": "key number",
        "device": "device id",
        "program": "program",
        "bank-high": "bank, high byte",
        "bank-low": "bank, low byte",
        "checksum": "checksum",
        "map": f"digit {cell.name}, by its map",
        "other": f"value of {cell.name}, bits {cell.high} to {cell.low}",
        "run": f"run of {cell.n_bytes} bytes",
        "data": "the dump's bytes",
    }
    return words[cell.kind]


def not_bytes(text: str, why: str) -> InputError:
    """Return the error for what is neither bytes nor a line template."""
    return InputError(
        f"{printable(text[:60])!r} is neither hex bytes nor a line template: {why}",
        hint='for instance: knobwright explain "B0 07 64"',
    )
