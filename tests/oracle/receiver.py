"""A module that only listens, built from a sheet a second time.

It takes raw bytes and keeps every parameter's value, as the module would. It is written from
docs/reference/sheet.md and from MIDI 1.0 alone, to be obvious rather than fast, and imports
nothing of the program: a mistake that codec and stand-in share shows up against it.

What it does not model: sound, replies, rests, and what a module does with a value out of range
(it ignores it here).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

from tests.oracle.description import Block, Line, Parameter, Value, read_description
from tests.oracle.match import Found, Reader
from tests.oracle.notation import UNPACK, Message, decode_number, read_run
from tests.oracle.selection import DATA, SELECTORS, Selection
from tests.oracle.stream import Stream

#: A parameter's place in the memory: key, channel (1 to 16) or None, key number or None.
Place = tuple[str, int | None, int | None]
Bits = dict[tuple[int, int], int]  # (high bit, low bit) -> bits


class Hit(NamedTuple):
    """A value that is complete now: its slices (or a run's bytes), and what its line leaves out."""

    place: Place
    what: Bits | bytes
    left_out: int = 0  # the lowest bits that a coarse route has no slice for


class Program(NamedTuple):
    """The program a channel plays: the printed number and the bank."""

    number: int
    bank: tuple[int, int]


class Receiver:
    """Keeps what the bytes of a stream have set, for one module.

    ``library`` gives the text of every sheet that the sheet includes.
    """

    def __init__(self, sheet: str, library: Mapping[str, str] | None = None) -> None:
        self.sheet = read_description(sheet, library or {})
        self.reader = Reader(self.sheet.maps, self.sheet.channels, self.sheet.devices)
        self.stream = Stream()
        self._power_up()

    def _power_up(self) -> None:
        """Forget everything; System Reset does so too (p. 33)."""
        self.memory: dict[Place, Value] = {}
        self.programs: dict[int, Program] = {}
        self.dumps: dict[str, bytes] = {}  # the unpacked bytes of each dump that came
        self._selected = {wire: Selection() for wire in range(16)}
        self._last: dict[tuple[int, ...], bytes] = {}  # what came last of each kind of message
        self._parts: dict[Place, Bits] = {}  # halves of values that are not complete
        self._progress: dict[int, list[bytes]] = {}  # sequences with exclusive, by number of line

    # ---- asking and listening

    def value(
        self, key: str, channel: int | None = None, key_number: int | None = None
    ) -> Value | None:
        """Return a parameter's raw value, or None while nothing has set it."""
        return self.memory.get(self.place(key, channel, key_number))

    def place(self, key: str, channel: int | None, key_number: int | None) -> Place:
        """Return where a parameter is kept: channel and key count only where it has them."""
        per = self.sheet.parameters[key].per
        return (key, channel if "channel" in per else None, key_number if "key" in per else None)

    def receive(self, data: bytes) -> None:
        """Take bytes of the stream, cut anywhere."""
        for message in self.stream.feed(data):
            if message[0] < 0xF0:
                self._channel_message(message)
            if message[0] < 0xF8:
                self._whole_lines(message)
            if message[0] == 0xF0:
                for block in self.sheet.blocks:
                    self._dump(block, message)
            if message[0] == 0xFF:
                self._power_up()

    # ---- channel messages: controllers are remembered one by one

    def _channel_message(self, message: bytes) -> None:
        wire = message[0] & 15
        if _is_control_change(message) and message[1] in SELECTORS:
            self._selected[wire].take(message[1], message[2])
        if _is_control_change(message) and message[1] in (96, 97):
            self._step(wire, 1 if message[1] == 96 else -1)
        hits: list[Hit] = []
        for line in self.sheet.lines:
            if all(template[0].base < 0xF0 for template in line.messages):
                for i in range(len(line.messages)):
                    hits += self._controller(line, i, message)
        self._program_message(message)
        self._last[self._slot(message)] = message
        self._take(hits)

    def _slot(self, message: bytes) -> tuple[int, ...]:
        """Return where a message is remembered: data entry belongs to what is selected."""
        if not _is_control_change(message):
            return (message[0],)
        if message[1] in DATA:
            return (*message[:2], *self._selected[message[0] & 15].number)
        return (*message[:2],)

    def _controller(self, line: Line, i: int, message: bytes) -> list[Hit]:
        """Return the values that a message completes, being the i-th message of a line."""
        template = line.messages[i]
        found = self.reader.nothing_yet()
        if (
            _controller_of(template) in SELECTORS
            or not self.reader.read(template, message, found)
            or not self._stands_behind(line, i, message, found)
        ):
            return []
        _clear_low_half(line, i, found)
        return self._completed(line, i, found)

    def _stands_behind(self, line: Line, i: int, message: bytes, found: Found) -> bool:
        """Tell whether the line's earlier messages hold: its selection, its fixed messages."""
        wire = message[0] & 15
        selectors: dict[int, Message] = {}
        for template in line.messages[:i]:
            if _controller_of(template) in SELECTORS:
                selectors[_controller_of(template)] = template
            elif all(word.kind in ("fixed", "channel") for word in template):
                fixed = bytes([template[0].base & 0xF0 | wire, *(w.base for w in template[1:])])
                said = self._last.get(self._slot(fixed))
                if said is None or not self.reader.read(template, said, found):
                    return False
        if not selectors or _controller_of(line.messages[i]) not in DATA:
            return True
        return self._is_selected(selectors, wire, found)

    def _is_selected(self, selectors: dict[int, Message], wire: int, found: Found) -> bool:
        """Tell whether the selectors are those in force; a key in them goes into ``found``."""
        now = self._selected[wire].now()
        return set(selectors) == set(now) and all(
            self.reader.read(template, bytes([0xB0 | wire, controller, now[controller]]), found)
            for controller, template in selectors.items()
        )

    def _completed(self, line: Line, i: int, found: Found) -> list[Hit]:
        """Put the bits with their parameters; return those values that are complete now."""
        done: list[Hit] = []
        for key in {who for who, _, _ in found.bits} | {line.key}:
            place = self._found_place(key, found)
            if place is None:
                continue
            came = found.of(key)
            last = _last_of(line, key)
            parts = {**self._parts.get(place, {}), **came}
            cleared = bool(came) and not _holds(
                line.messages[i], key
            )  # this message has none of it
            if i == last or (cleared and came.keys() == _slices(line, key)):
                done.append(Hit(place, parts, _left_out(line, key)))
            elif came:
                self._parts[place] = parts
        return done

    # ---- exclusive messages, system common, and sequences with them

    def _whole_lines(self, message: bytes) -> None:
        hits: list[Hit] = []
        for number, line in enumerate(self.sheet.lines):
            if any(template[0].base >= 0xF0 for template in line.messages):
                hits += self._sequence(number, line, message)
        self._take(hits)

    def _sequence(self, number: int, line: Line, message: bytes) -> list[Hit]:
        """Take a message of a sequence: nothing exclusive may come between its messages."""
        so_far = self._progress.pop(number, [])
        for tried in ([*so_far, message], [message]):
            found = self.reader.nothing_yet()
            fits = all(
                self.reader.read(template, m, found, checks)
                for template, m, checks in zip(line.messages, tried, line.checks, strict=False)
            )
            if fits and len(tried) < len(line.messages):
                self._progress[number] = tried
                return []
            if fits:
                return self._said(line, found)
        if message[0] < 0xF0 and so_far:
            self._progress[number] = so_far
        return []

    def _said(self, line: Line, found: Found) -> list[Hit]:
        """Return every value that a whole line carries."""
        hits: list[Hit] = []
        for key in {who for who, _, _ in found.bits} | {line.key}:
            place = self._found_place(key, found)
            if place is not None:
                is_run = key == line.key and bool(found.run)
                what = found.run if is_run else found.of(key)
                hits.append(Hit(place, what, _left_out(line, key)))
        return hits

    def _dump(self, block: Block, message: bytes) -> None:
        """Unpack a dump and read from it what stands in it."""
        found = self.reader.nothing_yet()
        template = block.line.messages[0]
        if not self.reader.read(template, message, found, block.line.checks[0], block.packing):
            return
        try:
            plain = UNPACK[block.packing](found.data)
        except ValueError:
            return
        if block.size is not None and len(plain) != block.size:
            return
        self.dumps[block.key] = plain
        for parameter in self.sheet.parameters.values():
            place = self._found_place(parameter.key, found)
            if place and parameter.at and parameter.at[0]["block"] == block.key:
                n_bits, bits = _bits_at(parameter, plain)
                number = decode_number(parameter.coding, bits, n_bits, parameter.zero)
                self._store(place, number)

    # ---- programs

    def _program_message(self, message: bytes) -> None:
        """Choose a program; the bank bytes stay as they came last."""
        *before, last = self.sheet.programs or ((),)
        found = self.reader.nothing_yet()
        if not last or not self.reader.read(last, message, found):
            return
        for template in before:
            said = self._last.get((0xB0 | message[0] & 15, _controller_of(template)))
            if said is not None:
                self.reader.read(template, said, found)
        bank = (found.numbers.get("bank-high", 0), found.numbers.get("bank-low", 0))
        (channel,) = found.channels
        self.programs[channel] = Program(found.numbers["program"] + self.sheet.first, bank)

    # ---- increments

    def _step(self, wire: int, by: int) -> None:
        """Step what is selected by one: its low half where it has one (RP-018), in its range."""
        places: set[Place] = set()
        for line in self.sheet.lines:
            by_controller = {_controller_of(message): message for message in line.messages}
            selectors = {n: m for n, m in by_controller.items() if n in SELECTORS}
            lowest = by_controller.get(38, by_controller.get(6, ()))
            found = self.reader.nothing_yet()
            if selectors and lowest and self._is_selected(selectors, wire, found):
                whose = {word.who for word in lowest if word.kind == "field"}
                places |= {p for key in whose if (p := self._found_place(key, found))}
        for place in places:
            parameter = self.sheet.parameters[place[0]]
            # a half that came counts; a high half has cleared the low one
            bits = _whole(parameter, self._parts.get(place, {}), 0, self.memory.get(place))
            if bits is not None:
                now = decode_number(parameter.coding, bits, parameter.n_bits, parameter.zero)
                self._store(place, now + by)

    # ---- memory

    def _found_place(self, key: str, found: Found) -> Place | None:
        """Return where a parameter is kept, if the bytes said its channel and key for certain."""
        per = self.sheet.parameters[key].per
        if ("channel" in per and len(found.channels) > 1) or ("key" in per and len(found.keys) > 1):
            return None
        return self.place(key, min(found.channels), min(found.keys))

    def _take(self, hits: list[Hit]) -> None:
        """Store what one message completed; conditions are looked at before anything is stored."""
        for place, what, left_out in [hit for hit in hits if self._in_effect(hit.place)]:
            parameter = self.sheet.parameters[place[0]]
            if isinstance(what, bytes):
                self._store(place, read_run(parameter.run, what))
                continue
            bits = _whole(parameter, what, left_out, self.memory.get(place))
            if bits is not None:
                number = decode_number(parameter.coding, bits, parameter.n_bits, parameter.zero)
                self._store(place, number)

    def _in_effect(self, place: Place) -> bool:
        """Tell whether the parameter's condition holds, or nothing is known against it."""
        conditions = self.sheet.parameters[place[0]].when
        return all(
            self.value(other, place[1], place[2]) in (None, *values)
            for other, values in conditions.items()
        )

    def _store(self, place: Place, value: Value) -> None:
        self._parts.pop(place, None)
        if self.sheet.parameters[place[0]].allows(value):
            self.memory[place] = value


def _is_control_change(message: bytes) -> bool:
    return message[0] >> 4 == 0xB


def _controller_of(template: Message) -> int:
    """Return the controller number of a control change whose number is fixed, or -1."""
    if template[0].base & 0xF0 == 0xB0 and template[1].kind == "fixed":
        return template[1].base
    return -1


def _holds(template: Message, key: str) -> bool:
    return any(word.kind == "field" and word.who == key for word in template)


def _slices(line: Line, key: str) -> set[tuple[int, int]]:
    words = [word for message in line.messages for word in message if word.kind == "field"]
    return {(word.high, word.low) for word in words if word.who == key}


def _last_of(line: Line, key: str) -> int:
    """Return the number of the message with which a parameter's value is complete in a line."""
    holding = [i for i, message in enumerate(line.messages) if _holds(message, key)]
    i = holding[-1] if holding else len(line.messages) - 1
    while _controller_of(line.messages[i]) in SELECTORS:
        # a value inside a selection acts with the data entry behind it; an action whose line
        # ends with a selection is done before that
        i += 1 if holding else -1
    return i


def _clear_low_half(line: Line, i: int, found: Found) -> None:
    """A high half that comes clears the low half (p. 12), where the line goes on with it.

    Where the maker sends the low part first nothing is cleared: what follows is the high half.
    """
    controller = _controller_of(line.messages[i])
    came = {who: low for who, _, low in found.bits}
    for later in line.messages[i + 1 :]:
        if 0 <= controller < 32 and _controller_of(later) == controller + 32:
            for word in later:
                if word.kind == "field" and word.low <= came.get(word.who, word.low):
                    found.bits[word.who, word.high, word.low] = 0


def _left_out(line: Line, key: str) -> int:
    """Return a mask of the lowest bits of a line's own value that the line does not carry."""
    return (
        (1 << min((low for _, low in _slices(line, key)), default=0)) - 1 if key == line.key else 0
    )


def _whole(parameter: Parameter, parts: Bits, left_out: int, now: Value | None) -> int | None:
    """Return the value bits joined from slices.

    Bits that a coarse route leaves out are 0; other bits that did not come are those of the value
    as it is now, and without one the value stays unknown.
    """
    total = sum(bits << low for (_, low), bits in parts.items())
    came = sum((1 << (high + 1)) - (1 << low) for high, low in parts)
    missing = (1 << parameter.n_bits) - 1 & ~came & ~left_out
    if not missing:
        return total
    for bits in range(1 << parameter.n_bits):  # the bits that stand for the value as it is now
        if decode_number(parameter.coding, bits, parameter.n_bits, parameter.zero) == now:
            return total | bits & missing
    return None


def _bits_at(parameter: Parameter, plain: bytes) -> tuple[int, int]:
    """Return how many bits, and which, stand for a value in an unpacked dump; highest first."""
    n_bits = bits = 0
    for part in parameter.at:
        high, _, low = str(part.get("bits", "7-0")).partition("-")
        width = int(high) - int(low or high) + 1
        piece = plain[part["byte"]] >> int(low or high) & (1 << width) - 1
        n_bits, bits = n_bits + width, bits << width | piece
    return n_bits, bits
