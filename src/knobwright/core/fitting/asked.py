"""Which controllers and parameters a channel asks for, and whether the sheet explains them.

Notes, pressure and bend are understood by so many modules without a line of their own in a sheet
that they are not asked about; channel mode messages neither.
"""

from __future__ import annotations

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from knobwright.core.codec.events import Setting, Unexplained
from knobwright.core.codec.plan import Codec
from knobwright.core.timing.classify import BANKS, DATA, FIRST_MODE, NRPN, NULL, RPN, SELECTORS
from knobwright.core.wire.controllers import CONTROLLERS

Int = NDArray[np.int64]
Byte = NDArray[np.uint8]

#: Kinds of what is asked for.
CONTROLLER = "controller"
#: Registered parameters by number (high, low): MIDI 1.0 Detailed Specification 4.2.1, pages 18 and
#: 50; 0, 5 from CA-026; 0, 6 from the MIDI Association's table of RPNs.
REGISTERED = {
    (0, 0): "bend range", (0, 1): "fine tuning", (0, 2): "coarse tuning",
    (0, 3): "tuning program", (0, 4): "tuning bank", (0, 5): "modulation depth range",
    (0, 6): "zone of single-note channels",
}  # fmt: skip


class Asked(Struct, frozen=True):
    """A controller, registered or non-registered parameter that a channel uses.

    ``kind`` is controller, rpn or nrpn; ``number`` the controller's number or the parameter's
    ``high * 128 + low``. ``key`` is the sheet's parameter (empty where none explains it), ``n``
    counts messages that carry a value, ``n_refused`` those that the sheet does not explain, ``why``
    its words for the first of them. ``is_known`` is ``None`` without a sheet. ``last`` is the last
    value byte.
    """

    kind: str
    number: int
    words: str
    key: str
    is_known: bool | None
    n: int
    n_refused: int
    why: str
    first_ns: int
    first_tick: int
    last: int


class _Tally:
    """Counts one thing that is asked for."""

    def __init__(self, ns: int, tick: int) -> None:
        self.ns, self.tick = ns, tick
        self.n = self.n_refused = self.last = 0
        self.key = self.why = ""


class Judge:
    """Asks the sheet about messages of plain controllers, and remembers what it said.

    Parameters
    ----------
    codec : Codec, optional
        Of the module's sheet; without it there is nothing to ask.
    """

    def __init__(self, codec: Codec | None) -> None:
        self.codec = codec
        self._decoder = codec.decoder() if codec is not None else None
        self._said: dict[int, tuple[str, str]] = {}

    def ask(self, channel: int, number: int, value: int) -> tuple[str, str]:
        """Return which parameter a controller of a channel (0 to 15) sets, and why none."""
        name = channel << 14 | number << 7 | value
        said = self._said.get(name)
        if said is None:
            said = self._said[name] = self._ask(bytes((0xB0 | channel, number, value)))
        return said

    def _ask(self, message: bytes) -> tuple[str, str]:
        key = why = ""
        for event in () if self._decoder is None else self._decoder.feed(message):
            if isinstance(event, Unexplained):
                why = why or event.reason
            elif isinstance(event, Setting) and not event.implied:
                key = key or event.key
        return key, why


def asked_of(
    channel: int, ns: Int, tick: Int, kind: Byte, first: Byte, second: Byte, judge: Judge
) -> tuple[Asked, ...]:
    """Return what a channel asks for, in the order of number.

    Parameters
    ----------
    channel : int, 0 to 15
    ns, tick, kind, first, second : arrays of the same length
        Its messages in playing order: time, tick, high half of the status, data bytes.
    judge : Judge
        Asks the module's sheet.
    """
    control = kind == 0xB
    lookup = np.zeros(128, np.bool_)
    lookup[[*SELECTORS, *DATA]] = True
    grouped = lookup[first] & control
    plain = control & ~grouped & (first < FIRST_MODE)
    plain &= ~np.isin(first, BANKS)
    found = _plain(channel, ns, tick, first, second, np.flatnonzero(plain), judge)
    return found + _grouped(channel, ns, tick, first, second, np.flatnonzero(grouped), judge.codec)


