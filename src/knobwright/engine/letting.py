"""Messages that silence whole channels."""

from __future__ import annotations

from collections.abc import Sequence

from knobwright.core.timing.items import KEPT, Item

#: Channel modes "all sound off" and "all notes off" (MIDI 1.0 Detailed Specification, table V).
SOUND_OFF, NOTES_OFF = 120, 123


def silences(channels: int, controllers: Sequence[int] = (SOUND_OFF, NOTES_OFF)) -> list[Item]:
    """Return these controllers with value 0 for each channel whose bit is set in ``channels``.

    A module that does not know one of them ignores it: held notes are let go one by one as well.
    """
    return [
        Item((bytes((0xB0 | channel, controller, 0)),), KEPT, 1 << channel, source="quiet")
        for channel in range(16)
        if channels >> channel & 1
        for controller in controllers
    ]
