"""What the far end of the line has in mind: running status, selections and banks.

Sources: MIDI 1.0 Detailed Specification 4.2.1, pages 5, A-1 and A-2 (running status, repeated every
few seconds for a receiver that is plugged in late), 17 (selections), 13 (banks), 33 (reset).
"""

from __future__ import annotations

from knobwright.core.timing.classify import BANKS, RESET_CONTROLLERS, SELECTORS
from knobwright.core.timing.items import ALL_CHANNELS, Item
from knobwright.core.timing.order import channels_of

#: A status byte, and a selection, is sent anew after this time.
REPEAT_NS = 2_000_000_000

_CONTROL = 0xB
_PROGRAM = 0xC

#: For each controller: whether it leaves selections and banks alone.
PLAIN_CONTROLLERS: tuple[bool, ...] = tuple(
    number not in (*SELECTORS, *BANKS, RESET_CONTROLLERS) for number in range(128)
)


class Line:
    """What was sent lately, so that it may be left out now.

    Parameters
    ----------
    running_status : bool
        A status that repeats the last one is left out.
    short_selections : bool
        A selection or bank that repeats what is in force is left out.
    """

    def __init__(self, *, running_status: bool, short_selections: bool) -> None:
        self._running_status = running_status
        self._short = short_selections
        self.forget()

    def forget(self) -> None:
        """Take nothing for granted: the far end may be another one now."""
        self._status = 0
        self._status_ns = 0
        self._selected: list[tuple[tuple[bytes, ...], int] | None] = [None] * 16
        self._banks: list[dict[int, tuple[bytes, int]]] = [{} for _ in range(16)]

    def shortened(self, message: bytes, now_ns: int) -> bytes:
        """Return what goes on the wire for a whole message, and note its status (rule 7)."""
        status = message[0]
        if status >= 0xF8:
            if status == 0xFF:
                self._status = 0
            return message
        if status >= 0xF0:
            self._status = 0
            return message
        if not self._running_status:
            return message
        if status == self._status and now_ns - self._status_ns < REPEAT_NS:
            return message[1:]
        self._status = status
        self._status_ns = now_ns
        return message

    def n_left_out(self, item: Item, now_ns: int) -> int:
        """Return how many leading messages of an item may be left out (rule 6)."""
        n = item.n_selection
        first = item.messages[0]
        if not n or not self._short or first[0] >> 4 != _CONTROL or n >= len(item.messages):
            return 0
        channel = first[0] & 15
        leading = item.messages[:n]
        if first[1] in SELECTORS:
            selected = self._selected[channel]
            if selected is None or selected[0] != leading or now_ns - selected[1] >= REPEAT_NS:
                return 0
            return n
        # A bank is left out only where just these bytes came since the last program change.
        held = self._banks[channel]
        if tuple(message for message, _ in held.values()) != leading:
            return 0
        return n if all(now_ns - at_ns < REPEAT_NS for _, at_ns in held.values()) else 0

    def note(self, item: Item, index: int, now_ns: int) -> None:
        """Note that message ``index`` of an item was handed over whole."""
        message = item.messages[index]
        status = message[0]
        kind = status >> 4
        if kind == _CONTROL:
            number = message[1]
            if not PLAIN_CONTROLLERS[number]:
                self._note_control(item, index, now_ns)
        elif kind == _PROGRAM:
            self._banks[status & 15].clear()
        elif status == 0xF0:
            # What the sheet explains as a value of its own changes no selection.
            if item.base is None:
                self._forget_channels(item.channels)
        elif status == 0xFF:
            self._forget_channels(ALL_CHANNELS)

    def _note_control(self, item: Item, index: int, now_ns: int) -> None:
        message = item.messages[index]
        channel, number = message[0] & 15, message[1]
        if number in BANKS:
            held = self._banks[channel]
            held.pop(number, None)
            held[number] = (message, now_ns)
        elif number in SELECTORS and index == item.n_selection - 1:
            self._selected[channel] = (item.messages[: index + 1], now_ns)
        else:  # half a selection, null, or all controllers reset
            self._selected[channel] = None

    def _forget_channels(self, mask: int) -> None:
        for channel in channels_of(mask):
            self._selected[channel] = None
            self._banks[channel].clear()
