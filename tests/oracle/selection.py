"""Which registered or non-registered parameter a channel has selected.

Sources: MIDI 1.0 Detailed Specification 4.2.1, p. 17 (both bytes, one alone later); the MIDI
Association's table 3a (7F 7F shuts data entry off until something new is selected).
"""

from __future__ import annotations

#: The selectors: 98 and 99 non-registered, 100 and 101 registered; the lower is the low byte.
SELECTORS = (98, 99, 100, 101)
#: Data entry, high and low.
DATA = (6, 38)
_NOT_SAID = -1


class Selection:
    """The two selector bytes of each kind as they came last, and the kind that came last."""

    def __init__(self) -> None:
        self.bytes = dict.fromkeys(SELECTORS, _NOT_SAID)
        self.high = 0  # 99 or 101: the kind that is selected; 0 is none

    def take(self, controller: int, value: int) -> None:
        """Take one selector byte."""
        self.bytes[controller] = value
        self.high = controller | 1
        if self.number == (101, 127, 127):  # null: from here on both bytes are needed again
            self.bytes = dict.fromkeys(SELECTORS, _NOT_SAID)
            self.high = 0

    @property
    def number(self) -> tuple[int, int, int]:
        """The kind and the two bytes, high byte first."""
        if not self.high:
            return (0, _NOT_SAID, _NOT_SAID)
        return (self.high, self.bytes[self.high], self.bytes[self.high - 1])

    def now(self) -> dict[int, int]:
        """Return the selector bytes in force; empty while incomplete or shut off."""
        kind, high, low = self.number
        if _NOT_SAID in (high, low):
            return {}
        return {kind: high, kind - 1: low}
