"""What of an input is passed on as it comes: what the bench says, and no stranger's exclusive."""

from __future__ import annotations

from knobwright.core.bench.records import Passing
from knobwright.core.codec.plan import Codec
from knobwright.core.state.trust import Trust
from knobwright.core.timing.classify import BANKS, RESET_CONTROLLERS, SELECTORS
from knobwright.core.timing.items import Item
from knobwright.core.timing.merge import Merge, PlaceOf
from knobwright.engine.tally import Tally

#: What was not passed on since the source had chosen no parameter for it.
UNPLACED = "data entry without a parameter selected before it"
_EXCLUSIVE = 0xF0
#: Controllers by which a parameter or bank is selected, or a selection forgotten.
SELECTING = (*SELECTORS, *BANKS, RESET_CONTROLLERS)
# Switches that hold sound: hold, sostenuto, hold 2 (MIDI 1.0 Detailed Specification 4.2.1, table
# III); off up to 63 (page 12). A note-off without a velocity of its own has 64 (page 10).
_PEDALS = (64, 66, 69)
_PEDAL_DOWN = 64
_NO_RELEASE_VELOCITY = 64
#: Note-ons of one key that are followed: as many as the ledger of held notes counts.
_MAX_HELD = 255


def passing_table(passing: Passing) -> tuple[bool, ...]:
    """Return for each status byte 00 to FF whether messages with it are passed on."""
    table = [False] * 256
    groups = (
        (range(0x80, 0xA0), passing.notes),
        (range(0xA0, 0xB0), passing.pressure),
        (range(0xB0, 0xC0), passing.controls),
        (range(0xC0, 0xD0), passing.programs),
        (range(0xD0, 0xE0), passing.pressure),
        (range(0xE0, 0xF0), passing.bend),
        ((0xF0,), passing.exclusive != "none" or bool(passing.allow)),
        ((0xF1, 0xF2, 0xF3, 0xF6), passing.common),
        ((0xF8, 0xFA, 0xFB, 0xFC), passing.clock),
        ((0xFE,), True),  # taken out by the merging: the link has its own
        ((0xFF,), passing.reset),
    )
    for statuses, passes in groups:
        for status in statuses:
            table[status] = passes
    return tuple(table)


class Passer:
    """Makes items of one source's raw messages, for each of the links.

    Parameters
    ----------
    source : str
        The source's name: it stands in the items and in what is told.
    passing : Passing
        What the bench passes on; ``None`` of it where ``passes`` is false.
    codec : Codec
        The sheet that decides which exclusive messages are trusted.
    places : PlaceOf
        Tells which parameter raw messages set.
    tally : Tally
        Where what is left out is counted.
    """

    def __init__(
        self,
        source: str,
        passing: Passing,
        codec: Codec,
        places: PlaceOf,
        tally: Tally,
        *,
        n_links: int = 1,
        passes: bool = True,
    ) -> None:
        self.source = source
        self._merges = tuple(Merge(source, places) for _ in range(n_links))
        self._n_unplaced = [0] * n_links
        #: Notes and pedals of this source that are down: (link, status, number) to how often.
        self._held: dict[tuple[int, int, int], int] = {}
        self._table = passing_table(passing) if passes else (False,) * 256
        self._explained = passing.exclusive == "explained"
        self._trust = Trust(codec, passing.allow)
        self._tally = tally

    def routed(self, message: bytes, link: int) -> list[Item]:
        """Return the items of a message whose way is settled: a zone's, or a note of the page."""
        items = self._merges[link].feed(message)
        if not items:
            self._count_unplaced(message, link)
        return items

    def learn(self, message: bytes, link: int) -> None:
        """Take note of what a message selects (RPN, NRPN, bank); nothing is sent."""
        if message[0] >> 4 == 0xB and message[1] in SELECTING:
            self._merges[link].feed(message)

    def forget(self) -> None:
        """Forget what the source has selected: another one may be there next."""
        for merge in self._merges:
            merge.forget()

    @property
    def n_sensing(self) -> int:
        """Return how many bytes of active sensing were taken out."""
        return sum(merge.n_sensing for merge in self._merges)

    def feed(self, message: bytes, link: int) -> list[Item]:
        """Return the items of a raw message that is passed on, or none where it is not."""
        status = message[0]
        if not self._table[status]:
            self._tally.n_left_out += 1
            return []
        if status == _EXCLUSIVE and not self._may_pass(message):
            return []
        items = self._merges[link].feed(message)
        if status < 0xC0:
            self._hold(status, message, link)
            if not items and status >= 0xB0:
                self._count_unplaced(message, link)
        return items

    def let_go(self) -> list[tuple[int, list[Item]]]:
        """Return what ends every note and lifts every pedal that this source holds down.

        Each comes with its link; afterwards nothing is held.
        """
        found: list[tuple[int, list[Item]]] = []
        for (link, status, number), times in self._held.items():
            value = _NO_RELEASE_VELOCITY if status < 0xA0 else 0
            message = bytes((status, number, value))
            found += [(link, self._merges[link].feed(message))] * times
        self._held.clear()
        return found

    def _hold(self, status: int, message: bytes, link: int) -> None:
        """Follow which notes and pedals are down."""
        kind, number, value = status & 0xF0, message[1], message[2]
        if kind == 0x90 and value:
            place = (link, status - 0x10, number)  # under the status of its note-off
            self._held[place] = min(self._held.get(place, 0) + 1, _MAX_HELD)
        elif kind <= 0x90:
            place = (link, status & 0x8F, number)
            left = self._held.pop(place, 0) - 1
            if left > 0:
                self._held[place] = left
        elif kind == 0xB0 and number in _PEDALS:
            if value >= _PEDAL_DOWN:
                self._held[link, status, number] = 1
            else:
                self._held.pop((link, status, number), None)

    def _may_pass(self, message: bytes) -> bool:
        if not self._explained and not self._trust.allows(message):
            self._tally.n_left_out += 1
            return False
        verdict = self._trust.judge(message)
        if not verdict.allowed:
            self._tally.asked(self.source, message, verdict.why)
        return verdict.allowed

    def _count_unplaced(self, message: bytes, link: int) -> None:
        """Tell data that were dropped because nothing was selected (a selection is only kept)."""
        n_unplaced = self._merges[link].n_unplaced
        if n_unplaced > self._n_unplaced[link]:
            self._n_unplaced[link] = n_unplaced
            self._tally.dropped(self.source, UNPLACED, message)
