"""The pacer: hands items to the port of one link, at their time, and keeps the ledger right.

What goes when is decided by ``core/timing``; this is its shell: lock, thread, port and ledger.

- Whoever pushes hands over at once what may go at once, in that very call. Only where the line is
  busy or the receiver rests does the pacer's thread wake at the next deadline.
- Pushing never waits for another thread: items go into a queue, and whoever is at work already
  takes them along. So a port that calls back into the bridge while it sends is no trouble either.
- A note-on is entered in the ledger before its bytes are handed over and a note-off is taken out
  after, so that the ledger never knows too little, whenever the process dies.
- Letting go (quiet, a port that is back, what a killed engine left) goes ahead of what waits, at
  the speed of the line.
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Iterable, Sequence

from knobwright.core.errors import PortError, PortLimitError, one_line
from knobwright.core.interfaces import Clock, Ledger, OutPort
from knobwright.core.timing.items import KEPT, NOTE, Item
from knobwright.core.timing.pacing import Hand, Pacing, release
from knobwright.engine.alarm import FOREVER, Alarm
from knobwright.engine.held import HOLDING, PEDALS, Held, enter, take_out
from knobwright.engine.hooks import Hooks, PacerCounts, Sent
from knobwright.engine.letting import NOTES_OFF, SOUND_OFF, Letting, silences, spill
from knobwright.engine.stalls import STALL_NS, Stalls

__all__ = ["MAX_INBOX", "STALL_NS", "Hooks", "Pacer", "PacerCounts", "Sent"]

#: An exclusive that is under way may take so long to end when quiet is asked for; then it is cut.
FINISH_NS = 100_000_000
#: So many items may wait while a port is stuck in the middle of sending.
MAX_INBOX = 20_000
_END_OF_EXCLUSIVE = b"\xf7"
_PRESSURE, _EXCLUSIVE, _REAL_TIME = 0xA0, 0xF0, 0xF8


class Pacer:
    """Sends the items of one link.

    Parameters
    ----------
    make : callable
        Makes the order-and-line machine of this link; called anew for what is let go.
    ledger : Ledger
        Of this link.
    clock : Clock
        The monotonic clock.
    byte_ns : int >= 0, nanoseconds
        Time of a byte on the line, 0 for no limit; the same as the machine's.
    hooks : Hooks, optional
    quiet : sequence of int, optional
        Controllers that quiet sends on the channels that sounded.
    slept : callable, optional
        Returns for how long the machine was suspended so far, in nanoseconds.
    at_start : callable, optional
        Called once in the pacer's thread before it begins to wait.

    Notes
    -----
    It has no port at first: :meth:`back` gives it one. What the ledger owes is let go then.
    """

    def __init__(
        self,
        make: Callable[[], Pacing],
        ledger: Ledger,
        *,
        clock: Clock,
        byte_ns: int = 0,
        hooks: Hooks | None = None,
        quiet: Sequence[int] = (SOUND_OFF, NOTES_OFF),
        slept: Clock | None = None,
        at_start: Callable[[], object] | None = None,
    ) -> None:
        self._make = make
        self._main = make()
        self._ahead: Letting | None = None
        self._ledger = ledger
        self._clock = clock
        self._byte_ns = byte_ns
        self._hooks = hooks or Hooks()
        self._tap, self._on_sent = self._hooks.tap, self._hooks.on_sent
        self._quiet = tuple(quiet)
        self._stalls = Stalls(slept)
        self._port: OutPort | None = None
        self._is_plain = False  # there is a port, nothing is let go, and no quiet is asked for
        # Active sensing keeps the line alive: then there is a deadline though nothing waits.
        self._senses = make().next_ns is not None
        self._inbox: deque[Item] = deque()
        self._asked: deque[Callable[[int], None]] = deque()
        self._held = Held()
        self._sounded = 0  # channels that were sent a note
        self._is_open = False  # an exclusive is begun and not ended on the wire
        self._quiet_at_ns = FOREVER  # quiet is asked for: when an exclusive under way is cut
        self._quiet_channels = 0
        self._quiet_on_return = 0
        self._free_ns = 0  # when the line is free again
        self._n_stalls = self._n_limits = self._n_let_go = self._n_spilled = 0
        self._lock = threading.Lock()
        self._next_ns = FOREVER
        self._alarm = Alarm(lambda: self.work(wait=True), clock, at_start)
        self._is_quiet = threading.Event()
        self._is_quiet.set()
        # From the ledger, before anything new is entered: this is what an engine before us left.
        self._n_found = sum(n for _, _, n in ledger.owed())
        self._main.lost(clock())

    # -- from any thread -------------------------------------------------------------------------

    def push(self, items: Iterable[Item]) -> None:
        """Take items in the order in which they come; hands over at once what may go."""
        inbox = self._inbox
        if not self._lock.acquire(False):
            inbox.extend(items)
            # Another thread is at work and takes it along, unless it is stuck in a port.
            if len(inbox) > MAX_INBOX:
                self._spill()
            if self._lock.locked():
                return
            self.work()  # that thread has just ended its last look
            return
        try:
            if self._is_plain and not inbox and self._next_ns == FOREVER and not self._asked:
                left = self._straight(items)
                if left is not None:
                    inbox.extend(left)
                    self._run()
            else:
                inbox.extend(items)
                self._run()
        finally:
            self._lock.release()
        if inbox or self._asked:
            self.work()

    def _straight(self, items: Iterable[Item]) -> Iterable[Item] | None:
        """Hand over items that nothing stands against.

        Return those that are left, for the longer way; ``None`` when nothing is left to do.
        """
        main, port, clock = self._main, self._port, self._clock
        held, ledger = self._held, self._ledger
        assert port is not None
        now_ns = clock()
        left = iter(items)
        straight, send = main.straight, port.send
        for item in left:
            data = straight(item, now_ns)
            if not data:
                if data is None:
                    return (item, *left)
                continue  # a note-off whose note-on was refused
            message = item[0][0]
            ends = is_pedal = False
            if item[1] == NOTE:
                status, key, velocity = message
                place = (status & 0x0F) << 7 | key
                if velocity and status >= 0x90:
                    held.begin(item[7], place)
                    ledger.note_on(status & 0x0F, key)
                    self._sounded |= 1 << (status & 0x0F)
                else:
                    held.end(item[7], place)
                    ends = True
            elif item[1] == KEPT and (message[1] in PEDALS or message[0] < _PRESSURE):
                is_pedal = True
                held.note(item)
                self._sounded |= enter(ledger, message)
            try:
                send(data)
            except (PortError, OSError) as error:
                self._not_sent(error, Hand(data, (item,), message), now_ns)
                return left
            done_ns = clock()
            if ends:
                ledger.note_off(status & 0x0F, key)
            elif is_pedal:
                take_out(ledger, message)
            if self._byte_ns:
                self._free_ns = max(self._free_ns, now_ns) + len(data) * self._byte_ns
            if self._tap is not None:
                self._tap(done_ns, data)
            if self._on_sent is not None:
                self._on_sent((item,), done_ns)
            if done_ns - now_ns > STALL_NS:
                self._inbox.extend(left)
                self._take_in(done_ns)
                self._drop_late(done_ns)
                return ()
            now_ns = done_ns
        return None

    def _spill(self) -> None:
        """Leave out what came last while sending has been stuck for long, but for what ends."""
        self._n_spilled += spill(self._inbox, MAX_INBOX)
        self._say("the port takes nothing: what came was left out, but for note-offs and lifts")

    def quiet(self, *, all_channels: bool = False) -> None:
        """Stop all sound; what waits, except for note-ons, goes on afterwards.

        Pedals are lifted, what is owed is let go, and channel modes 120 and 123 are sent on the
        channels that sounded, or on all of them. An exclusive under way is finished first, or
        ended where that would take more than a tenth of a second.
        """
        self._is_quiet.clear()
        self._ask(lambda now_ns: self._begin_quiet(now_ns, 0xFFFF if all_channels else 0))

    def listen(self, on_sent: Sent) -> None:
        """Tell ``on_sent`` from now on which items were handed over, and when."""
        self._on_sent = on_sent

    def let_go(self, source: str) -> None:
        """Let go of the notes and pedals that ``source`` holds: it is gone."""
        self._ask(lambda now_ns: self._let_go_of(source, now_ns))

    def lost(self, words: str) -> None:
        """Take the port as gone."""
        self._ask(lambda now_ns: self._lose(now_ns, None))

    def forget(self) -> None:
        """Take the receiver as one that was just switched on: nothing is selected there."""
        # A port that is gone forgets by itself when it is back.
        self._ask(lambda now_ns: None if self._port is None else self._main.back(now_ns))

    def back(self, port: OutPort) -> None:
        """Take a port that is open: lets go what is owed, then what waits."""
        self._ask(lambda now_ns: self._return(now_ns, port))

    def _ask(self, what: Callable[[int], None]) -> None:
        self._asked.append(what)
        self.work()

    # -- state -----------------------------------------------------------------------------------

    @property
    def is_there(self) -> bool:
        """Return whether there is a port to send to."""
        return self._port is not None

    @property
    def pacing(self) -> Pacing:
        """Return the order-and-line machine, for its counts."""
        return self._main

    @property
    def n_found(self) -> int:
        """Return how many note-offs the ledger owed when the pacer was made."""
        return self._n_found

    @property
    def n_owed(self) -> int:
        """Return how many note-offs are owed now."""
        return sum(n for _, _, n in self._ledger.owed())

    @property
    def is_idle(self) -> bool:
        """Return whether nothing waits and the line is free."""
        if self._inbox or self._asked or self._ahead is not None or self._main.n_waiting:
            return False
        return self._clock() >= self._free_ns

    def counts(self) -> PacerCounts:
        """Return what was counted here."""
        return PacerCounts(
            self._n_stalls, self._n_limits, self._n_let_go, self._n_spilled, self._alarm.worst_ns
        )

    def wait_quiet(self, timeout_s: float) -> bool:
        """Wait until the last :meth:`quiet` is done; return whether it is."""
        return self._is_quiet.wait(timeout_s)

    def start(self) -> None:
        """Begin to keep deadlines."""
        self._alarm.start()

    def close(self) -> None:
        """End the thread; what waits is not sent. The port stays open."""
        self._alarm.close()

    # -- the work: one thread at a time ------------------------------------------------------------

    def work(self, *, wait: bool = False) -> None:
        """Hand over what may go now, and see to what was asked.

        Where another thread is at work, it sees to this too: then this returns at once, unless
        ``wait`` says to take over from it.
        """
        while True:
            if not self._lock.acquire(wait):
                return
            try:
                self._run()
            finally:
                self._lock.release()
            # What came after the last look and before the release would be left behind.
            if not (self._inbox or self._asked):
                return
            wait = False

    def _run(self) -> None:
        now_ns = self._clock()
        if self._next_ns != FOREVER and self._stalls.notice(now_ns, self._next_ns):
            self._drop_late(now_ns)
        if self._inbox or self._asked:
            self._take_in(now_ns)
        main = self._main
        while self._port is not None:
            # Nearly always plain: then nothing but what waits is to be looked at.
            hand = main.due(now_ns) if self._is_plain else self._due(now_ns)
            before_ns = now_ns
            if hand is not None:
                now_ns = self._hand_over(hand, now_ns)
            elif not self._is_plain and self._go_on(now_ns):
                now_ns = self._clock()
            else:
                break
            if self._inbox or self._asked:
                self._take_in(now_ns)
            elif self._is_plain and not main.n_waiting:
                break
            if now_ns - before_ns > STALL_NS:
                self._drop_late(now_ns)
        self._set_deadline()

    def _due(self, now_ns: int) -> Hand | None:
        """Return what is to be handed over now."""
        if self._ahead is not None:
            return self._ahead.machine.due(now_ns)
        if self._quiet_at_ns != FOREVER and not self._is_open:
            return None  # nothing new begins before quiet
        return self._main.due(now_ns)

    def _take_in(self, now_ns: int) -> None:
        inbox, main = self._inbox, self._main
        while inbox:
            item = inbox.popleft()
            if main.push(item, now_ns) and item.sort in HOLDING:
                self._held.note(item)
        while self._asked:
            self._asked.popleft()(now_ns)

    def _set_deadline(self) -> None:
        if self._is_plain and not self._senses and not self._main.n_waiting:
            if self._next_ns != FOREVER:
                self._next_ns = FOREVER
                self._alarm.set(FOREVER)
            return
        next_ns: int | None = None
        if self._port is None:
            pass
        elif self._ahead is not None:
            machine = self._ahead.machine
            next_ns = machine.next_ns if machine.n_waiting else self._free_ns
        elif self._quiet_at_ns != FOREVER:
            next_ns = self._main.next_ns if self._is_open else self._free_ns
            next_ns = self._quiet_at_ns if next_ns is None else next_ns
        else:
            next_ns = self._main.next_ns
        if self._next_ns == FOREVER and next_ns is not None:
            self._stalls.begin()
        self._next_ns = FOREVER if next_ns is None else next_ns
        self._alarm.set(self._next_ns)

    def _drop_late(self, now_ns: int) -> None:
        self._n_stalls += 1
        n = self._main.drop_note_ons(now_ns)
        if n:
            self._say(f"the machine or the port stood still: {n} late notes were left out")

    def _hand_over(self, hand: Hand, now_ns: int) -> int:
        """Give bytes to the port; return the time when that was done."""
        data, done, message = hand
        port = self._port
        assert port is not None
        if message:
            self._sounded |= enter(self._ledger, message)
        try:
            port.send(data)
        except (PortError, OSError) as error:
            self._not_sent(error, hand, now_ns)
            return self._clock()
        done_ns = self._clock()
        if message:
            take_out(self._ledger, message)
        # Real time between the pieces of an exclusive completes a message, but not that one.
        if data[0] == _EXCLUSIVE or (self._is_open and data[0] < _REAL_TIME):
            self._is_open = not message
        if self._byte_ns:
            self._free_ns = max(self._free_ns, now_ns) + len(data) * self._byte_ns
        if self._tap is not None:
            self._tap(done_ns, data)
        if done and self._on_sent is not None:
            self._on_sent(done, done_ns)
        return done_ns

    def _not_sent(self, error: Exception, hand: Hand, now_ns: int) -> None:
        """Say that the port can't carry it, or take the port as lost."""
        if isinstance(error, PortLimitError):
            self._n_limits += 1
            self._say(one_line(error))
            return
        self._lose(now_ns, hand)
        if self._hooks.on_lost is not None:
            self._hooks.on_lost(str(error))

    # -- letting go --------------------------------------------------------------------------------

    def _go_on(self, now_ns: int) -> bool:
        """Go on to what follows when nothing is due; return whether something may be due now."""
        if now_ns < self._free_ns and not self._is_open:
            return False
        if self._quiet_at_ns != FOREVER:
            return self._go_on_to_quiet(now_ns)
        if self._ahead is None or self._ahead.machine.n_waiting:
            return False
        if self._ahead.feed(now_ns):
            return True
        self._main.follow(self._ahead.machine)
        self._ahead = None
        self._ledger.clear()
        self._main.back(now_ns)
        self._is_plain = True
        self._is_quiet.set()
        return True

    def _begin_quiet(self, now_ns: int, channels: int) -> None:
        self._main.drop_note_ons(now_ns)
        self._held.clear()
        if self._port is None:
            self._quiet_on_return |= channels | self._sounded
            self._is_quiet.set()
            return
        self._is_plain = False
        self._quiet_channels |= channels
        self._quiet_at_ns = now_ns + FINISH_NS if self._is_open else now_ns

    def _go_on_to_quiet(self, now_ns: int) -> bool:
        """Begin to let go, once an exclusive under way has ended or has taken too long."""
        if self._is_open and now_ns < self._quiet_at_ns:
            return False
        if self._is_open:
            self._main.cut_exclusive(now_ns)
            self._is_open = False
            self._hand_over(Hand(_END_OF_EXCLUSIVE, (), b""), now_ns)
            self._say("an exclusive message was cut short for quiet")
            return True  # letting go begins when the line is free of it
        self._quiet_at_ns = FOREVER
        self._release(now_ns, self._quiet_channels | self._sounded)
        self._quiet_channels = 0
        return True

    def _release(self, now_ns: int, channels: int) -> None:
        """Let go of everything that is owed, ahead of what waits."""
        owed = list(self._ledger.owed())
        self._n_let_go += sum(n for _, _, n in owed)
        machine = self._make()
        machine.follow(self._main)  # a rest that the module needs goes on
        items = (*release(owed, list(self._ledger.pedals())), *silences(channels, self._quiet))
        self._ahead = Letting(machine, items, channels, now_ns)

    def _let_go_of(self, source: str, now_ns: int) -> None:
        owed, pedals = self._held.take(source)
        for item in release(owed, pedals, source=source):
            self._main.push(item, now_ns)

    # -- lost and back -----------------------------------------------------------------------------

    def _lose(self, now_ns: int, hand: Hand | None) -> None:
        if self._port is None:
            return
        self._port = None
        self._is_plain = False
        # What was being let go is still owed: the ledger holds it.
        is_main = self._ahead is None
        if self._ahead is not None:
            self._quiet_on_return |= self._ahead.channels
        self._ahead = None
        self._is_open = False
        if self._quiet_at_ns != FOREVER:
            self._quiet_at_ns = FOREVER
            self._quiet_on_return |= self._quiet_channels | self._sounded
        self._main.lost(now_ns, hand if is_main else None)
        self._is_quiet.set()

    def _return(self, now_ns: int, port: OutPort) -> None:
        if self._port is not None:
            self._lose(now_ns, None)
        self._port = port
        self._free_ns = now_ns
        self._main.back(now_ns)  # notes that come while old ones are let go wait for that
        self._release(now_ns, self._quiet_on_return)
        self._quiet_on_return = 0

    def _say(self, words: str) -> None:
        if self._hooks.on_trouble is not None:
            self._hooks.on_trouble(words)
