"""Which form a control's line has: what the recogniser listens for and the echo sends.

Sources: MIDI 1.0 Detailed Specification 4.2.1, pages 10 to 19 (channel messages, pairs of
controllers, registered and non-registered numbers). An exclusive message is taken as it is.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

from knobwright.core.errors import LineError
from knobwright.core.sheet.line import Line
from knobwright.core.sheet.words import CHANNEL, FIXED, PROGRAM, VALUE, Cell
from knobwright.core.surface import kinds as k

Message = tuple[Cell, ...]

DATA_HIGH, DATA_LOW, UP, DOWN = 6, 38, 96, 97
#: High and low half of a selection, by form (page 18).
SELECTIONS = {k.NRPN: (99, 98), k.RPN: (101, 100)}
#: Controllers that belong to registered and non-registered numbers.
NUMBER_CONTROLLERS = frozenset((DATA_HIGH, DATA_LOW, UP, DOWN, 98, 99, 100, 101))
_ONE_BYTE = {
    0x90: k.NOTE,
    0xA0: k.KEY_PRESSURE,
    0xB0: k.CONTROL,
    0xC0: k.PROGRAM,
    0xD0: k.PRESSURE,
}


class Form(NamedTuple):
    """A control's line, understood.

    ``channel`` is 0 to 15, ``None`` where the line has ``n`` or no channel at all (``status`` F0 or
    above). ``number`` is the controller or key, or the selected number (high half * 128 + low
    half). ``parts`` gives, in the order sent, where each piece of the value stands: the controller
    (or the place of the byte in the message) and the lowest bit that it carries. ``n_bits`` counts
    the bits of the value.
    """

    form: str
    status: int
    channel: int | None
    number: int = 0
    parts: tuple[tuple[int, int], ...] = ()
    n_bits: int = 7


def form_of(line: Line) -> Form:
    """Return the form of a control's line.

    Raises
    ------
    LineError
        No control can send that, or it could not be told from its bytes.
    """
    for cell in line.cells():
        if cell.kind not in (FIXED, CHANNEL, VALUE, PROGRAM) or cell.word == "nn":
            raise LineError(
                f"{cell.word!r} has no place in a control's line",
                hint="it is made of hex bytes, n for the channel, and vv, vh, vl or pp",
            )
    first = line.messages[0]
    if line.is_action and not line.has(PROGRAM):
        return _fixed(line)
    if first[0].fixed == 0xF0:
        return _exclusive(line)
    if any(message[0].word != first[0].word for message in line.messages):
        raise LineError("the messages of one control have the same status byte")
    if len(line.messages) > 1:
        return _several(line)
    return _single(first)


def _channel(status: Cell) -> int | None:
    return None if status.kind == CHANNEL else status.fixed & 0x0F


def _fixed(line: Line) -> Form:
    if len(line.messages) > 1:
        raise LineError("a control without a value sends one message")
    status = line.messages[0][0]
    if status.fixed >= 0xF0:
        return Form(k.FIXED, status.fixed, None, n_bits=0)
    return Form(k.FIXED, status.fixed & 0xF0, _channel(status), n_bits=0)


def _single(message: Message) -> Form:
    status, *data = message
    kind = status.fixed & 0xF0
    if status.fixed >= 0xF0 or kind == 0x80:
        raise LineError(
            f"{status.word} with a value is nothing that a control sends",
            hint="a key or pad is written by its note on: 9n 24 vv",
        )
    if kind == 0xE0:
        return _bend(status, data)
    if len(data) == 2 and data[0].kind != FIXED:
        raise LineError(
            f"{data[0].word!r} stands where the number of the controller or key must stand",
            hint="which key is played is settled by the keys of the bench, not by a control",
        )
    value = data[-1]
    if value.kind == VALUE and (value.high, value.low) != (6, 0):
        raise LineError(f"{value.word!r}: a single byte carries vv")
    if value.kind == PROGRAM and kind != 0xC0:
        raise LineError("'pp' stands in a program change only")
    number = data[0].fixed if len(data) == 2 else 0
    return Form(_ONE_BYTE[kind], kind, _channel(status), number, ((len(data), 0),))


def _bend(status: Cell, data: list[Cell]) -> Form:
    low, high = data
    if low.kind == VALUE and high.kind == VALUE:
        if (low.low, high.low) != (0, 7) or (low.high, high.high) != (6, 13):
            raise LineError("pitch bend sends its low part first", hint="write En vl vh")
        return Form(k.BEND, 0xE0, _channel(status), 0, ((1, 0), (2, 7)), 14)
    if low.kind == FIXED and high.kind == VALUE and (high.high, high.low) == (6, 0):
        return Form(k.BEND, 0xE0, _channel(status), 0, ((2, 0),))
    raise LineError("pitch bend is written En vl vh, or En 00 vv")


def _several(line: Line) -> Form:
    first = line.messages[0]
    if first[0].fixed & 0xF0 != 0xB0:
        raise LineError("only control changes come in several messages")
    if any(message[1].kind != FIXED for message in line.messages):
        raise LineError("a control change has a fixed number: Bn 10 vv")
    pairs = [(message[1].fixed, message[2]) for message in line.messages]
    for form, (high, low) in SELECTIONS.items():
        if {number for number, _ in pairs[:2]} == {high, low}:
            return _numbered(form, pairs, (high, low), _channel(first[0]))
    n_bits = _bits([cell for _, cell in pairs])
    if len(pairs) != 2 or n_bits != 14 or pairs[0][0] == pairs[1][0]:
        raise LineError(
            "several control changes are a pair of vh and vl, or a selection with its data",
            hint='such as ["Bn 01 vh", "Bn 21 vl"] or "Bn 63 05 62 12 06 vv"',
        )
    parts = tuple((number, cell.low) for number, cell in pairs)
    return Form(k.CONTROL_14, 0xB0, _channel(first[0]), pairs[0][0], parts, 14)


def _numbered(
    form: str, pairs: list[tuple[int, Cell]], halves: tuple[int, int], channel: int | None
) -> Form:
    selected = dict(pairs[:2])
    if any(cell.kind != FIXED for cell in selected.values()):
        raise LineError("the selected number is fixed: two hex digits behind 63 and 62")
    data = pairs[2:]
    numbers = [number for number, _ in data]
    known = set(numbers) <= {DATA_HIGH, DATA_LOW} and len(set(numbers)) == len(numbers) > 0
    if not known or any(cell.kind != VALUE for _, cell in data):
        raise LineError("behind the selection stand 06 with its value, 26 with its value, or both")
    n_bits = _bits([cell for _, cell in data])
    if len(data) == 2 and dict(data)[DATA_HIGH].low != 7:
        raise LineError("06 carries the high part: 06 vh 26 vl")
    number = selected[halves[0]].fixed << 7 | selected[halves[1]].fixed
    parts = tuple((at, cell.low) for at, cell in data)
    return Form(form, 0xB0, channel, number, parts, n_bits)


def _exclusive(line: Line) -> Form:
    if len(line.messages) > 1:
        raise LineError("a control sends one exclusive message")
    places = [(i, cell) for i, cell in enumerate(line.messages[0]) if cell.kind != FIXED]
    if any(cell.kind != VALUE for _, cell in places):
        raise LineError("an exclusive message of a control holds hex bytes and its value only")
    n_bits = _bits([cell for _, cell in places])
    return Form(k.EXCLUSIVE, 0xF0, None, 0, tuple((i, cell.low) for i, cell in places), n_bits)


def _bits(cells: list[Cell]) -> int:
    """Return how many bits the slices carry; each once, from bit 0 up, or :class:`LineError`."""
    carried = sorted((c.low, c.high) for c in cells if c.kind == VALUE)
    bit = 0
    for low, high in carried:
        if low != bit:
            raise LineError("the value's slices must cover its bits once each, from bit 0 up")
        bit = high + 1
    return bit


def fixed_bytes(line: Line, channel: int) -> bytes:
    """Return the bytes of a line without a value on a channel, 0 to 15."""
    cells = line.messages[0]
    head = cells[0].fixed | (channel if cells[0].kind == CHANNEL else 0)
    return bytes((head, *(cell.fixed for cell in cells[1:])))


def filled(line: Line, channel: int, raw: int) -> tuple[bytes, ...]:
    """Return the messages of a control's line with a raw number, on a channel 0 to 15."""
    return tuple(bytes(_byte(cell, channel, raw) for cell in message) for message in line.messages)


