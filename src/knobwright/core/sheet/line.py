"""Read a line template into messages of cells: the notation of ``docs/reference/sheet.md``."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from knobwright.core.errors import LineError
from knobwright.core.sheet.words import (
    CHANNEL,
    CHECKSUM,
    DATA,
    FIXED,
    KEY,
    MAP,
    OTHER,
    RUN,
    VALUE,
    Cell,
    read_word,
)
from knobwright.core.wire.status import KINDS, N_DATA, UNDEFINED

#: Longest template in characters, and most words in all of its messages.
MAX_CHARACTERS = 20_000


class Span(NamedTuple):
    """What one checksum covers: bytes ``start`` up to ``stop`` (cell numbers) of a message."""

    message: int
    start: int
    stop: int
    checksum: int


class Line(NamedTuple):
    """A template: messages of cells (each with its status) and the spans of its checksums.

    ``text`` holds what was written, one string a message sequence item.
    """

    text: tuple[str, ...]
    messages: tuple[tuple[Cell, ...], ...]
    spans: tuple[Span, ...] = ()

    def cells(self) -> Iterator[Cell]:
        """Yield every cell of every message in the order in which they are sent."""
        for message in self.messages:
            yield from message

    def has(self, kind: str) -> bool:
        """Return whether a cell of this kind stands in the line."""
        return any(cell.kind == kind for cell in self.cells())

    @property
    def slices(self) -> tuple[tuple[int, int], ...]:
        """Return the (high, low) bits of the value's own cells in line order."""
        return tuple((cell.high, cell.low) for cell in self.cells() if cell.kind == VALUE)

    @property
    def n_value_bits(self) -> int:
        """Return how many bits the value takes, counted from bit 0; 0 for an action."""
        return max((high + 1 for high, _ in self.slices), default=0)

    @property
    def run(self) -> Cell | None:
        """Return the run that is the whole value, if there is one."""
        return next((cell for cell in self.cells() if cell.kind == RUN), None)

    @property
    def is_action(self) -> bool:
        """Return whether the line carries no value of its own."""
        return not self.slices and self.run is None

    @property
    def others(self) -> tuple[str, ...]:
        """Return the keys of the other parameters whose values stand in the line."""
        names = (cell.name for cell in self.cells() if cell.kind == OTHER)
        return tuple(dict.fromkeys(names))

    @property
    def needs_channel(self) -> bool:
        """Return whether a channel field stands in the line (maps are not counted here)."""
        return self.has(CHANNEL)

    @property
    def needs_key(self) -> bool:
        """Return whether a key number field stands in the line."""
        return self.has(KEY)

    @property
    def n_bytes(self) -> int:
        """Return the number of bytes sent with full status (data* counts 0)."""
        return sum(cell.n_bytes for cell in self.cells())

    def __str__(self) -> str:
        return " | ".join(self.text)


def parse_line(text: str | Sequence[str], where: str = "") -> Line:
    """Return the messages that a template stands for.

    Parameters
    ----------
    text : str or sequence of str
        One template, or a sequence sent in order.
    where : str, optional
        Place for the message of an error.

    Raises
    ------
    LineError
        The first word or message that breaks the notation.

    Examples
    --------
    >>> [[cell.word for cell in m] for m in parse_line("Bn 63 05 62 12 06 vv").messages]
    [['Bn', '63', '05'], ['Bn', '62', '12'], ['Bn', '06', 'vv']]
    """
    parts = (text,) if isinstance(text, str) else tuple(text)
    if not parts or not all(part.strip() for part in parts):
        raise LineError("a line needs at least one message", where=where)
    if sum(map(len, parts)) > MAX_CHARACTERS:
        raise LineError(f"a line has at most {MAX_CHARACTERS} characters", where=where)
    messages: list[tuple[Cell, ...]] = []
    spans: list[Span] = []
    for part in parts:
        _Reader(messages, spans, where).read(part)
    _pair_checksums(messages, spans, where)
    return Line(tuple(" ".join(part.split()) for part in parts), tuple(messages), tuple(spans))


