"""Measure reading songs to event arrays against ``mido.MidiFile``, on the same files in one run.

    python -m perf song_reading

Both read the same bytes from memory with garbage collection on; the numbers of events must be
equal, and so must the sums of all ticks. mido makes an object for each event; ours are arrays, with
running status filled in, absolute ticks and all checks of the standard. The second figure adds the
exact time of every event in nanoseconds, which mido does not compute when it reads. Rounds of the
two take turns; each figure is the best round. A song repeated 1, 10 and 100 times shows whether the
time of an event grows with the song. Exit status 1 when a promise is missed, 3 when songs are
missing.
"""

from __future__ import annotations

import gc
import importlib
import io
import platform
import re
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

sys.path[:0] = [str(Path(__file__).resolve().parent.parent / part) for part in ("src", "")]

import mido  # noqa: E402

from knobwright.core.song.read import read_song  # noqa: E402
from knobwright.core.song.records import Event  # noqa: E402
from knobwright.core.song.tempo import event_ns  # noqa: E402
from knobwright.core.song.write import new_song, track_events  # noqa: E402
from tests.oracle import midifile  # noqa: E402

N_ROUNDS = 3
#: How many times as fast as mido reading to arrays promises to be.
PROMISE = 8.0
#: How much the time of an event may differ between a song and its repetitions.
GROWTH = 1.2
_ODD_KEY = re.compile(rb"\xff\x59\x02[\x00-\xff][\x02-\xff]")


class Row(NamedTuple):
    """One line of the table; times in nanoseconds an event."""

    package: str
    n_songs: int
    n_events: int
    ours_ns: float
    ours_with_times_ns: float
    mido_ns: float
    other_ns: float  # of symusic, 0 where it is not installed


def run_ours(songs: Sequence[bytes]) -> tuple[int, int]:
    """Return how many events the songs have, and the sum of all ticks."""
    n, ticks = 0, 0
    for data in songs:
        events = read_song(data).events
        n += len(events.tick)
        ticks += int(events.tick.sum())
    return n, ticks


def run_ours_with_times(songs: Sequence[bytes]) -> tuple[int, int]:
    """Return the same, with the time of every event computed."""
    n, ticks = 0, 0
    for data in songs:
        song = read_song(data)
        n += len(event_ns(song))
        ticks += int(song.events.tick.sum())
    return n, ticks


def run_mido(songs: Sequence[bytes]) -> int:
    """Return how many events mido reads."""
    return sum(sum(map(len, mido.MidiFile(file=io.BytesIO(data)).tracks)) for data in songs)


def mido_ticks(songs: Sequence[bytes]) -> int:
    """Return the sum of all ticks by mido; not timed."""
    total = 0
    for data in songs:
        for track in mido.MidiFile(file=io.BytesIO(data)).tracks:
            tick = 0
            for message in track:
                tick += message.time
                total += tick
    return total


def other_reader() -> Callable[[Sequence[bytes]], Any] | None:
    """Return a run of symusic, where somebody has installed it: a compiled reader."""
    try:
        score = importlib.import_module("symusic").Score
    except ImportError:
        return None
    return lambda songs: [score.from_midi(data) for data in songs]


def seconds(run: Callable[[Sequence[bytes]], object], songs: Sequence[bytes]) -> float:
    """Return the time of one round."""
    gc.collect()
    start = time.perf_counter()
    run(songs)
    return time.perf_counter() - start


def measure(package: str) -> Row:
    """Return one line: every reader on the songs of one package."""
    # Two songs have a key signature that mido refuses: mended for both, before the clock runs.
    songs = [
        _ODD_KEY.sub(lambda found: found[0][:-1] + b"\x00", data)
        for _, data in midifile.songs(package)
    ]
    counted = run_ours(songs)
    theirs = (run_mido(songs), mido_ticks(songs))
    if counted != theirs or run_ours_with_times(songs) != theirs:
        raise AssertionError(f"{package}: we read {counted} (events, ticks) and mido {theirs}")
    other = other_reader()
    runs = [run_ours, run_ours_with_times, run_mido, *([other] if other else [])]
    best = [float("inf")] * len(runs)
    for _ in range(N_ROUNDS):
        for i, run in enumerate(runs):
            best[i] = min(best[i], seconds(run, songs))
    ns = [taken * 1e9 / counted[0] for taken in best]
    return Row(package, len(songs), counted[0], ns[0], ns[1], ns[2], ns[3] if other else 0)


def growth() -> list[tuple[int, int, float]]:
    """Return (repetitions, events, nanoseconds an event) of one song of middling size."""
    songs = sorted(midifile.songs("freedoom"), key=lambda song: len(song.data))
    song = read_song(songs[len(songs) // 2].data)
    out = []
    for n in (1, 10, 100):
        tracks = []
        for number in range(song.n_tracks):
            events = track_events(song, number)
            length = max(events[-1].tick, 1)
            body = events[:-1]
            tracks.append([Event(tick + k * length, data) for k in range(n) for tick, data in body])
        data = new_song(tracks, division=song.division, running_status=True)
        n_events = read_song(data).n_events
        # As much work a round for each, so that short songs are not measured by luck.
        copies = [data] * (100 // n)
        best = min(seconds(run_ours_with_times, copies) for _ in range(N_ROUNDS))
        out.append((n, n_events, best * 1e9 / (n_events * len(copies))))
    return out


def table(rows: list[Row]) -> str:
    """Return the lines as a Markdown table."""
    lines = [
        "| package | songs | events | arrays, ns an event | with times, ns | mido, ns "
        "| times as fast | with times | symusic, ns | promised |",
        "|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|",
    ]
    for row in rows:
        other = f"{row.other_ns:.0f}" if row.other_ns else "–"
        kept = "" if row.mido_ns / row.ours_ns >= PROMISE else " **missed**"
        lines.append(
            f"| {row.package} | {row.n_songs} | {row.n_events} | {row.ours_ns:.0f} "
            f"| {row.ours_with_times_ns:.0f} | {row.mido_ns:.0f} | {row.mido_ns / row.ours_ns:.1f} "
            f"| {row.mido_ns / row.ours_with_times_ns:.1f} | {other} | {PROMISE:.0f}{kept} |"
        )
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
    grown = growth()
    print("\n| one song, repeated | events | arrays and times, ns an event |\n|--:|--:|--:|")
    for n, n_events, ns in grown:
        print(f"| {n} | {n_events} | {ns:.0f} |")
    # The first is slower only by what is done once for a song; it must not get slower after that.
    steady = grown[-1][2] <= grown[0][2] * GROWTH
    kept = all(row.mido_ns / row.ours_ns >= PROMISE for row in rows)
    return 0 if kept and steady else 1


if __name__ == "__main__":
    sys.exit(main())
