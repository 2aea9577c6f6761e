"""Dialects: the ways makers print lines, one file each.

A dialect is a function ``read(placed, context) -> list[Found]``: it looks at one placed row and
returns the
parameters (or several ways to one) that the row prints, with their byte tokens; an empty list
where the row is
not printed its way. It decides nothing about fields, ranges or checksums: that is done for all
alike.

To add a dialect, write ``dialects/<name>.py`` with such a function and add a row to
:data:`DIALECTS`. The
first dialect that finds something in a row wins, so the order is from the plainest print to the
vaguest.
"""

from __future__ import annotations

from collections.abc import Callable

from knobwright.core.reading.context import Context
from knobwright.core.reading.dialects import (
    addresses,
    bytelines,
    columns,
    continued,
    decimals,
    numbers,
    pairs,
    plain,
)
from knobwright.core.reading.found import Found
from knobwright.core.reading.layout import Placed

DIALECTS: dict[str, Callable[[Placed, Context], list[Found]]] = {
    "columns": columns.read,
    "plain lists": plain.read,
    "decimal bytes": decimals.read,
    "byte lines": bytelines.read,
    "continued rows": continued.read,
    "address tables": addresses.read,
    "pairs": pairs.read,
    "numbers": numbers.read,
}
