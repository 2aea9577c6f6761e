"""What waits for the line: whole messages that belong together, and how they may be moved."""

from __future__ import annotations

from collections.abc import Hashable
from typing import NamedTuple

NOTE = "note"
KEPT = "kept"
BEND = "bend"
VALUE = "value"
REAL_TIME = "real time"
#: What an item can be. ``kept`` never changes its place on its channels: programs with their bank,
#: switches, channel mode, steps, choices, exclusive messages that nobody explains. ``bend`` is what
#: sets the pitch (the wheel, its range, the tuning of a channel): it keeps its place against notes,
#: but a newer one may take a waiting one's place. ``value`` is a continuous parameter: notes
#: overtake it, and a newer value may take a waiting one's place. ``real time`` goes first; time
#: code, song position and song select (F1 to F3) belong to it, but never go inside a message.
SORTS = (NOTE, KEPT, BEND, VALUE, REAL_TIME)

ALL_CHANNELS = 0xFFFF


class Item(NamedTuple):
    """Messages that are sent together, in this order, with nothing of their channels in between.

    ``messages`` are whole, each with its status byte; a note and a real-time item have exactly one.
    ``channels`` is a mask of the channels that they address (bit 0 is channel 1);
    :data:`ALL_CHANNELS` for the whole module, 0 for real time. ``key`` is what is set: a newer item
    with the same key may replace a waiting one (``None``: it never is replaced). ``base`` is what
    the value belongs to: items of one base keep their order among themselves (the halves of a split
    value, the steps of a parameter, other routes to it). A kept item without a base may set
    anything on its channels, so that no value crosses it. ``n_selection`` counts the leading
    messages that only select (RPN, NRPN, bank): they may be left out while the same is selected
    already. ``rest_ns`` is the rest in nanoseconds that must follow this very item before anything
    but real time is sent (a reset). ``source`` names where it came from.
    """

    messages: tuple[bytes, ...]
    sort: str
    channels: int = 0
    key: Hashable | None = None
    base: Hashable | None = None
    n_selection: int = 0
    rest_ns: int = 0
    source: str = ""
