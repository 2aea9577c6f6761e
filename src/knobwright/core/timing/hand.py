"""What the pacing machine gives out: bytes to hand over, and what it counted."""

from __future__ import annotations

from typing import NamedTuple

from knobwright.core.timing.items import Item


class Hand(NamedTuple):
    """What to hand to the port now, in one call of its ``send``.

    Attributes
    ----------
    data : bytes
        What goes on the wire: a status may be left out, an exclusive may come in pieces.
    done : tuple of Item
        The item that is complete with it, with its full messages (also where a selection was left
        out on the wire); empty in the middle of an item and for active sensing of the pacer's own.
    message : bytes
        The whole message, with its status, that ``data`` completes; empty for a piece that
        completes none.
    """

    data: bytes
    done: tuple[Item, ...]
    message: bytes


class Counts(NamedTuple):
    """What was counted since the start."""

    n_sent: int  # messages handed over whole
    n_bytes: int  # bytes handed over
    n_replaced: int  # waiting values and bends whose place a newer one took
    n_overtaken: int  # notes that went before a value or bend that came earlier
    n_refused_notes: int  # note-ons refused or thrown away: the queue was full, or the link lost
    n_refused_offs: int  # note-offs that belong to these
    n_refused_other: int  # anything else refused: beyond the hard limit
    n_too_long: int  # exclusive messages longer than the link is known to carry
    n_unsure: int  # items under way when the link was lost: they began anew
    n_waiting: int  # items that wait now
    worst_note_ns: int  # longest time from push to hand-over of a note
