"""How far apart the notes of a chord begin: a cable sends them one after the other.

A chord here is two or more notes that the song begins at one time, on any channels: the bass drum
and the bass together are one too. Ten notes take 9.6 ms with full status (MIDI 1.0 Detailed
Specification 4.2.1: three bytes of 320 us each).
"""

from __future__ import annotations

import msgspec
import numpy as np
from numpy.typing import NDArray

from knobwright.core.timing.wire import Departures, Traffic

Int = NDArray[np.int64]

#: Which of two sounds came first is told right by three in four listeners when they are 22 ms
#: apart (experiments of the Mazurka project); below about 6 ms a shift is not noticed even in an
#: even series (Friberg and Sundberg, 1995).
BROKEN_NS = 22_000_000
#: Most chords that are listed; all are counted.
MAX_LISTED = 50


class Chord(msgspec.Struct, frozen=True):
    """One chord: when it is due, its notes, and how long after the first its last one begins.

    ``spread_ns`` is between the first bytes of the first and the last note-on. ``delay_ns`` is how
    long the first one waits itself. ``channels`` are 1 to 16, in rising order. ``index`` is the
    number of its first note in the traffic, ``tick`` its tick in the song.
    """

    due_ns: int
    tick: int
    n_notes: int
    spread_ns: int
    delay_ns: int
    channels: tuple[int, ...]
    index: int


class Chords(msgspec.Struct, frozen=True):
    """The chords of a song: how many, how far apart, and the most spread ones, worst first.

    ``n_broken`` are spread over more than ``limit_ns``; of these at most ``MAX_LISTED`` are in
    ``listed``. ``median_ns`` is the spread that half of the chords do not exceed, ``p99_ns`` 99 of
    100.
    """

    n_chords: int
    n_broken: int
    limit_ns: int
    median_ns: int
    p99_ns: int
    worst_ns: int
    listed: tuple[Chord, ...]


def chords(sent: Traffic, found: Departures, *, limit_ns: int = BROKEN_NS) -> Chords:
    """Return the chords of a song on a line.

    Parameters
    ----------
    sent, found
        The messages and when they leave.
    limit_ns : int >= 0, nanoseconds
        From which spread on a chord counts as broken: the musician's own threshold.
    """
    notes = np.flatnonzero(sent.is_note_on)
    due = sent.due_ns[notes]
    begins = np.flatnonzero(np.append(True, due[1:] != due[:-1]))[: len(notes)]
    ends = np.append(begins[1:], len(notes))[: len(begins)]
    many = ends - begins > 1
    first, last = notes[begins[many]], notes[ends[many] - 1]
    spreads = found.start_ns[last] - found.start_ns[first]
    n = len(spreads)
    if not n:
        return Chords(0, 0, limit_ns, 0, 0, 0, ())
    ranked = np.sort(spreads)
    broken = np.flatnonzero(spreads > limit_ns)
    worst = broken[np.argsort(-spreads[broken], kind="stable")][:MAX_LISTED]
    sizes = (ends - begins)[many]
    listed = []
    for row in worst.tolist():
        at = int(begins[many][row])
        members = notes[at : at + int(sizes[row])]
        listed.append(
            Chord(
                int(sent.due_ns[first[row]]), int(sent.tick[first[row]]), int(sizes[row]),
                int(spreads[row]), int(found.start_ns[first[row]] - sent.due_ns[first[row]]),
                tuple(sorted({channel + 1 for channel in sent.channel[members].tolist()})),
                int(first[row]),
            )
        )  # fmt: skip
    rank_50, rank_99 = -(-n // 2) - 1, -(-n * 99 // 100) - 1
    return Chords(
        n, len(broken), limit_ns, int(ranked[rank_50]), int(ranked[rank_99]), int(ranked[-1]),
        tuple(listed),
    )  # fmt: skip