def _byte(cell: Cell, channel: int, raw: int) -> int:
    if cell.kind == FIXED:
        return cell.fixed
    if cell.kind == CHANNEL:
        return cell.fixed | channel
    width = cell.high - cell.low + 1 if cell.kind == VALUE else 7
    return cell.fixed | raw >> cell.low & ((1 << width) - 1)


def claims(form: Form, line: Line, channels: tuple[int, ...]) -> Iterator[tuple[object, ...]]:
    """Yield what a control listens for: no two controls may listen for the same.

    ``("pair", status, byte)`` for a status with its first data byte, ``("status", status)`` for
    a status whatever follows, ``("exact", bytes)``, ``("number", form, channel, number)``, and
    ``("shape", ...)`` for an exclusive. ``channels`` are 1 to 16.
    """
    if form.form == k.EXCLUSIVE:
        yield ("shape", *(c.fixed if c.kind == FIXED else None for c in line.messages[0]))
        return
    if form.status >= 0xF0:
        yield ("exact", fixed_bytes(line, 0))
        return
    for channel in channels:
        status = form.status | (channel - 1)
        if form.form == k.FIXED:
            yield ("exact", fixed_bytes(line, channel - 1))
        elif form.form in SELECTIONS:
            yield ("number", form.form, channel, form.number)
        elif form.form == k.CONTROL_14:
            yield from (("pair", status, number) for number, _ in form.parts)
        elif form.form in (k.BEND, k.PROGRAM, k.PRESSURE):
            yield ("status", status)
        else:
            yield ("pair", status, form.number)
            if form.form == k.NOTE:
                yield ("pair", status & 0x8F, form.number)
