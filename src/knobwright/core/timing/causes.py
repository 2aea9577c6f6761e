"""Why notes are late: what they wait for, and whether it is a burst or a stream.

Every message is of one of the ``CAUSES``. A late note waits for what is on the line or before it
when it is due; the bytes of each cause are added up over the late notes of a stretch, and the rests
in which nothing goes count for the exclusive messages that asked for them. The largest share names
the finding.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from knobwright.core.timing.classify import BANKS, DATA, FIRST_MODE, SELECTORS
from knobwright.core.timing.wire import EXCLUSIVE, Departures, Link, Traffic

Int = NDArray[np.int64]
Flags = NDArray[np.bool_]

#: What a message can be, and the row of ``FINDINGS`` for notes that wait for such. ``set-up`` are
#: programs, banks, modes, and controllers and selections that do not come again at once;
#: ``controller`` are those that do.
CAUSES: dict[str, str] = {
    "note": "wire-notes",
    "set-up": "wire-set-up",
    "bend": "wire-bend-stream",
    "pressure": "wire-pressure-stream",
    "controller": "wire-controller-stream",
    "exclusive": "wire-exclusive",
    "system": "wire-system",
}
NOTE, SET_UP, BEND, PRESSURE, CONTROLLER, EXCLUSIVES, SYSTEM = range(len(CAUSES))

#: A controller that comes again within this time is a stream (common practice, no source).
_STREAM_NS = 1_000_000_000
#: So many data entries, or selectors, on a channel within that time are a stream; a set-up that
#: sends bend range and tuning has no more than six of each.
_N_DATA, _N_SELECTORS = 7, 13
#: Most places of one cause that are told: the worst ones.
MAX_PLACES = 30
#: Stretches of one cause that are no further apart than this are told as one.
_JOIN_NS = 2_000_000_000


class Stretch(NamedTuple):
    """A stretch of the song in which notes are late for one cause.

    ``first`` and ``last`` are the numbers of its first and last late note in the traffic, ``worst``
    that of the latest one. ``share`` is the part of the wait that is due to the cause, 0 to 1.
    ``channel`` is 1 to 16 where nearly all of the bytes of the cause are of one channel, else 0.
    """

    cause: str
    first: int
    last: int
    worst: int
    worst_ns: int
    n_late: int
    share: float
    channel: int


def causes_of(sent: Traffic) -> NDArray[np.int8]:
    """Return the cause that each message is: its place in ``CAUSES``."""
    status = sent.status
    kind = status >> 4
    out = np.full(len(status), SYSTEM, np.int8)
    out[(kind == 0x8) | (kind == 0x9)] = NOTE
    out[(kind == 0xA) | (kind == 0xD)] = PRESSURE
    out[kind == 0xC] = SET_UP
    out[kind == 0xE] = BEND
    out[status == EXCLUSIVE] = EXCLUSIVES
    control = np.flatnonzero(kind == 0xB)
    streams = _streams(sent, control)
    out[control] = np.where(streams, CONTROLLER, SET_UP)
    return out


def _streams(sent: Traffic, control: Int) -> Flags:
    """Return which control changes come again and again in a short time."""
    number = sent.first[control].astype(np.int64)
    is_data, is_selector = np.isin(number, DATA), np.isin(number, SELECTORS)
    out = np.zeros(len(control), np.bool_)
    channel = sent.channel[control].astype(np.int64)
    plain = ~is_data & ~is_selector & (number < FIRST_MODE) & ~np.isin(number, BANKS)
    for chosen, key, n_in_row in (
        (plain, channel << 7 | number, 2),
        (is_data, channel, _N_DATA),
        (is_selector, channel, _N_SELECTORS),
    ):
        rows = np.flatnonzero(chosen)
        rows = rows[np.argsort(key[rows], kind="stable")]
        due, keys = sent.due_ns[control[rows]], key[rows]
        step = n_in_row - 1
        if len(rows) <= step:
            continue
        apart = due[step:] - due[:-step]
        # What comes again at the very same time is a set-up that says things twice.
        near = (keys[step:] == keys[:-step]) & (apart > 0) & (apart < _STREAM_NS)
        for offset in range(n_in_row):  # all of a row belong to it, the first one too
            out[rows[offset : len(rows) - step + offset][near]] = True
    return out


def stretches(
    sent: Traffic, found: Departures, link: Link, *, limit_ns: int, most: int = MAX_PLACES
) -> list[Stretch]:
    """Return where notes begin to sound more than ``limit_ns`` late, and why, in order of time.

    Of each cause the ``most`` worst stretches are returned, so that a long song has a list to read.
    """
    late = np.flatnonzero(sent.is_note_on & (found.end_ns - sent.due_ns > limit_ns))
    if not len(late):
        return []
    causes = causes_of(sent)
    # Everything before the first message that has not left when the note is due is no cause of it.
    ahead = np.searchsorted(found.end_ns, sent.due_ns[late], "right")
    waits = np.zeros((len(CAUSES), len(late)), np.int64)
    for cause in range(len(CAUSES)):
        total = np.concatenate(([0], np.cumsum(np.where(causes == cause, found.n_bytes, 0))))
        waits[cause] = (total[late] - total[ahead]) * link.byte_ns
    # What the line does not spend on bytes between the two is rest.
    begun = np.minimum(found.start_ns[ahead], sent.due_ns[late])
    spent = waits.sum(axis=0)
    waits[EXCLUSIVES] += np.maximum(found.start_ns[late] - begun - spent, 0)
    # Within one jam something always waits: a message that begins when it is due ends it.
    free = np.concatenate(([True], found.start_ns[1:] > found.end_ns[:-1]))
    jam = np.cumsum(free & (found.start_ns == sent.due_ns))[late]
    edges = np.flatnonzero(np.append(True, jam[1:] != jam[:-1]))
    rows = np.add.reduceat(waits, edges, axis=1)
    return _joined(sent, found, causes, _Jams(late, ahead, edges, rows), most)


class _Jams(NamedTuple):
    """Late notes in groups: ``edges`` are their first ones, ``waits`` the time of each cause."""

    late: Int
    ahead: Int
    edges: Int
    waits: Int


def _joined(
    sent: Traffic, found: Departures, causes: NDArray[np.int8], jams: _Jams, most: int
) -> list[Stretch]:
    """Return jams as stretches; neighbours of one cause that are near in time become one."""
    late, edges = jams.late, jams.edges
    n_ns, due = found.end_ns[late] - sent.due_ns[late], sent.due_ns[late]
    top = np.argmax(jams.waits, axis=0)
    far = due[edges[1:]] - due[edges[1:] - 1] > _JOIN_NS
    begins = np.flatnonzero(np.append(True, far | (top[1:] != top[:-1])))
    waits = np.add.reduceat(jams.waits, begins, axis=1)
    cause, starts = top[begins], edges[begins]
    worst_ns = np.maximum.reduceat(n_ns, starts)
    stops = np.append(starts[1:], len(late))
    chosen: list[int] = []
    for number in range(len(CAUSES)):
        mine = np.flatnonzero(cause == number)
        chosen += mine[np.argsort(-worst_ns[mine], kind="stable")][:most].tolist()
    names = tuple(CAUSES)
    out = []
    for row in sorted(chosen):
        start, stop, kind = int(starts[row]), int(stops[row]), int(cause[row])
        worst = start + int(np.argmax(n_ns[start:stop]))
        first, last = int(late[start]), int(late[stop - 1])
        share = float(waits[kind, row] / max(int(waits[:, row].sum()), 1))
        channel = _only_channel(sent, causes, kind, int(jams.ahead[start]), last)
        out.append(
            Stretch(names[kind], first, last, int(late[worst]), int(n_ns[worst]), stop - start,
                    round(share, 3), channel)
        )  # fmt: skip
    return out


def _only_channel(
    sent: Traffic, causes: NDArray[np.int8], cause: int, start: int, stop: int
) -> int:
    """Return the channel (1 to 16) of nearly all messages of a cause in a range, else 0."""
    rows = np.flatnonzero(causes[start : stop + 1] == cause) + start
    if cause in (EXCLUSIVES, SYSTEM) or not len(rows):
        return 0
    counts = np.bincount(sent.channel[rows], minlength=16)
    most = int(np.argmax(counts))
    return most + 1 if counts[most] * 10 >= len(rows) * 9 else 0
