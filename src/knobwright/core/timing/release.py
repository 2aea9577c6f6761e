"""What lets go: for quiet, and after a crash or a lost link."""

from __future__ import annotations

from collections.abc import Iterable

from knobwright.core.timing.classify import of_controller
from knobwright.core.timing.items import KEPT, NOTE, Item
from knobwright.core.wire.messages import NO_RELEASE_VELOCITY

_ALL_NOTES_OFF = 123


def release(
    owed: Iterable[tuple[int, int, int]],
    pedals: Iterable[tuple[int, int]],
    *,
    all_notes_off: bool = False,
    source: str = "",
) -> list[Item]:
    """Return the items that let go of everything held, in the order to send them.

    Parameters
    ----------
    owed : iterable of (channel, key, how many)
        Channels 0 to 15 and keys 0 to 127; one note-off is sent for each note-on (page A-4).
    pedals : iterable of (channel, controller)
        Pedals that are down; lifted first, since a held pedal keeps notes sounding after their
        note-offs (MIDI 1.0 Detailed Specification 4.2.1, pages 12 and 24).
    all_notes_off : bool
        Also send channel mode message 123 on each channel that had anything: it does not take the
        place of note-offs (pages 24 and 25), so it comes last.
    source : str
        Written into the items.

    Notes
    -----
    Note-offs carry velocity 64, which is sent by who has none of its own (pages 10 and 11).
    """
    items: list[Item] = []
    channels: dict[int, None] = {}
    for channel, controller in pedals:
        channels[channel] = None
        _, mask, base, _ = of_controller(channel, controller)
        message = bytes((0xB0 | channel, controller, 0))
        items.append(Item((message,), KEPT, mask, base=base, source=source))
    for channel, key, how_many in owed:
        channels[channel] = None
        message = bytes((0x80 | channel, key, NO_RELEASE_VELOCITY))
        items.extend([Item((message,), NOTE, 1 << channel, source=source)] * how_many)
    if all_notes_off:
        for channel in channels:
            message = bytes((0xB0 | channel, _ALL_NOTES_OFF, 0))
            items.append(Item((message,), KEPT, 1 << channel, source=source))
    return items
