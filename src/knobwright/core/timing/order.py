"""The order rules: what waits for the line, and which message goes next.

Stated in plain words in ``docs/reference/order.md``; the numbers in the comments are the rules of
that page. Nothing here knows time but as a number that is kept: whether the receiver rests after
an exclusive message is said by who asks.

What keeps its order (rule 2), for an earlier and a later item on common channels::

                    note   kept   kept, has a base   bend   value
    note            yes    yes    yes                yes    no
    kept            yes    yes    yes                yes    yes
    kept with base  yes    yes    yes                yes    same base only
    bend            yes    yes    yes                yes    no
    value           no     yes    same base only     no     same base only

Notes keep their order among themselves on all channels, values of one base wherever they go.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from functools import lru_cache

from knobwright.core.timing.classify import BANKS, FIRST_MODE
from knobwright.core.timing.items import BEND, KEPT, NOTE, VALUE, Item

ADDED = "added"
REPLACED = "replaced"
REFUSED = "refused"

_CHANNEL_MESSAGES = 1
_EXCLUSIVES = 2
_CONTROL, _PROGRAM = 0xB, 0xC


@lru_cache(maxsize=256)
def channels_of(mask: int) -> tuple[int, ...]:
    """Return the channels, 0 to 15, whose bits are set in a mask."""
    return tuple(channel for channel in range(16) if mask >> channel & 1)


class Entry:
    """A place in the line: one item, or for values and bends the waiting items of one base.

    ``index`` is the number of the next message of the first item; above 0 the item is under way.
    """

    __slots__ = ("at_ns", "base", "channels", "index", "items", "opaque", "seq", "sort", "started")

    def __init__(self, item: Item, base: Hashable | None, seq: int, at_ns: int) -> None:
        self.items = [item]
        self.sort = item.sort
        self.channels = item.channels
        self.base = base
        self.opaque = item.sort == KEPT and base is None
        self.seq = seq
        self.at_ns = at_ns
        self.index = 0
        self.started = False

    @property
    def message(self) -> bytes:
        """Return the next whole message."""
        return self.items[0].messages[self.index]

    @property
    def begins_exclusive(self) -> bool:
        """Return whether the next message is exclusive, so that it waits for a rest."""
        return self.items[0].messages[self.index][0] == 0xF0

    @property
    def only_chooses(self) -> bool:
        """Return whether it is a program, bank or channel mode: that reads no value."""
        return all(
            kind == _PROGRAM or (kind == _CONTROL and (m[1] in BANKS or m[1] >= FIRST_MODE))
            for m in self.items[0].messages
            for kind in (m[0] >> 4,)
        )

    def kinds(self) -> int:
        """Return which messages the first item holds that another's could be mixed up with."""
        found = 0
        for message in self.items[0].messages:
            if message[0] <= 0xF0:
                found |= _EXCLUSIVES if message[0] == 0xF0 else _CHANNEL_MESSAGES
        return found


class _Members:
    """A set of items that answers which others keep their order against them."""

    __slots__ = ("bases", "ordered", "under_opaque", "values")

    def __init__(self) -> None:
        self.ordered = 0  # channels of notes, kept items and bends
        self.under_opaque = 0  # channels of kept items without a base
        self.values = 0  # channels of values
        self.bases: set[Hashable | None] = set()

    def add(self, entry: Entry) -> None:
        """Take one in."""
        if entry.sort == VALUE:
            self.values |= entry.channels
            self.bases.add(entry.base)
            return
        self.ordered |= entry.channels
        if entry.opaque:
            self.under_opaque |= entry.channels
        elif entry.sort == KEPT:
            self.bases.add(entry.base)

    def meet(self, entry: Entry) -> bool:
        """Return whether the entry keeps its order against one of the members (rule 2)."""
        channels = entry.channels
        if entry.sort == VALUE:
            return bool(channels & self.under_opaque) or entry.base in self.bases
        if channels & self.ordered:
            return True
        if entry.opaque:
            return bool(channels & self.values)
        return entry.sort == KEPT and entry.base in self.bases


