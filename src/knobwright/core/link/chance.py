"""Messages that are lost or changed by chance: which of the two it is."""

from __future__ import annotations

from collections.abc import Sequence

from knobwright.core.link import fates
from knobwright.core.link.fates import gap_fate
from knobwright.core.link.known import Known
from knobwright.core.link.matching import Matched, Record, nearby
from knobwright.core.link.records import Stage


def chance_fault(
    lost: Sequence[int], stage: Stage, found: Matched, records: Sequence[Record], known: Known
) -> tuple[str, int]:
    """Return ``changed`` or ``lost``, and the number of the first message that shows it.

    A byte that was lost may make what is left look like a changed message, while a changed byte
    never makes one too few: so most of the places must show a change.
    """
    changed: list[int] = []
    gone: list[int] = []
    for run in runs(sorted(lost)):
        sent = b"".join(known.expect(stage.messages[number].data) for number in run)
        got = b"".join(record.data for record in nearby(run[0], found, records))
        # Running status may be put in or left out on the way: compare what carries the content.
        data_sent = bytes(byte for byte in sent if byte < 0x80)
        data_got = bytes(byte for byte in got if byte < 0x80)
        is_change = (
            len(data_sent) == len(data_got) and gap_fate(data_sent, data_got).what != fates.LOST
        )
        (changed if is_change and data_sent != data_got else gone).append(run[0])
    if len(changed) > 2 * len(gone):
        return "changed", changed[0]
    return "lost", (gone or changed)[0]


def runs(numbers: Sequence[int]) -> list[list[int]]:
    """Return sorted numbers in runs of neighbours."""
    out: list[list[int]] = []
    for number in numbers:
        if out and number == out[-1][-1] + 1:
            out[-1].append(number)
        else:
            out.append([number])
    return out
