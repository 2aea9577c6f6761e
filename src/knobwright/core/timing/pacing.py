"""When bytes leave: the order rules and the arithmetic of the line as one machine without a clock.

Whoever drives it says what time it is: ``push`` takes items in, ``due`` gives what to hand to the
port now, ``next_ns`` tells when to ask again. A message is handed over only when the line is free,
so that a note waits for the one message that is on the wire and never for a queue in a driver.
"""

from __future__ import annotations

from knobwright.core.errors import InputError
from knobwright.core.timing.admission import Admission, Refusals
from knobwright.core.timing.hand import Counts, Hand
from knobwright.core.timing.items import KEPT, NOTE, REAL_TIME, Item
from knobwright.core.timing.lane import Lane
from knobwright.core.timing.line import PLAIN_CONTROLLERS, Line
from knobwright.core.timing.order import REPLACED, Entry, Queue
from knobwright.core.timing.release import release
from knobwright.core.wire.controllers import is_switch

__all__ = ["GAP_HOLDS", "SELECTIONS", "Counts", "Hand", "Pacing", "release"]

#: What a rest after an exclusive message holds up.
GAP_HOLDS = ("exclusive", "all")
#: Whether a selection that is in force already is left out.
SELECTIONS = ("short", "always")

#: Active sensing is sent after this much silence: the standard advises within 270 ms (page 32).
SENSING_NS = 250_000_000

#: So many real-time items leave in a row, at most, while something else waits.
_MAX_IN_A_ROW = 8
_SENSING = 0xFE
_CONTROL = 0xB
_new = tuple.__new__


