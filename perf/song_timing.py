"""Measure the wire time of songs against the time that mido needs merely to read them.

    python -m perf song_timing

For every song of the Debian packages: messages in order with their exact times, the departure of
each on a MIDI cable, lateness, load, queue, chords and findings (``wire_report``), in one run with
mido's reading of the same bytes, garbage collection on, rounds taking turns, best round. Wire time,
voices and parts together promise to take at most 40 % of mido's reading; this is the wire's share.
Songs under the order rules, and thinned, are measured beside it: they go message by message. A song
repeated 1, 10 and 100 times shows whether the time of an event grows with the song. Exit status 1
when a promise is missed, 3 when songs are missing.
"""

from __future__ import annotations

import platform
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

sys.path[:0] = [str(Path(__file__).resolve().parent.parent / part) for part in ("src", "")]

import mido  # noqa: E402

from knobwright.core.song.read import read_song  # noqa: E402
from knobwright.core.song.records import Event, Song  # noqa: E402
from knobwright.core.song.timeline import timeline  # noqa: E402
from knobwright.core.song.write import new_song, track_events  # noqa: E402
from knobwright.core.timing.ordered import run_ordered  # noqa: E402
from knobwright.core.timing.thinning import thin  # noqa: E402
from knobwright.core.timing.wire import Link, departures, traffic  # noqa: E402
from knobwright.core.timing.wire_report import wire_report  # noqa: E402
from perf.song_reading import _ODD_KEY, run_mido, seconds  # noqa: E402
from tests.oracle import midifile  # noqa: E402

N_ROUNDS = 3
#: Most that wire time, voices and parts may take together, as a share of mido's reading.
PROMISE = 0.40
#: How much more an event may take in a long song than in a short one.
GROWTH = 1.2


class Row(NamedTuple):
    """One line of the table; times in nanoseconds an event."""

    package: str
    n_songs: int
    n_events: int
    mido_ns: float
    departures_ns: float
    report_ns: float
    ordered_ns: float
    thin_ns: float


def run_departures(songs: Sequence[Song]) -> int:
    """Work out when every message leaves, full and running status; return how many."""
    n = 0
    for song in songs:
        sent = traffic(timeline(song))
        for running in (False, True):
            n += len(departures(sent, Link(running_status=running)).end_ns)
    return n


def run_report(songs: Sequence[Song]) -> int:
    """Make the whole report of each song; return how many findings there are."""
    return sum(len(wire_report(song).findings) for song in songs)


def run_order(songs: Sequence[Song]) -> int:
    """Send every song under the order rules; return how many items there are."""
    return sum(len(run_ordered(traffic(timeline(song)), Link()).number) for song in songs)


def run_thin(songs: Sequence[Song]) -> int:
    """Thin every song; return how many messages go."""
    return sum(thin(song).n_messages for song in songs)


def measure(package: str) -> Row:
    """Return one line: everything on the songs of one package."""
    data = [
        _ODD_KEY.sub(lambda found: found[0][:-1] + b"\x00", found.data)
        for found in midifile.songs(package)
    ]
    songs = [read_song(one) for one in data]
    runs: list[Callable[[], object]] = [
        lambda: run_mido(data),
        lambda: run_departures(songs),
        lambda: run_report(songs),
        lambda: run_order(songs),
        lambda: run_thin(songs),
    ]
    best = [float("inf")] * len(runs)
    for round_number in range(N_ROUNDS):
        for i, run in enumerate(runs):
            if i > 2 and round_number:
                continue  # long, and nothing is promised of them
            best[i] = min(best[i], seconds(lambda _, run=run: run(), []))  # type: ignore[misc]
    n_events = sum(song.n_events for song in songs)
    return Row(package, len(songs), n_events, *(taken * 1e9 / n_events for taken in best))


def repeated(song: Song, n: int) -> Song:
    """Return a song that plays ``n`` times in a row."""
    tracks = []
    for number in range(song.n_tracks):
        events = track_events(song, number)
        length = max(int(song.events.tick.max()), 1)
        body = events[:-1]
        tracks.append([Event(tick + k * length, data) for k in range(n) for tick, data in body])
    return read_song(new_song(tracks, division=song.division, running_status=True))


def growth() -> list[tuple[int, int, float]]:
    """Return (repetitions, events, nanoseconds an event) of one song of middling size."""
    songs = sorted(midifile.songs("freedoom"), key=lambda song: len(song.data))
    song = read_song(songs[len(songs) // 2].data)
    out = []
    for n in (1, 10, 100):
        longer = repeated(song, n)
        copies = [longer] * (100 // n)  # as much work a round for each
        best = min(seconds(lambda rows: run_report(rows), copies) for _ in range(N_ROUNDS))  # type: ignore[arg-type]
        out.append((n, longer.n_events, best * 1e9 / (longer.n_events * len(copies))))
    return out


def table(rows: list[Row]) -> str:
    """Return the lines as a Markdown table."""
    lines = [
        "| package | songs | events | mido reads, ns an event | departures (2 ways), ns "
        "| whole report, ns | of mido's reading | by the order rules, ns | thinned, ns |",
        "|---|--:|--:|--:|--:|--:|--:|--:|--:|",
    ]
    lines += [
        f"| {row.package} | {row.n_songs} | {row.n_events} | {row.mido_ns:.0f} "
        f"| {row.departures_ns:.0f} | {row.report_ns:.0f} | {row.report_ns / row.mido_ns:.1%} "
        f"| {row.ordered_ns:.0f} | {row.thin_ns:.0f} |"
        for row in rows
    ]
    return "\n".join(lines)


def main() -> int:
    """Print the tables; return the exit status."""
    lacking = midifile.missing()
    if lacking:
        print(f"Missing songs: install the Debian packages {' '.join(lacking)}.", file=sys.stderr)
        return 3
    print(f"Python {platform.python_version()}, mido {mido.version_info}, garbage collection on\n")
    rows = [measure(package) for package in midifile.PACKAGES]
    print(table(rows))
    n_events = sum(row.n_events for row in rows)
    ours = sum(row.report_ns * row.n_events for row in rows)
    theirs = sum(row.mido_ns * row.n_events for row in rows)
    print(f"\nAll {n_events} events: {ours / theirs:.1%} of mido's reading (promised: wire time, "
          f"voices and parts together at most {PROMISE:.0%}).")  # fmt: skip
    grown = growth()
    print("\n| one song, repeated | events | whole report, ns an event |\n|--:|--:|--:|")
    for n, n_found, ns in grown:
        print(f"| {n} | {n_found} | {ns:.0f} |")
    # The first is slower only by what is done once for a song; it must not get slower after that.
    steady = grown[-1][2] <= grown[0][2] * GROWTH
    return 0 if ours / theirs <= PROMISE and steady else 1


if __name__ == "__main__":
    sys.exit(main())
