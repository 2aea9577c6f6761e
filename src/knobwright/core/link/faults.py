"""The faults that the link test can name.

To add one, add a row to :data:`FAULTS` and name it from a judge; the catalogue of broken
pass-throughs in ``tests/engine/test_looptest.py`` wants one that shows it.
"""

from __future__ import annotations

from typing import NamedTuple


class Fault(NamedTuple):
    """A fault: its name, one sentence, one next step; a note is worth knowing and no fault."""

    name: str
    words: str
    step: str
    is_note: bool = False


FAULTS: dict[str, Fault] = {
    row.name: row
    for row in (
        # -- the way as a whole
        Fault(
            "nothing-back",
            "Nothing comes back at all.",
            "check both cables, that out goes to in, and the polarity of the input's diode",
        ),
        Fault(
            "garbled",
            "Bytes come back, but none of them is what was sent.",
            "check the speed on both sides (31 250 baud on a MIDI cable) and the polarity",
        ),
        Fault(
            "unsent",
            "Messages arrive that were not sent.",
            "unplug every other sender from this way, then test again",
        ),
        Fault(
            "unsent-clock",
            "Real-time messages arrive by themselves; they are left out of the test.",
            "switch off clock and active sensing of the sender, to test real time too",
            is_note=True,
        ),
        # -- single messages, with rests
        Fault(
            "lost",
            "Messages are lost even with rests between them.",
            "look for a loose contact or an input circuit that is too slow",
        ),
        Fault(
            "changed",
            "Values come back changed.",
            "look at how the firmware handles data bytes 00 to 7F",
        ),
        Fault(
            "kind-dropped",
            "A kind of message does not come back.",
            "let the firmware pass what it does not know, byte for byte",
        ),
        Fault(
            "active-sensing-dropped",
            "Active sensing (FE) is taken out on the way.",
            "nothing needs to be done unless the module is to be watched by it",
            is_note=True,
        ),
        Fault(
            "note-off-dropped",
            "Note-offs (8n) are lost: notes would hang.",
            "pass 8n as 9n; until then send note-offs as 9n with velocity 0",
        ),
        Fault(
            "velocity-0-dropped",
            "Note-ons with velocity 0, which end a note, are lost: notes would hang.",
            "do not treat velocity 0 as nothing; until then send note-offs as 8n",
        ),
        Fault(
            "note-off-rewritten",
            "Note-offs come back in their other form (8n or 9n with velocity 0).",
            "nothing needs to be done unless release velocity matters",
            is_note=True,
        ),
        Fault(
            "channel-dropped",
            "Messages of a channel do not come back.",
            "look for a channel filter on the way",
        ),
        Fault(
            "channel-moved",
            "Messages come back on another channel.",
            "look for a channel setting on the way, or a mask on the status byte",
        ),
        Fault(
            "exclusive-dropped",
            "Exclusive messages do not come back.",
            "let the firmware pass F0 to F7; until then only controllers reach the module",
        ),
        Fault(
            "real-time-dropped",
            "Real-time messages do not come back.",
            "let the firmware pass F8 to FF at once",
        ),
        Fault(
            "echo",
            "Every message comes back more than once: the way feeds back.",
            "look for a second path from out to in: a thru that is on, or a monitor switched on",
        ),
        Fault(
            "repeats",
            "Some messages come back again though they were sent once.",
            "clear the buffer of the last message after it was sent on",
        ),
        Fault(
            "order",
            "Messages come back in another order.",
            "use one queue on the way, first in, first out",
        ),
        # -- running status
        Fault(
            "running-status-dropped",
            "Data bytes under running status are lost.",
            "keep the last status byte and use it for data bytes that come without one",
        ),
        Fault(
            "running-status-wrong",
            "Data bytes under running status come back as another message.",
            "keep the very last status byte, and know how many data bytes it takes",
        ),
        Fault(
            "running-status-real-time",
            "Running status is lost by a real-time byte.",
            "leave the running status alone at F8 to FE",
        ),
        Fault(
            "running-status-pause",
            "Running status is lost by a pause.",
            "keep the running status however long the rest is",
        ),
        Fault(
            "running-status-kept",
            "Running status is kept after an exclusive message, which ends it.",
            "forget the running status at F0 and F7",
        ),
        Fault(
            "running-status-kept-common",
            "Running status is kept after a system common message, which ends it.",
            "forget the running status at F1 to F6",
        ),
        Fault(
            "running-status-written",
            "The far side leaves out a status byte where it must not: after F0 to F7.",
            "send the status byte again after any byte F0 to F7",
        ),
        # -- real time
        Fault(
            "real-time-moved",
            "Real-time bytes inside a message come after it.",
            "pass F8 to FF on at once, also between two bytes of a message",
        ),
        Fault(
            "real-time-lost-inside",
            "Real-time bytes inside a message are lost.",
            "handle F8 to FF before anything else, wherever they stand",
        ),
        Fault(
            "real-time-breaks-message",
            "A real-time byte inside a message destroys the message.",
            "do not start the message afresh at F8 to FE",
        ),
        Fault(
            "real-time-breaks-exclusive",
            "A real-time byte inside an exclusive ends or damages it.",
            "end an exclusive only at F7 or a status byte below F8",
        ),
        # -- exclusives
        Fault(
            "exclusive-cut",
            "Exclusive messages are cut.",
            "make the firmware's buffer larger, or pass the bytes on as they come",
        ),
        Fault(
            "exclusive-too-long",
            "Exclusive messages above a length are lost.",
            "make the firmware's buffer larger, or pass the bytes on as they come",
        ),
        Fault(
            "exclusive-split",
            "Exclusive messages come back in several pieces.",
            "do not add F7 or F0 between the parts of one message",
        ),
        Fault(
            "exclusive-changed",
            "Exclusive messages come back changed.",
            "look at how the firmware handles data bytes inside F0 to F7",
        ),
        Fault(
            "exclusive-needs-rest",
            "What follows an exclusive too closely is lost.",
            "let the bench keep the rest that was found (--bench does that)",
        ),
        # -- full rate
        Fault(
            "overrun",
            "Bytes are lost when many come without a rest.",
            "read the input by interrupt into a larger buffer, and send on at the same speed",
        ),
        Fault(
            "lost-at-full-rate",
            "Bytes are lost at full rate.",
            "make reading a byte faster than 320 us, the time of one byte",
        ),
        Fault(
            "swapped",
            "Bytes come back in another order at full rate.",
            "keep other code from touching the buffer's two ends at once",
        ),
        Fault(
            "changed-at-full-rate",
            "Bytes come back changed at full rate.",
            "look for an input circuit that is too slow: its edges bend single bits",
        ),
        # -- time
        Fault(
            "late",
            "Messages take longer than 10 ms.",
            "look for a buffer that is emptied by the clock instead of at once",
        ),
        Fault(
            "jitter",
            "The time that messages take varies by more than 6 ms.",
            "pass bytes on as they come; on a computer, use a shorter period",
        ),
    )
}
