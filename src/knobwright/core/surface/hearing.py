"""Hear a control: the user moves one control, and what it is gets written down.

What to ask of the user: *turn it slowly all the way up, then all the way down*; a button: *press it
twice, and let it go each time*. What the messages can't tell is asked, never guessed.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator

from knobwright.core.errors import InputError
from knobwright.core.surface import kinds as k
from knobwright.core.surface.forms import DATA_HIGH, DATA_LOW, DOWN, SELECTIONS, UP
from knobwright.core.surface.heard import Heard
from knobwright.core.surface.judge import ASKS, TURN
from knobwright.core.surface.readings import Unit, read
from knobwright.core.wire.messages import is_note_off

#: Messages kept of one control, and controls kept; more are counted only.
MAX_KEPT = 4000
MAX_UNITS = 200
#: Two halves of one value follow each other within this time, in nanoseconds.
PAIR_NS = 20_000_000
_FIRST_REAL_TIME = 0xF8
_TRANSPORT = (0xFA, 0xFB, 0xFC)


class Hearing:
    """Listens while the user moves one control.

    Attributes
    ----------
    n_messages : int
        Messages heard; clock and active sensing do not count.
    """

    def __init__(self) -> None:
        self.n_messages = 0
        self._units: dict[tuple[object, ...], Unit] = {}
        self._selected: dict[int, tuple[str, dict[int, int]]] = {}
        self._answers: dict[str, str] = {}

    def feed(self, message: bytes, at_ns: int) -> None:
        """Take one whole message and when it came, in nanoseconds."""
        status = message[0]
        if status >= _FIRST_REAL_TIME and status not in _TRANSPORT:
            return
        self.n_messages += 1
        kind, channel = status & 0xF0, status & 0x0F
        if status >= 0xF0:
            self._add((k.FIXED, status, len(message)), None, message, 0, at_ns)
        elif kind == 0xB0:
            self._control(channel, message, at_ns)
        elif kind in (0x80, 0x90):
            value = 0 if is_note_off(message) else message[2]
            self._add((k.NOTE, channel, message[1]), channel, message, value, at_ns)
        elif kind == 0xA0:
            self._add((k.KEY_PRESSURE, channel, message[1]), channel, message, message[2], at_ns)
        elif kind == 0xE0:
            value = message[1] | message[2] << 7
            self._add((k.BEND, channel, 0), channel, message, value, at_ns)
        else:
            form = k.PROGRAM if kind == 0xC0 else k.PRESSURE
            self._add((form, channel, 0), channel, message, message[1], at_ns)

    def answer(self, name: str, value: str) -> None:
        """Take the user's answer to a question of :meth:`heard`.

        Raises
        ------
        InputError
            Nothing of this name is asked, or this is no answer to it.
        """
        ask = next((ask for ask in self.heard().asks if ask.name == name), None)
        if ask is None:
            raise InputError(f"nothing is asked about {name!r}")
        fits = value in ask.answers if ask.answers else value.isascii() and value.isdigit()
        if not fits:
            hint = f"one of {', '.join(ask.answers)}" if ask.answers else "a whole number"
            raise InputError(f"{value!r} is no answer to: {ask.words}", hint=hint)
        self._answers[name] = value

    def heard(self) -> Heard:
        """Return what is believed of the control, how surely, and what is still needed."""
        units = sorted(self._joined(), key=lambda unit: -unit.n)
        if not units:
            return Heard(needs=("move one control: " + TURN,))
        main, others = units[0], units[1:]
        also = tuple(unit.words for unit in others)
        if main.form == k.NOTE and any(unit.form == k.NOTE for unit in others):
            needs = ("several keys were played: move one control only, or strike one pad",)
            return Heard(ASKS, needs=needs, also=also, n_messages=main.n)
        loud = [u for u in others if u.n >= max(3, main.n // 4) and not _goes_with(main, u)]
        if loud:
            names = " and ".join(unit.words for unit in (main, *loud))
            needs = (f"several controls moved ({names}): start again and move one only",)
            return Heard(ASKS, needs=needs, also=also, n_messages=main.n)
        return read(main, self._answers, also)

    # -- collecting ------------------------------------------------------------------------------

    def _add(
        self,
        key: tuple[object, ...],
        channel: int | None,
        message: bytes,
        value: int,
        at_ns: int,
    ) -> None:
        unit = self._units.get(key)
        if unit is None:
            if len(self._units) >= MAX_UNITS:
                return
            number = key[2] if isinstance(key[2], int) else 0
            unit = self._units[key] = Unit(str(key[0]), channel, number)
        unit.n += 1
        if len(unit.values) < MAX_KEPT:
            unit.values.append(value)
            unit.times_ns.append(at_ns)
            unit.messages.append(message)
            unit.turns.append(self.n_messages)

    def _control(self, channel: int, message: bytes, at_ns: int) -> None:
        number, value = message[1], message[2]
        for form, halves in SELECTIONS.items():
            if number in halves:
                known = self._selected.get(channel)
                kept = known[1] if known is not None and known[0] == form else {}
                kept.pop(number, None)  # the later half stands last: that is the order sent
                self._selected[channel] = (form, {**kept, number: value})
                return
        if number in (DATA_HIGH, DATA_LOW, UP, DOWN) and channel in self._selected:
            form, halves_now = self._selected[channel]
            high, low = SELECTIONS[form]
            if high in halves_now and low in halves_now:
                key = (form, channel, halves_now[high] << 7 | halves_now[low])
                self._add(key, channel, message, value, at_ns)
                if key in self._units:
                    self._units[key].order = tuple(halves_now)
                return
        self._add((k.CONTROL, channel, number), channel, message, value, at_ns)

    def _joined(self) -> Iterator[Unit]:
        """Yield what moved; two control changes that go together are one."""
        done: set[tuple[object, ...]] = set()
        for key, unit in self._units.items():
            if unit.form == k.CONTROL and unit.number < 32:
                low_key = (k.CONTROL, key[1], unit.number + 32)
                low = self._units.get(low_key)
                if low is not None and _paired(unit, low):
                    done |= {key, low_key}
                    yield _pair(unit, low)
        yield from (unit for key, unit in self._units.items() if key not in done)


def _goes_with(main: Unit, other: Unit) -> bool:
    """Return whether another message belongs to the same stroke: the pressure of a pad."""
    strokes = (k.NOTE, k.PRESSURE, k.KEY_PRESSURE)
    return main.form in strokes and other.form in strokes and main.channel == other.channel


def _paired(high: Unit, low: Unit) -> bool:
    """Return whether nearly every high half has a low half right behind (or before) it."""
    n_close = sum(
        any(abs(at_ns - low_ns) <= PAIR_NS for low_ns in _around(low.times_ns, at_ns))
        for at_ns in high.times_ns
    )
    return n_close >= 0.9 * len(high.times_ns) and low.n >= 0.9 * high.n


def _around(times_ns: list[int], at_ns: int) -> list[int]:
    i = bisect_left(times_ns, at_ns)
    return times_ns[max(i - 1, 0) : i + 2]


def _pair(high: Unit, low: Unit) -> Unit:
    """Return a pair as one: its values are complete at the half that comes last."""
    turns = zip(high.turns, low.turns, strict=False)
    low_first = 2 * sum(b < a for a, b in turns) > len(high.turns)
    first, last = (low, high) if low_first else (high, low)
    unit = Unit(k.CONTROL_14, high.channel, high.number)
    unit.n = high.n + low.n
    unit.order = (first.number, last.number)
    events = sorted(
        (turn, half.number, value)
        for half in (high, low)
        for turn, value in zip(half.turns, half.values, strict=True)
    )
    halves: dict[int, int] = {}
    for _, number, value in events:
        halves[number] = value
        if number == last.number and len(halves) == 2:
            unit.values.append(halves[high.number] << 7 | halves[low.number])
    return unit
