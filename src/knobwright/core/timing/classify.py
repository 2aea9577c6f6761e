"""What a message is to the order rules: note, kept, bend, value or real time.

The table of controllers and registered parameters is here; ``settings`` uses it for encoded
parameters, ``merge`` for raw messages. Sources: MIDI 1.0 Detailed Specification 4.2.1, pages 11 to
25; the MIDI Association's tables for controllers 84 and 88 and for RPN 6. To treat a controller in
another way, change its row in ``_KEPT``.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import NamedTuple

from knobwright.core.timing.items import ALL_CHANNELS, BEND, KEPT, NOTE, REAL_TIME, VALUE

#: Controllers that select a parameter: NRPN low, high, RPN low, high (page 17).
SELECTORS = (98, 99, 100, 101)
DATA_HIGH, DATA_LOW, STEP_UP, STEP_DOWN = 6, 38, 96, 97
#: Controllers that carry data of the selected parameter.
DATA = (DATA_HIGH, DATA_LOW, STEP_UP, STEP_DOWN)
BANKS = (0, 32)
RESET_CONTROLLERS = 121
MONO_ON = 126
FIRST_MODE = 120
NULL = 0x7F
RPN = "rpn"
NRPN = "nrpn"

#: Controllers that are kept in order, and the first word of their base: bank select sets nothing by
#: itself (page 13); switches (page 12); what is meant for the very next note (84 names the key that
#: a glide begins at, 88 refines its velocity).
_KEPT: dict[int, str] = {
    **dict.fromkeys(BANKS, "bank"),
    **dict.fromkeys(range(64, 70), "switch"),
    84: "next note",
    88: "next note",
}

#: Registered parameters (high, low) that set the pitch of what is played: bend range, fine and
#: coarse tuning. They keep their place against notes as the wheel does.
_PITCH = {(0, 0), (0, 1), (0, 2)}
#: Registered parameters that choose: tuning program and tuning bank.
_CHOICES = {(0, 3), (0, 4)}
#: The registered parameter that changes what whole channels are (a zone of single-note channels).
_ZONE = (0, 6)

_REAL_TIME = frozenset((0xF1, 0xF2, 0xF3, 0xF8, 0xF9, 0xFA, 0xFB, 0xFC, 0xFD, 0xFE))


class Class(NamedTuple):
    """How a message, or selection and data, is put in order; the fields are those of an item."""

    sort: str
    channels: int
    base: Hashable | None = None
    key: Hashable | None = None


def of_controller(channel: int, number: int, value: int = 0) -> Class:
    """Return the class of a control change or channel mode message that needs no selection.

    Parameters
    ----------
    channel : int, 0 to 15
    number : int, 0 to 127
    value : int, 0 to 127
        Tells how many channels *mono on* is for (0: all from its channel up; page 24).
    """
    mask = 1 << channel
    if number >= FIRST_MODE:
        if number == MONO_ON:
            mask = ((1 << (value or 16)) - 1) << channel & ALL_CHANNELS
        return Class(KEPT, mask)
    kept = _KEPT.get(number)
    if kept is not None:
        return Class(KEPT, mask, (kept, channel, number))
    # Numbers 32 to 63 are the low halves of 0 to 31.
    base = ("cc", channel, number & 31 if number < 64 else number)
    return Class(VALUE, mask, base, (base, number))


def of_data(channel: int, kind: str, high: int, low: int, number: int) -> Class:
    """Return the class of data for a selected parameter.

    Parameters
    ----------
    channel : int, 0 to 15
    kind : str
        ``RPN`` or ``NRPN``.
    high, low : int, 0 to 127
        The number of the parameter.
    number : int
        The controller that carries the data: 6, 38, 96 or 97.
    """
    mask = 1 << channel
    base = (kind, channel, high, low)
    if kind == RPN and (high, low) == _ZONE:
        return Class(KEPT, ALL_CHANNELS)
    if number in (STEP_UP, STEP_DOWN) or (kind == RPN and (high, low) in _CHOICES):
        return Class(KEPT, mask, base)
    sort = BEND if kind == RPN and (high, low) in _PITCH else VALUE
    return Class(sort, mask, base, (base, number))


def of_message(message: bytes) -> Class:
    """Return the class of one whole message by itself (data without a selection count as kept)."""
    status = message[0]
    if status >= 0xF0:
        return _of_system(status)
    channel = status & 0x0F
    mask = 1 << channel
    kind = status >> 4
    if kind in (0x8, 0x9):
        return Class(NOTE, mask)
    if kind == 0xC:
        return Class(KEPT, mask)
    if kind == 0xB:
        if message[1] in DATA or message[1] in SELECTORS:
            return Class(KEPT, mask)
        return of_controller(channel, message[1], message[2])
    if kind == 0xE:
        base: Hashable = ("bend", channel)
        return Class(BEND, mask, base, base)
    base = ("pressure", channel, message[1] if kind == 0xA else None)
    return Class(VALUE, mask, base, base)


def _of_system(status: int) -> Class:
    if status in _REAL_TIME:
        return Class(REAL_TIME, 0)
    if status == 0xF6:  # tune request: sets no value
        return Class(KEPT, ALL_CHANNELS, ("tune",))
    return Class(KEPT, ALL_CHANNELS)


def of_group(messages: Sequence[bytes]) -> Class:
    """Return the class of messages that belong together: the class of their data.

    A selection with data of one controller is what that data is; anything else of more than one
    message is kept, on all channels that it addresses.
    """
    if len(messages) == 1:
        return of_message(messages[0])
    n_selection = selection_length(messages)
    rest = messages[n_selection:]
    if n_selection and rest and all(m[0] == messages[0][0] and m[1] in DATA for m in rest):
        numbers = {m[1]: m[2] for m in messages[:n_selection]}
        kind = RPN if 101 in numbers else NRPN
        pair = (101, 100) if kind == RPN else (99, 98)
        if set(numbers) == set(pair):
            high, low = (numbers[number] for number in pair)
            found = [of_data(messages[0][0] & 15, kind, high, low, m[1]) for m in rest]
            return next((c for c in found if c.sort == KEPT), found[0])
    found = [of_message(m) for m in rest]
    if found and len({(c.sort, c.base) for c in found}) == 1:
        return found[0]  # both halves of one controller
    mask = 0
    for message in messages:
        mask |= 1 << (message[0] & 15) if message[0] < 0xF0 else ALL_CHANNELS
    return Class(KEPT, mask)


def selection_length(messages: Sequence[bytes]) -> int:
    """Return how many leading messages only select a parameter (98 to 101 on one channel)."""
    n = 0
    for message in messages:
        if message[0] >> 4 != 0xB or message[1] not in SELECTORS or message[0] != messages[0][0]:
            break
        n += 1
    return n


def bank_length(messages: Sequence[bytes]) -> int:
    """Return how many leading messages only select a bank for the program change behind them."""
    n = 0
    for message in messages:
        if message[0] >> 4 != 0xB or message[1] not in BANKS:
            break
        n += 1
    after = messages[n] if n < len(messages) else b"\0"
    return n if after[0] >> 4 == 0xC and after[0] & 15 == messages[0][0] & 15 else 0