class Pacing:
    """Decides what goes next and when.

    Parameters
    ----------
    byte_ns : int >= 0, nanoseconds
        Time of a byte on the line: 320 000 at 31 250 baud; 0 where the line sets no limit.
    stream : bool
        The port carries bytes in any pieces (``Limits.stream``): an exclusive is handed over in
        pieces, so that real time goes between its bytes.
    gap_ns : int >= 0, nanoseconds
        Rest that the receiver needs after an exclusive message.
    gap_holds : str
        A row of ``GAP_HOLDS``: whether only the next exclusive waits for it, or all but real time.
    running_status : bool
        Leave out a status that repeats; only where the link has been shown to take it. Needs
        ``stream``.
    selections : str
        A row of ``SELECTIONS``.
    longest_exclusive : int or None, bytes
        Longest exclusive that the link carries whole; longer ones are refused.
    active_sensing : bool
        Send FE after 250 ms without another byte.
    max_items : int > 0
        So many items may wait before new note-ons are refused; at twice as many everything is
        refused but note-offs and what takes the place of something that waits.
    piece_bytes : int > 0
        Longest piece of an exclusive: real time waits at most so long.
    ahead_ns : int >= 0, nanoseconds
        How long before the line is free the next message may be handed over.

    Raises
    ------
    InputError
        ``gap_holds`` or ``selections`` is none of its table.
    """

    def __init__(
        self,
        *,
        byte_ns: int,
        stream: bool,
        gap_ns: int = 0,
        gap_holds: str = "exclusive",
        running_status: bool = False,
        selections: str = "short",
        longest_exclusive: int | None = None,
        active_sensing: bool = False,
        max_items: int = 4096,
        piece_bytes: int = 4,
        ahead_ns: int = 0,
    ) -> None:
        _check("gap_holds", gap_holds, GAP_HOLDS)
        _check("selections", selections, SELECTIONS)
        self._byte_ns = byte_ns
        self._piece_bytes = piece_bytes if stream and byte_ns else 0
        self._gap_ns = gap_ns
        self._gap_holds_all = gap_holds == "all"
        self._running = running_status and stream
        self._sensing = active_sensing
        self._ahead_ns = ahead_ns
        self._queue = Queue()
        self._real_time = Lane()
        self._admission = Admission(max_items, longest_exclusive)
        self._line = Line(running_status=self._running, short_selections=selections == "short")
        self._straight: Item | None = None  # the only thing that waits, not in the queue yet
        self._straight_ns = 0
        self._open: Entry | None = None  # its exclusive message is under way in pieces
        self._left = b""  # what is left of that message
        self._is_lost = False
        self._blocked = False  # nothing that waits may go before the rest is over
        self._free_ns = 0  # when the line is free
        self._gap_end_ns = 0  # no exclusive begins before
        self._rest_end_ns = 0  # nothing but real time begins before
        self._n_sent = self._n_bytes = self._n_replaced = self._n_overtaken = 0
        self._n_unsure = self._worst_note_ns = 0
        self._n_in_a_row = 0  # real-time items that left without a pause or another message
        self._load_ns = self._load_bytes = 0

    # -- in ----------------------------------------------------------------------------------------

    def push(self, item: Item, now_ns: int) -> bool:
        """Take an item in; return whether it was taken (else it was counted as refused).

        Parameters
        ----------
        item : Item
            What to send.
        now_ns : int, nanoseconds
            The time now, on the caller's clock.
        """
        sort = item.sort
        if sort == NOTE:
            message = item.messages[0]
            if not self._admission.note(message, self._queue.n_items, lost=self._is_lost):
                return False
        elif sort == REAL_TIME:
            if not self._admission.real_time(len(self._real_time)):
                return False
            self._real_time.push(item)
            return True
        elif not self._admission.length(item):
            return False
        if self._straight is None and not self._queue.n_items:
            if sort == KEPT:
                self._may_wait(item, full=False)
            self._straight = item
            self._straight_ns = now_ns
            return True
        self._settle()
        return self._put(item, now_ns)

    def _put(self, item: Item, at_ns: int) -> bool:
        full = item.sort != NOTE and self._admission.is_full(self._queue.n_items)
        if item.sort == KEPT:
            full = not self._may_wait(item, full)
        result = self._queue.put(item, at_ns, only_replace=full)
        # One more exclusive changes nothing in a rest, unless an older one made way for it.
        if result == REPLACED or item.messages[0][0] != 0xF0:
            self._blocked = False
        if result == REPLACED:
            self._n_replaced += 1
            return True
        return self._admission.other(taken=result != "refused")

    def _may_wait(self, item: Item, full: bool) -> bool:
        """Return whether a kept item may wait: no lift of a switch is lost (rule 8)."""
        message = item.messages[0]
        if message[0] >> 4 != _CONTROL or not is_switch(message[1]):
            return not full
        # Only how it stands at last matters while no note can begin (rule 9).
        if self._is_lost and self._queue.supersede(item):
            self._n_replaced += 1
        return self._admission.switch(message, taken=not full)

    def _settle(self) -> None:
        """Let what goes straight through wait in the queue like anything else."""
        item = self._straight
        if item is not None:
            self._straight = None
            self._queue.put(item, self._straight_ns)
            self._blocked = False

    # -- out ---------------------------------------------------------------------------------------

    def straight(self, item: Item, now_ns: int) -> bytes | None:
        """Return what to hand to the port at once for an item, or ``None``: then push it.

        The way of nearly everything: the line is free and the item is a single channel message. It
        counts as sent. Whatever needs a second look is left to :meth:`push` and :meth:`due`, which
        say the same of these, only more slowly. To be called only while nothing waits and the link
        is not lost.
        """
        # An item's parts are taken by number here, which is a third faster than by name.
        if now_ns < self._free_ns or now_ns < self._rest_end_ns or len(item[0]) != 1:
            return None
        message = item[0][0]
        status = message[0]
        if status < 0xA0:
            if not self._admission.note(message, 0, lost=False):
                return b""
        elif status >= 0xF0:
            return None
        elif status < 0xD0 and status >= 0xB0:
            if status < 0xC0:
                if not PLAIN_CONTROLLERS[message[1]]:
                    return None
                if is_switch(message[1]):
                    self._admission.switch(message, taken=True)
            self._line.note(item, 0, now_ns)
        data = self._line.shortened(message, now_ns) if self._running else message
        n_bytes = len(data)
        self._n_sent += 1
        self._n_bytes += n_bytes
        if self._byte_ns:
            self._free_ns = now_ns + n_bytes * self._byte_ns
        if item[6]:
            self._rest_end_ns = now_ns + n_bytes * self._byte_ns + item[6]
        return data

    def due(self, now_ns: int) -> Hand | None:
        """Return what to hand to the port now; call again until it returns ``None``."""
        if self._is_lost or now_ns < self._free_ns - self._ahead_ns:
            return None
        item = self._straight
        if item is not None:
            messages = item.messages
            if len(messages) == 1 and now_ns >= self._rest_end_ns and not self._real_time.items:
                message = messages[0]
                status = message[0]
                if status < 0xC0 and (status < 0xB0 or PLAIN_CONTROLLERS[message[1]]):
                    return self._hand_straight(item, message, now_ns)
            self._settle()
        elif not (self._queue.n_items or self._real_time.items or self._sensing):
            return None
        return self._due(now_ns)

    def _hand_straight(self, item: Item, message: bytes, now_ns: int) -> Hand:
        """Hand over a single message that nothing stands against: the way of nearly everything."""
        self._straight = None
        data = self._line.shortened(message, now_ns) if self._running else message
        n_bytes = len(data)
        self._n_sent += 1
        self._n_bytes += n_bytes
        start_ns = self._free_ns if self._free_ns > now_ns else now_ns
        self._free_ns = start_ns + n_bytes * self._byte_ns
        if item.rest_ns:
            self._rest_end_ns = self._free_ns + item.rest_ns
        if item.sort == NOTE and now_ns - self._straight_ns > self._worst_note_ns:
            self._worst_note_ns = now_ns - self._straight_ns
        return _new(Hand, (data, (item,), message))

    def _due(self, now_ns: int) -> Hand | None:
        """Return what goes next by rule 3, real time first, but no flood of it (rule 1)."""
        floods = self._n_in_a_row >= _MAX_IN_A_ROW
        hand = None if floods else self._real_time_due(now_ns)
        hand = self._message_due(now_ns) if hand is None else hand
        hand = self._real_time_due(now_ns) if hand is None and floods else hand
        if hand is None and self._sensing and now_ns >= self._free_ns + SENSING_NS:
            return self._pass(bytes((_SENSING,)), (), bytes((_SENSING,)), now_ns)
        return hand

    def _real_time_due(self, now_ns: int) -> Hand | None:
        """Return the real-time item that goes now, if one does."""
        if not self._real_time.items:
            return None
        found = self._real_time.take(now_ns, self._begin_ns)
        if found is None:
            return None
        n_before = self._n_in_a_row if now_ns <= self._free_ns else 0
        hand = self._hand_real_time(found, now_ns)
        self._n_in_a_row = n_before + 1
        return hand

    def _message_due(self, now_ns: int) -> Hand | None:
        """Return the message, or the piece of one, that goes now, if one does."""
        self._n_in_a_row = 0
        if self._open is not None:
            return self._hand_piece(self._open, now_ns)
        if now_ns >= self._rest_end_ns:
            resting = now_ns < self._gap_end_ns
            if not (resting and self._blocked):
                entry = self._queue.next(resting)
                if entry is not None:
                    return self._hand_entry(entry, now_ns)
                self._blocked = resting
        return None

    @property
    def _begin_ns(self) -> int | None:
        """Return from when on a message may begin; ``None`` while one is under way in pieces."""
        return self._rest_end_ns if self._open is None else None

    def _hand_real_time(self, item: Item, now_ns: int) -> Hand:
        message = item.messages[0]
        hand = self._pass(self._line.shortened(message, now_ns), (item,), message, now_ns)
        self._real_time.sent(message[0], self._free_ns)
        return hand

    def _hand_entry(self, entry: Entry, now_ns: int) -> Hand:
        """Hand over the next message of an entry, or the first piece of it."""
        queue, line = self._queue, self._line
        item = entry.items[0]
        if not entry.index:
            entry.index = line.n_left_out(item, now_ns)
        message = item.messages[entry.index]
        if message[0] == 0xF0 and 0 < self._piece_bytes < len(message):
            queue.begin(entry)
            self._open, self._left = entry, message
            line.shortened(message, now_ns)
            return self._hand_piece(entry, now_ns)
        data = line.shortened(message, now_ns)
        if entry.sort == NOTE:
            self._note_goes(entry, now_ns)
        return self._complete(entry, data, now_ns)

    def _note_goes(self, entry: Entry, now_ns: int) -> None:
        self._worst_note_ns = max(self._worst_note_ns, now_ns - entry.at_ns)
        oldest = self._queue.oldest_soft_seq
        if oldest is not None and oldest < entry.seq:
            self._n_overtaken += 1

    def _hand_piece(self, entry: Entry, now_ns: int) -> Hand:
        """Hand over the next few bytes of the exclusive that is under way."""
        data = self._left[: self._piece_bytes]
        self._left = self._left[len(data) :]
        if self._left:
            return self._pass(data, (), b"", now_ns)
        self._open = None
        return self._complete(entry, data, now_ns)

    def _complete(self, entry: Entry, data: bytes, now_ns: int) -> Hand:
        """Hand over bytes that complete a message, and begin the rests behind it."""
        item, index = entry.items[0], entry.index
        message = item.messages[index]
        self._line.note(item, index, now_ns)
        done = self._queue.advance(entry)
        hand = self._pass(data, () if done is None else (done,), message, now_ns)
        if message[0] == 0xF0:
            self._gap_end_ns = self._free_ns + self._gap_ns
            if self._gap_holds_all:
                self._rest_end_ns = max(self._rest_end_ns, self._gap_end_ns)
        if done is not None and done.rest_ns:
            self._rest_end_ns = max(self._rest_end_ns, self._free_ns + done.rest_ns)
        self._blocked = False
        return hand

    def _pass(self, data: bytes, done: tuple[Item, ...], message: bytes, now_ns: int) -> Hand:
        self._free_ns = max(self._free_ns, now_ns) + len(data) * self._byte_ns
        self._n_bytes += len(data)
        self._n_sent += bool(message)
        return Hand(data, done, message)

    @property
    def next_ns(self) -> int | None:
        """Return when to call ``due`` again, in nanoseconds; ``None`` where nothing waits."""
        if self._is_lost:
            return None
        ready_ns = self._free_ns - self._ahead_ns
        times = [max(ready_ns, from_ns) for _, from_ns in self._real_time.ready(self._begin_ns)]
        if self._open is not None:
            times.append(ready_ns)
        elif self._straight is not None or self._queue.n_items:
            begin_ns = max(ready_ns, self._rest_end_ns)
            times.append(max(begin_ns, self._gap_end_ns) if self._blocked else begin_ns)
        if self._sensing:
            times.append(self._free_ns + SENSING_NS)
        return min(times, default=None)

    # -- trouble -----------------------------------------------------------------------------------

    def lost(self, now_ns: int, failed: Hand | None = None) -> None:
        """Note that the port is gone (rule 9): nothing is due until :meth:`back`.

        Waiting note-ons are thrown away and counted: nobody wants them later. Note-offs, kept items
        and values stay; what was under way begins anew.

        Parameters
        ----------
        now_ns : int, nanoseconds
            The time now.
        failed : Hand, optional
            The hand whose ``send`` raised: how much of it went out is not known, so that all but a
            note-on is put back in front.
        """
        self._settle()
        self._is_lost = True
        self._free_ns = now_ns
        self._n_unsure += self._queue.restart() + (self._open is not None)
        self._open, self._left = None, b""
        for item in reversed(failed.done if failed is not None else ()):
            if item.sort == REAL_TIME:
                continue
            self._n_unsure += 1
            if item.sort == NOTE and self._admission.give_up(item.messages[0], sent=True):
                continue
            self._queue.put_back(item, now_ns)
        self._admission.drop(self._real_time.clear())  # a clock that is late is wrong
        self.drop_note_ons(now_ns)

    def back(self, now_ns: int) -> None:
        """Note that the port is there again: selections and running status are forgotten.

        A rest that is still on is kept: the module may have been there all the time.
        """
        self._is_lost = False
        self._blocked = False
        self._line.forget()
        if self._open is None:
            self._queue.select_anew()
        self._free_ns = max(self._free_ns, now_ns)

    def follow(self, before: Pacing) -> None:
        """Go on where another machine of the same line stops: its line and rests are this one's."""
        self._free_ns = before._free_ns
        self._gap_end_ns = before._gap_end_ns
        self._rest_end_ns = before._rest_end_ns
        self._blocked = False

    def drop_note_ons(self, now_ns: int, older_than_ns: int = 0) -> int:
        """Throw away note-ons that have waited so long; return how many.

        Their note-offs, where they wait already, stay: one too many does no harm.
        """
        self._settle()
        n_dropped = 0
        for entry in self._queue:
            if entry.sort != NOTE or now_ns - entry.at_ns < older_than_ns:
                continue
            if self._admission.give_up(entry.message):
                self._queue.remove(entry)
                n_dropped += 1
        self._blocked = False
        return n_dropped

    def cut_exclusive(self, now_ns: int) -> Item | None:
        """Give up the exclusive that is under way, if any, and return its item.

        The next status byte ends it; a receiver acts on none that is cut (page 5). Nothing of the
        item is sent any more.
        """
        entry = self._open
        if entry is None:
            return None
        self._open, self._left = None, b""
        self._gap_end_ns = max(self._free_ns, now_ns) + self._gap_ns
        return self._queue.give_up(entry)

    # -- what is seen ------------------------------------------------------------------------------

    @property
    def n_waiting(self) -> int:
        """Return how many items wait."""
        return self._queue.n_items + (self._straight is not None) + len(self._real_time)

    @property
    def is_lost(self) -> bool:
        """Return whether the port is gone."""
        return self._is_lost

    @property
    def counts(self) -> Counts:
        """Return what was counted since the start."""
        refused: Refusals = self._admission.refusals
        return Counts(
            self._n_sent,
            self._n_bytes,
            self._n_replaced,
            self._n_overtaken,
            *refused,
            self._n_unsure,
            self.n_waiting,
            self._worst_note_ns,
        )

    @property
    def rest_end_ns(self) -> int:
        """Return when the last rest is over that something must wait for, in nanoseconds."""
        return max(self._rest_end_ns, self._gap_end_ns)

    def load(self, now_ns: int) -> float:
        """Return the share of the time since the last call in which the line was busy, 0 to 1.

        0 where the line sets no limit.
        """
        span_ns = now_ns - self._load_ns
        busy_ns = (self._n_bytes - self._load_bytes) * self._byte_ns
        self._load_ns, self._load_bytes = now_ns, self._n_bytes
        return min(1.0, busy_ns / span_ns) if span_ns > 0 else 0.0


def _check(name: str, found: str, table: tuple[str, ...]) -> None:
    if found not in table:
        raise InputError(f"{name} is one of {', '.join(table)}, not {found!r}")