def _plain(
    channel: int, ns: Int, tick: Int, first: Byte, second: Byte, places: Int, judge: Judge
) -> tuple[Asked, ...]:
    if not len(places):
        return ()
    numbers = first[places].astype(np.int64)
    distinct, at, counts = np.unique(
        numbers << 7 | second[places], return_index=True, return_counts=True
    )
    tallies: dict[int, _Tally] = {}
    # In the order in which they first come: halves of a value stand behind each other then.
    for i in np.argsort(at, kind="stable").tolist():
        number, value = divmod(int(distinct[i]), 128)
        place = int(places[at[i]])
        tally = tallies.setdefault(number, _Tally(int(ns[place]), int(tick[place])))
        tally.n += int(counts[i])
        key, why = judge.ask(channel, number, value)
        tally.key = tally.key or key
        if why:
            tally.n_refused += int(counts[i])
            tally.why = tally.why or why
    _, from_behind = np.unique(numbers[::-1], return_index=True)
    lasts = second[places[len(places) - 1 - from_behind]].tolist()
    return tuple(
        _asked(CONTROLLER, number, _controller_words(number), tally, judge.codec, last)
        for (number, tally), last in zip(sorted(tallies.items()), lasts, strict=True)
    )


def _grouped(
    channel: int, ns: Int, tick: Int, first: Byte, second: Byte, places: Int, codec: Codec | None
) -> tuple[Asked, ...]:
    """Walk over selections and data: what a value is for depends on what was selected."""
    if not len(places):
        return ()
    decoder = codec.decoder() if codec is not None else None
    numbers: dict[int, int] = {}
    kind = ""
    tallies: dict[tuple[str, int], _Tally] = {}
    for place, number, value in zip(
        places.tolist(), first[places].tolist(), second[places].tolist(), strict=True
    ):
        events = [] if decoder is None else decoder.feed(bytes((0xB0 | channel, number, value)))
        if number in SELECTORS:
            numbers[number] = value
            kind = NRPN if number < 100 else RPN
            continue
        low = 98 if kind == NRPN else 100
        high_part, low_part = numbers.get(low + 1, NULL), numbers.get(low, NULL)
        if not kind or (high_part, low_part) == (NULL, NULL):
            continue  # data for nothing: the module passes over them
        name = (kind, high_part << 7 | low_part)
        tally = tallies.setdefault(name, _Tally(int(ns[place]), int(tick[place])))
        tally.n += 1
        tally.last = value
        for event in events:
            if isinstance(event, Unexplained):
                tally.n_refused += 1
                tally.why = tally.why or event.reason
            elif isinstance(event, Setting) and not event.implied:
                tally.key = tally.key or event.key
    return tuple(
        _asked(kind, number, _parameter_words(kind, number), tally, codec, tally.last)
        for (kind, number), tally in sorted(tallies.items())
    )


def _asked(
    kind: str, number: int, words: str, tally: _Tally, codec: Codec | None, last: int
) -> Asked:
    # A refused value is told with the parameter's key before it: that one is known.
    key = tally.key or tally.why.partition(" ")[0]
    if codec is None or key not in codec.parameters:
        key = tally.key
    known = None if codec is None else bool(key) or tally.n_refused < tally.n
    return Asked(
        kind, number, words, key, known, tally.n, tally.n_refused, tally.why, tally.ns,
        tally.tick, last,
    )  # fmt: skip


def _controller_words(number: int) -> str:
    name = CONTROLLERS[number]
    return f"controller {number}" + (f" ({name})" if name else "")


def _parameter_words(kind: str, number: int) -> str:
    high, low = divmod(number, 128)
    name = REGISTERED.get((high, low), "") if kind == RPN else ""
    return f"{kind.upper()} {high}, {low}" + (f" ({name})" if name else "")
