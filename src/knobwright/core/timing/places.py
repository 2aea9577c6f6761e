"""Which parameter of a sheet raw channel messages set, read off the lines themselves.

What a keyboard sends by itself and what an assigned knob sends must keep their order where both set
the same parameter, by whatever route.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

from knobwright.core.sheet.line import Line
from knobwright.core.sheet.records import Parameter, Template
from knobwright.core.sheet.words import CHANNEL, FIXED, KEY, MAP, Cell
from knobwright.core.timing.classify import DATA, SELECTORS
from knobwright.core.timing.settings import Place, place_of, shared_bases

_CONTROL = 0xB


class _Row(NamedTuple):
    """One route that is made of control changes only.

    ``selects`` gives the cell of each selector's value, ``sets`` the cell of each other
    controller's value; ``status`` is the first cell of all its messages.
    """

    parameter: Parameter
    template: Template
    status: Cell
    selects: dict[int, Cell]
    sets: dict[int, Cell]


class Places:
    """Tells for raw channel messages which parameter they set: a ``PlaceOf`` for ``Merge``.

    Parameters
    ----------
    parameters : sequence of Parameter
        Those of one sheet.
    """

    def __init__(self, parameters: Sequence[Parameter]) -> None:
        self._shared = shared_bases(parameters)
        rows = [
            row
            for parameter in parameters
            for route in parameter.routes
            if (row := _row(parameter, route.template)) is not None
        ]
        self._selected = [row for row in rows if row.selects]
        self._plain = [row for row in rows if not row.selects]

    def __call__(self, messages: tuple[bytes, ...]) -> Place | None:
        """Return the place of a control change, or of a selection with data; ``None`` if unknown.

        Where it depends on the data which parameter is meant, the place is kept: nothing may be
        replaced there.
        """
        *selection, last = messages
        numbers = {message[1]: message[2] for message in selection}
        places = {
            place
            for row in (self._selected if numbers else self._plain)
            if (place := self._match(row, last, numbers)) is not None
        }
        if not places:
            return None
        bases = {place.base for place in places}
        kept = len(bases) > 1 or any(place.kept for place in places)
        return Place(min(bases, key=repr), kept)

    def _match(self, row: _Row, last: bytes, numbers: dict[int, int]) -> Place | None:
        """Return the place if the bytes are those of the row."""
        status = row.status
        if last[0] & status.mask != status.fixed or numbers.keys() != row.selects.keys():
            return None
        if any(numbers[n] & cell.mask != cell.fixed for n, cell in row.selects.items()):
            return None
        # Every data controller goes to what is selected, also where the line has only one of them;
        # and the other half of a plain controller clears, or is cleared by, the one in the line.
        number = last[1]
        if not numbers and number not in row.sets and _other_half(number) not in row.sets:
            return None
        note, clear = _note(row, numbers)
        place = place_of(row.parameter, (last[0] & 15) + 1, note, self._shared)
        clear = clear and status.kind in (CHANNEL, FIXED)
        clear = clear and ("key" in row.parameter.per) == (note is not None)
        told_by_data = any(cell.kind == FIXED for cell in row.sets.values())
        return Place(place.base, place.kept or told_by_data or not clear)


def _other_half(number: int) -> int | None:
    """Return the controller that is the other half of a 14-bit one (4.2.1, page 12)."""
    return number ^ 32 if number < 64 else None


def _note(row: _Row, numbers: dict[int, int]) -> tuple[int | None, bool]:
    """Return the key that the selectors carry, and whether that is all they carry."""
    note: int | None = None
    clear = True
    for number, cell in row.selects.items():
        if cell.kind == KEY:
            note = numbers[number]
        elif cell.kind == MAP and row.template.map_of(cell.name).of == "key":
            values = row.template.map_of(cell.name).values
            byte = numbers[number] & ~cell.mask
            note = values.index(byte) if byte in values else None
        elif cell.kind != FIXED:
            clear = False
    return note, clear


def _row(parameter: Parameter, template: Template) -> _Row | None:
    """Return a route as a row, ``None`` where it is not made of control changes on one channel."""
    line: Line = template.line
    firsts = {message[0] for message in line.messages}
    if len(firsts) != 1:
        return None
    status = firsts.pop()
    if status.fixed >> 4 != _CONTROL:
        return None
    selects: dict[int, Cell] = {}
    sets: dict[int, Cell] = {}
    for message in line.messages:
        if len(message) != 3 or message[1].kind != FIXED:
            return None
        number = message[1].fixed
        if number in SELECTORS:
            selects[number] = message[2]
        elif number in DATA and not selects:
            return None
        else:
            sets[number] = message[2]
    return _Row(parameter, template, status, selects, sets)