class Queue:
    """What waits, in order of arrival."""

    def __init__(self) -> None:
        self._all: dict[int, Entry] = {}
        self._notes: dict[int, Entry] = {}
        self._kept: dict[int, Entry] = {}
        self._soft: dict[int, Entry] = {}  # values and bends
        self._under_way: list[Entry] = []
        self._open: dict[Hashable, Entry] = {}  # by base: where a newer item still fits in
        self._switches: dict[Hashable, Entry] = {}  # by base: the last kept item that waits
        self._n_barriers = [0] * 16  # kept items and bends on each channel
        # Number of the last arrival on each channel behind which nothing may be moved forward.
        self._wall_of_values = [0] * 16
        self._wall_of_bends = [0] * 16
        # The same, of what might read a value and not only set it: a command to store, say.
        self._wall_of_readers = [0] * 16
        self._seq = 0
        self._front = 0
        self.n_items = 0

    def __len__(self) -> int:
        return self.n_items

    def __iter__(self) -> Iterator[Entry]:
        """Yield the entries in their order."""
        yield from tuple(self._all.values())

    # -- in --------------------------------------------------------------------------------------

    def put(self, item: Item, at_ns: int, *, only_replace: bool = False) -> str:
        """Take an item in; a value or bend may take the place of a waiting older one (rule 4).

        Returns
        -------
        str
            ``ADDED``, ``REPLACED``, or ``REFUSED`` where it could only be added and must not be.
        """
        base = item.base
        if item.sort in (VALUE, BEND):
            base = item.key if base is None else base
            slot = self._slot(item, base)
            if slot is not None:
                return self._put_into(slot, item, only_replace)
            if item.sort == VALUE and self._is_made_old(item, base):
                self._seq += 1
                self._add(Entry(item, base, self._seq, at_ns))
                return REPLACED
        if only_replace:
            return REFUSED
        self._seq += 1
        self._add(Entry(item, base, self._seq, at_ns))
        return ADDED

    def _add(self, entry: Entry) -> None:
        """Let an entry stand at the end of the line."""
        if entry.sort in (VALUE, BEND):
            if entry.base is None:  # of no base: alone
                entry.base = ("alone", entry.seq)
            self._open[entry.base] = entry
        else:
            self._close(entry)
        self._enter(entry)

    def _slot(self, item: Item, base: Hashable | None) -> Entry | None:
        """Return the waiting place of the item's base that it may stand at, if there is one."""
        slot = self._open.get(base) if base is not None else None
        if slot is None or slot.channels != item.channels or slot.sort != item.sort:
            return None
        walls = self._wall_of_values if item.sort == VALUE else self._wall_of_bends
        if any(walls[channel] > slot.seq for channel in channels_of(item.channels)):
            return None
        return slot

    def _is_made_old(self, item: Item, base: Hashable | None) -> bool:
        """Leave out the waiting value that a newer one makes old across a program or mode.

        The newer one stands behind it, so that the value ends up the same; the older one could
        only have been heard for a moment.
        """
        slot = self._open.get(base) if base is not None else None
        if slot is None or slot.channels != item.channels or item.key is None:
            return False
        if any(self._wall_of_readers[channel] > slot.seq for channel in channels_of(item.channels)):
            return False
        for old in slot.items:
            if old.key == item.key:
                slot.items.remove(old)
                self.n_items -= 1
                if not slot.items:
                    self._leave(slot)
                return True
        return False

    def _put_into(self, slot: Entry, item: Item, only_replace: bool) -> str:
        """Put a newer item at a place where its base waits already."""
        items = slot.items
        for i, old in enumerate(items):
            if old.key == item.key and item.key is not None:
                # Behind whatever of its base came since: another half, another route.
                del items[i]
                items.append(item)
                return REPLACED
        if only_replace:
            return REFUSED
        items.append(item)
        self.n_items += 1
        return ADDED

    def _close(self, entry: Entry) -> None:
        """Note that nothing may be moved forward across this note or kept item."""
        reads = entry.opaque and not entry.only_chooses
        for channel in channels_of(entry.channels):
            self._wall_of_bends[channel] = entry.seq
            if entry.opaque:
                self._wall_of_values[channel] = entry.seq
            if reads:
                self._wall_of_readers[channel] = entry.seq
        if entry.base is not None:
            self._open.pop(entry.base, None)

    def _enter(self, entry: Entry) -> None:
        self._all[entry.seq] = entry
        self._of(entry)[entry.seq] = entry
        if entry.sort == KEPT and entry.base is not None:
            self._switches[entry.base] = entry
        if entry.sort in (KEPT, BEND):
            for channel in channels_of(entry.channels):
                self._n_barriers[channel] += 1
        self.n_items += len(entry.items)

    def _of(self, entry: Entry) -> dict[int, Entry]:
        if entry.sort == NOTE:
            return self._notes
        return self._kept if entry.sort == KEPT else self._soft

    # -- what goes next ----------------------------------------------------------------------------

    def next(self, resting: bool = False) -> Entry | None:
        """Return the entry whose next message goes now, or ``None`` (rule 3).

        Parameters
        ----------
        resting : bool
            The receiver rests after an exclusive message: no other exclusive may begin.
        """
        if not self._all:
            return None
        if resting:
            return self._next_while_resting()
        if self._notes:
            note = next(iter(self._notes.values()))
            return self._guarded(self._head(note))
        if self._under_way:
            return self._under_way[0]
        if self._kept:
            return self._guarded(self._head(next(iter(self._kept.values()))))
        return next(iter(self._soft.values()))

    def _head(self, entry: Entry) -> Entry:
        """Return the first of the entry's barriers, of their barriers and so on, or the entry."""
        if entry.sort == NOTE and not self._has_barriers(entry):
            return entry
        members = _Members()
        members.add(entry)
        head = entry
        for earlier in reversed(self._all.values()):
            if earlier.seq < entry.seq and members.meet(earlier):
                members.add(earlier)
                head = earlier
        return head

    def _has_barriers(self, entry: Entry) -> bool:
        """Return whether anything but notes and values waits on the entry's channels."""
        return any(self._n_barriers[channel] for channel in channels_of(entry.channels))

    def _guarded(self, entry: Entry) -> Entry:
        """Return what goes before so that the messages of no item are split (rule 5)."""
        if entry.sort == NOTE or entry.index or not self._under_way:
            return entry
        kinds = entry.kinds()
        for other in self._under_way:
            if other.channels & entry.channels and other.kinds() & kinds:
                return other
        return entry

    def _next_while_resting(self) -> Entry | None:
        """Return what goes while no exclusive may begin: nothing that stands behind one."""
        first = next(iter(self._notes.values()), None)
        if first is not None and not self._has_barriers(first):
            return first
        blocked = _Members()
        notes: list[Entry] = []
        kept: list[Entry] = []
        soft: list[Entry] = []
        for entry in self._all.values():
            if entry.begins_exclusive or blocked.meet(entry):
                blocked.add(entry)
            elif entry.sort == NOTE:
                notes.append(entry)
            elif entry.sort == KEPT:
                kept.append(entry)
            else:
                soft.append(entry)
        for entry in notes:
            found = self._guarded(self._head(entry))
            if not found.begins_exclusive:
                return found
        for entry in self._under_way:
            if not entry.begins_exclusive:
                return entry
        for entry in kept + soft:
            found = self._guarded(self._head(entry))
            if not found.begins_exclusive:
                return found
        return None

    # -- out ---------------------------------------------------------------------------------------

    def begin(self, entry: Entry) -> None:
        """Note that the first item of the entry is under way: nothing replaces it any more."""
        if not entry.started:
            entry.started = True
            if entry.base is not None and self._open.get(entry.base) is entry:
                del self._open[entry.base]

    def advance(self, entry: Entry) -> Item | None:
        """Note that the next message of the entry is out; return the item that it completes."""
        self.begin(entry)
        item = entry.items[0]
        entry.index += 1
        if entry.index < len(item.messages):
            if entry not in self._under_way:
                self._under_way.append(entry)
            return None
        return self.give_up(entry)

    def _leave(self, entry: Entry) -> None:
        del self._all[entry.seq]
        del self._of(entry)[entry.seq]
        if entry.sort == KEPT and self._switches.get(entry.base) is entry:
            del self._switches[entry.base]
        if entry.sort in (KEPT, BEND):
            for channel in channels_of(entry.channels):
                self._n_barriers[channel] -= 1

    def supersede(self, item: Item) -> bool:
        """Take out what waits of a switch, since a newer item says how it stands (rule 9)."""
        entry = self._switches.get(item.base)
        if entry is None or entry.index or entry.channels != item.channels:
            return False
        self.remove(entry)
        return True

    def remove(self, entry: Entry) -> None:
        """Take an entry that is not under way out of the line."""
        self.n_items -= len(entry.items)
        self._leave(entry)

    def give_up(self, entry: Entry) -> Item:
        """Take the first item of an entry out, also when it is under way, and return it."""
        if entry in self._under_way:
            self._under_way.remove(entry)
        item = entry.items.pop(0)
        entry.index = 0
        self.n_items -= 1
        if not entry.items:
            self._leave(entry)
        return item

    def restart(self) -> int:
        """Let every item that is under way begin anew; return how many were (rule 9)."""
        n_under_way = len(self._under_way)
        for entry in self._under_way:
            entry.index = 0
        self._under_way.clear()
        return n_under_way

    def select_anew(self) -> None:
        """Let groups that are under way begin again with their selection: it holds no more."""
        for entry in tuple(self._under_way):
            if entry.items[0].n_selection:
                entry.index = 0
                self._under_way.remove(entry)

    def put_back(self, item: Item, at_ns: int) -> None:
        """Put an item in front of everything: it was handed over, but may not have gone out."""
        base = item.key if item.base is None and item.sort in (VALUE, BEND) else item.base
        self._front -= 1
        entry = Entry(item, base, self._front, at_ns)
        entry.started = True
        if item.sort in (VALUE, BEND) and base is None:
            entry.base = ("alone", self._front)
        for held in (self._all, self._of(entry)):
            rest = dict(held)
            held.clear()
            held[entry.seq] = entry
            held.update(rest)
        if entry.sort in (KEPT, BEND):
            for channel in channels_of(entry.channels):
                self._n_barriers[channel] += 1
        self.n_items += 1

    # -- what is seen ------------------------------------------------------------------------------

    @property
    def oldest_soft_seq(self) -> int | None:
        """Return the number of the oldest waiting value or bend."""
        return next(iter(self._soft), None)
