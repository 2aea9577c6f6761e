"""Control changes on the way in: selections of RPN and NRPN, data entry, pairs, steps.

MIDI 1.0 Detailed Specification 4.2.1 p.17: either selector byte may come first, a receiver waits
for both but copes later with one alone, a newly selected parameter keeps its value until data
come. Null (7F 7F) shuts data entry off until a new number is chosen (RPN table 3a of 2020).
RP-018: a step moves the low half where there is one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from knobwright.core.codec.events import Event, Part, Setting, Unexplained
from knobwright.core.codec.match import (
    DATA_HIGH,
    DATA_LOW,
    DECREMENT,
    INCREMENT,
    NULL,
    SELECTORS,
    Entry,
    Matchers,
)
from knobwright.core.codec.settings import Group, bits_of, in_effect, raw_of, setting
from knobwright.core.interfaces import Lookup
from knobwright.core.sheet import words as w
from knobwright.core.sheet.records import Parameter

#: (kind, high, low) of what is selected.
Selection = tuple[str, int, int]


class _Selected:
    """The selection of one source on one channel."""

    __slots__ = ("active", "fresh", "numbers")

    def __init__(self) -> None:
        self.numbers: dict[str, list[int | None]] = {}
        self.active: str | None = None
        self.fresh: set[int] = set()

    def choose(self, kind: str, half: int, number: int) -> Selection | None:
        """Take one half of a number; return the number where both halves have just come.

        A line without data is complete with its selection, and it must not be taken for sent
        while one half is still that of the number selected before.
        """
        if kind != self.active:
            self.fresh.clear()
        pair = self.numbers.setdefault(kind, [None, None])
        pair[half] = number
        self.active = kind
        self.fresh.add(half)
        new = self.selection if len(self.fresh) == 2 else None
        if new is not None:
            self.fresh.clear()
        if tuple(pair) == NULL:
            self.numbers.clear()
            self.active = None
        return new

    @property
    def selection(self) -> Selection | None:
        if self.active is None:
            return None
        high, low = self.numbers[self.active]
        return None if high is None or low is None else (self.active, high, low)


class Controls:
    """Follows the control changes of every source; what the module was sent is held per channel."""

    def __init__(
        self, matchers: Matchers, parameters: Mapping[str, Parameter], current: Lookup | None
    ) -> None:
        self._matchers = matchers
        self._parameters = parameters
        self._current = current
        self._selected: dict[tuple[int, int], _Selected] = {}
        # What came last for (nibble, selection, controller): the module's side, whatever the
        # source.
        self._held: dict[tuple[int, Selection | None], dict[int, int]] = {}
        # Which of them have come since the value was last complete.
        self._waiting: dict[tuple[int, Selection | None], set[int]] = {}

    def selection(self, source: int, nibble: int) -> Selection | None:
        """Return what a source has selected on a channel (0 to 15)."""
        chosen = self._selected.get((source, nibble))
        return chosen.selection if chosen else None

    def forget(self) -> None:
        """Forget all selections and halves: the module was switched off or reset."""
        self._selected.clear()
        self._held.clear()
        self._waiting.clear()

    def select(self, message: bytes, source: int) -> list[Event]:
        """Take a selector byte; a line without data (an action) is complete with its selection."""
        kind, half = SELECTORS[message[1]]
        nibble = message[0] & 0x0F
        chosen = self._selected.setdefault((source, nibble), _Selected())
        new = chosen.choose(kind, half, message[2])
        done = [
            Setting(e.target.name, 0, e.channels[nibble] or None, e.note, e.target.route)
            for e in self._entries(new, nibble, None)
        ]
        side = "high" if half == 0 else "low"
        is_null = chosen.active is None
        words = f"{kind} null" if is_null else f"selects {kind} ({side} number {message[2]})"
        return [*done] if done else [Part(words, channel=nibble + 1)]

    def data(self, message: bytes, source: int) -> list[Event]:
        """Take data entry (6, 38) or a step (96, 97)."""
        nibble, number = message[0] & 0x0F, message[1]
        chosen = self._selected.get((source, nibble))
        selection = chosen.selection if chosen is not None else None
        if chosen is not None:
            chosen.fresh.clear()
        if selection is None:
            why = (
                "only half of the number is selected"
                if chosen is not None and chosen.active is not None
                else "nothing is selected on its channel"
            )
            return [Unexplained(message, f"it is data for a selected parameter, and {why}")]
        entries = self._entries(selection, nibble, number)
        if not entries and number in (INCREMENT, DECREMENT):
            return self._step(message, selection, nibble)
        if not entries:
            kind, high, low = selection
            known = self._matchers.selected.get(selection)
            reason = (
                f"{known[0].target.name} takes no data by controller {number}"
                if known
                else f"the sheet has no {kind} {high:02X} {low:02X} (hex) on this channel"
            )
            if known:  # of what the sheet does not know nothing is kept: memory stays bounded
                self._hold(nibble, selection, number, message[2], [])
            return [Unexplained(message, reason)]
        groups = self._take(message, entries, nibble, selection)
        return in_effect(groups, self._current, self._parameters)

    def plain(self, message: bytes) -> list[Group]:
        """Take a control change that is a line of its own; nothing where no line has it."""
        nibble, number = message[0] & 0x0F, message[1]
        found = self._matchers.plain.get(number, ())
        entries = [entry for entry in found if entry.channels[nibble] >= 0]
        return self._take(message, entries, nibble, None) if entries else []

    def _entries(self, selection: Selection | None, nibble: int, number: int | None) -> list[Entry]:
        if selection is None:
            return []
        found = self._matchers.selected.get(selection, ())
        here = [entry for entry in found if entry.channels[nibble] >= 0]
        if number is None:
            return [entry for entry in here if not entry.data]
        return [entry for entry in here if any(n == number for n, _ in entry.data)]

    def _hold(
        self, nibble: int, selection: Selection | None, number: int, byte: int, entries: list[Entry]
    ) -> dict[int, int]:
        held = self._held.setdefault((nibble, selection), {})
        held[number] = byte
        if any(entry.goes_on(number) for entry in entries):
            held[number + 32] = 0
        return held

    def _take(
        self, message: bytes, entries: list[Entry], nibble: int, selection: Selection | None
    ) -> list[Group]:
        number = message[1]
        held = self._hold(nibble, selection, number, message[2], entries)
        groups = [
            (entry.target.parameter, list(self._complete(entry, number, held, nibble, message)))
            for entry in entries
        ]
        waiting = self._waiting.setdefault((nibble, selection), set())
        if all(isinstance(event, Part) for _, events in groups for event in events):
            waiting.add(number)
            waiting.update(number + 32 for entry in entries if entry.goes_on(number))
        else:
            waiting.clear()
        return groups

    def _complete(
        self, entry: Entry, number: int, held: dict[int, int], nibble: int, message: bytes
    ) -> Iterator[Event]:
        """Yield what is complete with this byte: the target's value and others in its line."""
        channel = entry.channels[nibble] or None
        part = Part(f"part of {entry.target.name}", entry.target.name, nibble + 1)
        numbers = [n for n, _ in entry.data]
        at = numbers.index(number)
        for i, (n, cell) in enumerate(entry.data):
            if cell.kind != w.FIXED or held.get(n) == cell.fixed:
                continue
            if i > at or n not in held:
                yield part  # its own fixed byte is still to come
            else:
                found = f"{held[n]:02X} by controller {n}"
                why = f"{entry.target.name} wants {cell.fixed:02X} here, not {found}"
                yield Unexplained(message, why)
            return
        names = dict.fromkeys(cell.name for _, cell in entry.data if cell.kind != w.FIXED)
        if not names:
            complete = number == numbers[-1]
            key = entry.target.name
            yield Setting(key, 0, channel, entry.note, entry.target.route) if complete else part
            return
        settled = False
        for name in names:
            cells = [(n, c) for n, c in entry.data if c.kind != w.FIXED and c.name == name]
            if self._settles(entry, at, cells):
                settled = True
                yield self._value(entry, name, cells, number, held, channel, message)
        if not settled:
            yield part

    def _settles(self, entry: Entry, at: int, cells: list[tuple[int, w.Cell]]) -> bool:
        """Return whether the byte at place ``at`` of a line says or completes what cells say."""
        number, cell = entry.data[at]
        if any(n == number for n, _ in cells) or self._cleared(entry, number, cells):
            return True
        # A fixed byte behind the value completes it, unless it was implied: 00 cleared by 6.
        last = [n for n, _ in entry.data].index(cells[-1][0])
        implied = cell.fixed == 0 and entry.goes_on(number - 32)
        return cell.kind == w.FIXED and at > last and not implied

    @staticmethod
    def _cleared(entry: Entry, number: int, cells: list[tuple[int, w.Cell]]) -> bool:
        """Return whether a high half that came has cleared all of these cells."""
        return entry.goes_on(number) and all(n == number + 32 for n, _ in cells)

    def _value(
        self,
        entry: Entry,
        name: str,
        cells: list[tuple[int, w.Cell]],
        number: int,
        held: dict[int, int],
        channel: int | None,
        message: bytes,
    ) -> Event:
        own = entry.target.parameter
        assert own is not None
        parameter = self._parameters[name] if name else own
        implied = self._cleared(entry, number, cells)
        if any(n == number for n, _ in cells[:-1]):
            return Part(f"first part of {parameter.key}", parameter.key, channel)
        at = channel if "channel" in parameter.per else None
        note = entry.note if "key" in parameter.per else None
        bits = 0
        for n, cell in cells:
            byte = held.get(n)
            if byte is None:
                byte = self._byte_now(parameter, cell, at, note)
            if byte is None:
                return Part(f"a part of {parameter.key}; the rest is not known", parameter.key, at)
            if byte & cell.mask:
                return Unexplained(message, f"{byte:02X} is too large for {parameter.key}")
            bits |= byte << cell.low
        route = entry.target.route if not name else 0
        event = setting(parameter, bits, at, note, route, message, implied=implied)
        if implied and isinstance(event, Unexplained):
            return Part(f"first part of {parameter.key}", parameter.key, at)
        return event

    def _byte_now(
        self, parameter: Parameter, cell: w.Cell, channel: int | None, note: int | None
    ) -> int | None:
        raw = self._current(parameter.key, channel, note) if self._current else None
        if not isinstance(raw, int) or isinstance(raw, bool):
            return None
        return bits_of(parameter, raw) >> cell.low & ~cell.mask & 0xFF

    def _step(self, message: bytes, selection: Selection, nibble: int) -> list[Event]:
        """Take an increment or decrement: the last, lowest part of the line moves by one."""
        by = 1 if message[1] == INCREMENT else -1
        steps: dict[str, tuple[Entry, w.Cell, Parameter, int | None]] = {}
        low = self._entries(selection, nibble, DATA_LOW)
        high = self._entries(selection, nibble, DATA_HIGH)
        for entry in (*low, *high):
            wanted = DATA_LOW if any(n == DATA_LOW for n, _ in entry.data) else DATA_HIGH
            cell = next(cell for n, cell in entry.data if n == wanted)
            own = entry.target.parameter
            if cell.kind == w.FIXED or own is None or own.is_action:
                continue
            moved = self._parameters[cell.name] if cell.kind == w.OTHER else own
            if moved.key not in steps:  # all start from what is held now
                raw = self._now(moved, entry, cell.name, nibble, selection)
                steps[moved.key] = (entry, cell, moved, raw)
        groups: list[Group] = []
        for entry, cell, moved, raw in steps.values():
            if raw is None:
                words = f"it is a step of {moved.key}, whose value is not known"
                groups.append((moved, [Unexplained(message, words)]))
            else:
                event = self._moved(moved, entry, cell.name, raw, by, nibble, selection)
                groups.append((moved, [event]))
        if groups:
            return in_effect(groups, self._current, self._parameters)
        kind, top, bottom = selection
        words = f"it is a step of {kind} {top:02X} {bottom:02X}, not in the sheet"
        return [Unexplained(message, words)]

    @staticmethod
    def _place(parameter: Parameter, entry: Entry, nibble: int) -> tuple[int | None, int | None]:
        """Return channel and key of a parameter in an entry's line."""
        channel = (entry.channels[nibble] or None) if "channel" in parameter.per else None
        return channel, entry.note if "key" in parameter.per else None

    def _now(
        self,
        parameter: Parameter,
        entry: Entry,
        name: str,
        nibble: int,
        selection: Selection,
    ) -> int | None:
        channel, note = self._place(parameter, entry, nibble)
        known = self._current(parameter.key, channel, note) if self._current else None
        held = self._held.get((nibble, selection), {})
        waiting = self._waiting.get((nibble, selection), set())
        bits = 0
        for n, cell in entry.data:
            if cell.kind == w.FIXED or cell.name != name:
                continue
            if isinstance(known, int) and n not in waiting:
                byte = bits_of(parameter, known) >> cell.low
            elif n in held:
                byte = held[n]
            else:
                return None
            bits |= (byte & ~cell.mask & 0x7F) << cell.low
        raw = raw_of(parameter, bits)
        return raw if parameter.allows(raw) else None

    def _moved(
        self,
        parameter: Parameter,
        entry: Entry,
        name: str,
        raw: int,
        by: int,
        nibble: int,
        selection: Selection,
    ) -> Event:
        lowest, highest = parameter.ranges[0][0], parameter.ranges[-1][1]
        moved = raw + by
        while lowest < moved < highest and not parameter.allows(moved):
            moved += by  # step over a hole
        moved = min(max(moved, lowest), highest)
        bits = bits_of(parameter, moved)
        held = self._held.setdefault((nibble, selection), {})
        self._waiting.pop((nibble, selection), None)
        for n, cell in entry.data:
            if cell.kind != w.FIXED and cell.name == name:
                held[n] = bits >> cell.low & ~cell.mask & 0xFF
        channel, note = self._place(parameter, entry, nibble)
        return Setting(parameter.key, moved, channel, note, entry.target.route, step=by)
