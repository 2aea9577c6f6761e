"""Send again what the module should have: its setup if wanted, programs, then values in order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from knobwright.core.codec.plan import Codec
from knobwright.core.errors import KnobwrightError
from knobwright.core.interfaces import Lookup
from knobwright.core.sheet.records import Raw
from knobwright.core.state.values import Known, KnownProgram, Place
from knobwright.core.timing.items import Item
from knobwright.core.timing.merge import from_messages, from_setting
from knobwright.engine.held import DOWN, PEDALS
from knobwright.engine.known import RESEND, LinkState
from knobwright.engine.tally import Tally

_MS = 1_000_000
_CONTROL = 0xB


def setup_items(codec: Codec, source: str) -> list[Item]:
    """Return the sheet's reset as items, each with the rest that must follow it."""
    return [
        from_messages(messages, rest_ns=rest_ms * _MS, source=source)
        for messages, rest_ms in codec.setup()
    ]


class Restoring:
    """Makes the items of a resend; what follows a reset on another link waits for that reset.

    Parameters
    ----------
    codec : Codec
        Of the sheet.
    shared : mapping
        As ``shared_bases`` gives it.
    states : sequence of LinkState
        What each link's part of the module should have.
    tally : Tally
        Where values are counted that can't be sent.
    """

    def __init__(
        self,
        codec: Codec,
        shared: Mapping[str, str],
        states: Sequence[LinkState],
        tally: Tally,
    ) -> None:
        self._codec = codec
        self._shared = shared
        self._states = states
        self._tally = tally
        self._last_setup: Item | None = None
        self._waiting: list[tuple[int, list[Item]]] = []
        self._due_ns: int | None = None

    @property
    def n_waiting(self) -> int:
        """Return how many items wait for a reset on another link."""
        return sum(len(items) for _, items in self._waiting)

    def begin(self, *, setup: bool) -> list[list[Item]]:
        """Return the items of each link that go now."""
        found = [self._items(state) for state in self._states]
        self._waiting = []
        self._due_ns = None
        self._last_setup = None
        reset = setup_items(self._codec, RESEND) if setup else []
        if not reset or not found:
            return found
        # The reset is the whole module's: the second link's values must not be wiped by it.
        self._last_setup = reset[-1]
        self._waiting = [(link, items) for link, items in enumerate(found) if link and items]
        return [reset + found[0], *([] for _ in found[1:])]

    def handed_over(self, item: Item, at_ns: int) -> None:
        """Note an item that is out: behind the last of a reset, and its rest, others may go."""
        if item is self._last_setup:
            self._last_setup = None
            self._due_ns = at_ns + item.rest_ns

    def due(self, now_ns: int) -> list[tuple[int, list[Item]]]:
        """Return what had to wait and may go now, with its link."""
        if self._due_ns is None or now_ns < self._due_ns:
            return []
        self._due_ns = None
        found, self._waiting = self._waiting, []
        return found

    def _items(self, state: LinkState) -> list[Item]:
        wanted = list(state.values.remembered())
        # What waits for the line is newer than what was handed over.
        held: dict[Place, Raw] = {
            (value.key, value.channel, value.note): newest
            for value in wanted
            if isinstance(value, Known)
            and (newest := state.newest(value.key, value.channel, value.note, value.raw))
            is not None
        }

        def current(key: str, channel: int | None, note: int | None) -> Raw | None:
            found = held.get((key, channel, note))
            return state.lookup(key, channel, note) if found is None else found

        programs = [value for value in wanted if isinstance(value, KnownProgram)]
        values = [value for value in wanted if isinstance(value, Known)]
        found: list[Item] = []
        ordered: list[Known | KnownProgram] = [*programs, *values]
        for value in ordered:
            try:
                if isinstance(value, KnownProgram):
                    found.append(self._program(value))
                elif not _holds(item := self._value(state, value, current)):
                    found.append(item)
            except KnobwrightError as error:  # the sheet is another one since
                about = value.key if isinstance(value, Known) else f"program of {value.channel}"
                self._tally.refused(RESEND, about, error.message)
        return found

    def _program(self, value: KnownProgram) -> Item:
        messages = self._codec.program_bytes(value.number or 0, value.bank, value.channel)
        return from_messages(messages, source=RESEND)

    def _value(self, state: LinkState, value: Known, current: Lookup) -> Item:
        key, channel, note = value.key, value.channel, value.note
        raw = state.newest(key, channel, note, value.raw)
        assert raw is not None
        messages = self._codec.encode(key, raw, channel or 1, note, current)
        parameter = self._codec.parameters[key]
        item = from_setting(parameter, messages, channel, note, shared=self._shared, source=RESEND)
        state.wish(key, raw, channel, note, RESEND)
        return item


def _holds(item: Item) -> bool:
    """Return whether an item would hold notes, as a foot on a pedal does: nobody would lift it."""
    message = item.messages[0]
    return message[0] >> 4 == _CONTROL and message[1] in PEDALS and message[2] >= DOWN