class _Reader:
    """Splits one template into messages, running status allowed, and notes its brackets."""

    def __init__(self, messages: list[tuple[Cell, ...]], spans: list[Span], where: str) -> None:
        self.messages = messages
        self.spans = spans
        self.where = where
        self.current: list[Cell] = []
        self.status: Cell | None = None
        self.opened: list[int] = []

    def fail(self, message: str, hint: str = "") -> LineError:
        return LineError(message, where=self.where, hint=hint)

    def read(self, text: str) -> None:
        for word in text.replace("[", " [ ").replace("]", " ] ").split():
            if word == "[":
                if not self.current:
                    raise self.fail("'[' stands outside a message", "put it behind the F0")
                self.opened.append(len(self.current))
            elif word == "]":
                self._close_span()
            else:
                self._take(read_word(word, self.where))
        if self.current:
            raise self._unfinished()

    def _close_span(self) -> None:
        if not self.opened:
            raise self.fail("']' without a '[' in the same message")
        start = self.opened.pop()
        if start == len(self.current):
            raise self.fail("'[ ]' covers no byte")
        self.spans.append(Span(len(self.messages), start, len(self.current), -1))

    def _take(self, cell: Cell) -> None:
        if cell.is_status and cell.fixed != 0xF7:
            if self.current:
                raise self._status_inside(cell)
            if cell.kind not in (FIXED, CHANNEL, MAP) or (cell.fixed, cell.mask) == (0xF0, 0xF0):
                raise self.fail(
                    f"{cell.word!r} can't be a status byte",
                    "its low half is a digit, the channel n, or a letter with a map of channels",
                )
            self.current = [cell]
            self.status = cell
        elif self.current:
            self._data(cell)
        elif self.status is not None and self.status.fixed < 0xF0 and cell.fixed != 0xF7:
            self.current = [self.status, cell]
        else:
            raise self.fail(
                f"{cell.word!r} stands where a status byte must come",
                "a message begins with 80 to FF, such as Bn or F0",
            )
        self._finish_if_complete()

    def _data(self, cell: Cell) -> None:
        exclusive = self.current[0].fixed == 0xF0
        if cell.fixed == 0xF7 and not exclusive:
            raise self.fail("F7 ends an exclusive message, and none was begun with F0")
        if cell.kind in (RUN, DATA) and not exclusive:
            raise self.fail(f"{cell.word!r} can only stand inside an exclusive message")
        self.current.append(cell)

    def _status_inside(self, cell: Cell) -> LineError:
        name = self.current[0].word
        if self.current[0].fixed == 0xF0:
            return self.fail(
                f"{cell.word} stands inside the exclusive message: a data byte is 00 to 7F",
                "is the F7 missing, or is the byte misprinted?",
            )
        return self.fail(
            f"the message {name} is not complete before {cell.word}: a data byte is 00 to 7F"
        )

    def _finish_if_complete(self) -> None:
        status = self.current[0]
        if status.fixed == 0xF0:
            if self.current[-1].fixed != 0xF7:
                return
        else:
            n_data = self._data_bytes(status)
            if len(self.current) - 1 < n_data:
                return
        if self.opened:
            raise self.fail("'[' is not closed before the message ends")
        self.messages.append(tuple(self.current))
        self.current = []

    def _data_bytes(self, status: Cell) -> int:
        if KINDS[status.fixed] == UNDEFINED:
            raise self.fail(f"the status {status.word} is undefined in MIDI 1.0 and never sent")
        return N_DATA[status.fixed]

    def _unfinished(self) -> LineError:
        if self.current[0].fixed == 0xF0:
            return self.fail("the exclusive message has no F7 at its end")
        return self.fail(
            f"the last message, {' '.join(c.word for c in self.current)}, lacks a data byte"
        )


def _pair_checksums(messages: list[tuple[Cell, ...]], spans: list[Span], where: str) -> None:
    """Join the k-th checksum of a line with its k-th closing bracket."""
    places = [
        (m, c)
        for m, message in enumerate(messages)
        for c, cell in enumerate(message)
        if cell.kind == CHECKSUM
    ]
    if len(places) > len(spans):
        raise LineError(
            "a checksum 'cs' without a span",
            where=where,
            hint="put [ ] around the bytes that it covers",
        )
    if len(spans) > len(places):
        raise LineError("'[ ]' without a checksum 'cs'", where=where)
    for k, (span, (m, c)) in enumerate(zip(spans, places, strict=True)):
        if m != span.message or c < span.stop:
            raise LineError("the checksum must stand behind its ']' in one message", where=where)
        spans[k] = span._replace(checksum=c)
