"""A song on a line: all that the arithmetic tells, and what a musician should look at."""

from __future__ import annotations

from typing import NamedTuple

import msgspec

from knobwright.core.song.records import Song
from knobwright.core.song.timeline import timeline
from knobwright.core.timing.bars import Bars
from knobwright.core.timing.causes import CAUSES, MAX_PLACES, Stretch, stretches
from knobwright.core.timing.chords import BROKEN_NS, Chord, Chords, chords
from knobwright.core.timing.findings import Finding, in_order, make
from knobwright.core.timing.lateness import LATE_NS, Lateness, lateness
from knobwright.core.timing.load import SECOND_NS, Busiest, busiest, depth
from knobwright.core.timing.wire import Departures, Link, Traffic, departures, traffic

_MS_NS = 1_000_000

_OF = {
    "note": "other notes",
    "set-up": "programs, banks and controllers that set up the parts",
    "bend": "pitch bends",
    "pressure": "pressure",
    "controller": "a stream of controllers",
    "exclusive": "exclusive messages and their rests",
    "system": "system messages",
}


class Limits(NamedTuple):
    """From where on something is told.

    ``late_ns``: a note that begins to sound later; ``broken_ns``: a chord spread further;
    ``full``: a load above it, 0 to 1; ``window_ns``: the width of the window for the load.
    """

    late_ns: int = LATE_NS
    broken_ns: int = BROKEN_NS
    full: float = 0.9
    window_ns: int = SECOND_NS


class WireReport(msgspec.Struct, frozen=True):
    """What a line does to a song.

    ``n_messages`` and ``n_bytes`` are what goes over it; ``second`` the busiest second, ``window``
    the busiest window of the width that was asked for; ``most_waiting`` how many messages wait at
    most at one time, and ``most_waiting_bytes`` their bytes. ``findings`` are in order of time.
    """

    link: Link
    n_messages: int
    n_bytes: int
    lateness: Lateness
    second: Busiest
    window: Busiest
    most_waiting: int
    most_waiting_bytes: int
    chords: Chords
    findings: tuple[Finding, ...]


def wire_report(
    song: Song, link: Link | None = None, limits: Limits | None = None, *, pattern: int = 0
) -> WireReport:
    """Return what a line does to a song.

    Parameters
    ----------
    song : Song
    link : Link, optional
        A MIDI cable without running status and without rests where none is given.
    limits : Limits, optional
    pattern : int from 0
        Which pattern of a format 2 song.

    Raises
    ------
    InputError
        The link is none, or the song's time base is unknown.
    """
    link, limits = link or Link(), limits or Limits()
    sent = traffic(timeline(song, pattern=pattern))
    found = departures(sent, link)
    return report_of(sent, found, link, limits, Bars(song, pattern=pattern))


def report_of(
    sent: Traffic, found: Departures, link: Link, limits: Limits, bars: Bars
) -> WireReport:
    """Return the report of messages whose departures are known."""
    waiting = depth(sent, found)
    second = busiest(sent, found)
    same = limits.window_ns == SECOND_NS
    window = second if same else busiest(sent, found, limits.window_ns)
    row = chords(sent, found, limit_ns=limits.broken_ns)
    late = stretches(sent, found, link, limit_ns=limits.late_ns)
    findings = [_late(sent, found, stretch, limits, bars) for stretch in late]
    findings += [_chord(chord, limits, bars) for chord in row.listed[:MAX_PLACES]]
    if window.load > limits.full:
        findings.append(_full(sent, found, window, limits, bars))
    return WireReport(
        link, len(sent.messages), int(found.n_bytes.sum()),
        lateness(sent, found, limit_ns=limits.late_ns), second, window,
        int(waiting.n_messages.max(initial=0)), int(waiting.n_bytes.max(initial=0)),
        row, tuple(in_order(findings)),
    )  # fmt: skip


def _late(
    sent: Traffic, found: Departures, stretch: Stretch, limits: Limits, bars: Bars
) -> Finding:
    tick = int(sent.tick[stretch.first])
    n_notes = f"{stretch.n_late} notes are" if stretch.n_late > 1 else "a note is"
    up_to = "up to " if stretch.n_late > 1 else ""
    words = (
        f"{bars.words(tick)}: {n_notes} {up_to}{stretch.worst_ns / _MS_NS:.1f} ms late, "
        f"{stretch.share:.0%} of it behind {_OF[stretch.cause]}"
    )
    if stretch.channel:
        words += f" on channel {stretch.channel}"
    return make(
        CAUSES[stretch.cause], words, **_place(int(sent.due_ns[stretch.first]), tick, bars),
        until_ns=int(found.end_ns[stretch.last]), channel=stretch.channel or None,
        value=round(stretch.worst_ns / _MS_NS, 3), limit=limits.late_ns / _MS_NS, unit="ms",
    )  # fmt: skip


def _chord(chord: Chord, limits: Limits, bars: Bars) -> Finding:
    words = (
        f"{bars.words(chord.tick)}: {chord.n_notes} notes that belong together begin over "
        f"{chord.spread_ns / _MS_NS:.1f} ms"
    )
    channel = chord.channels[0] if len(chord.channels) == 1 else None
    until_ns = chord.due_ns + chord.delay_ns + chord.spread_ns
    return make(
        "wire-chord", words, **_place(chord.due_ns, chord.tick, bars), until_ns=until_ns,
        channel=channel, value=round(chord.spread_ns / _MS_NS, 3),
        limit=limits.broken_ns / _MS_NS, unit="ms",
    )  # fmt: skip


def _full(sent: Traffic, found: Departures, window: Busiest, limits: Limits, bars: Bars) -> Finding:
    index = int(found.start_ns.searchsorted(window.busy_at_ns))
    tick = int(sent.tick[index])
    words = (
        f"{bars.words(tick)}: the line is busy {window.load:.0%} of {window.width_ns / 1e9:g} s, "
        "more than anywhere else"
    )
    return make(
        "wire-full", words, **_place(window.busy_at_ns, tick, bars),
        until_ns=window.busy_at_ns + window.width_ns,
        value=round(window.load * 100, 1), limit=limits.full * 100, unit="%",
    )  # fmt: skip


def _place(at_ns: int, tick: int, bars: Bars) -> dict[str, int | float | None]:
    bar, beat = bars.place(tick) or (None, None)
    return {"at_ns": at_ns, "tick": tick, "bar": bar, "beat": beat}
