"""Measure the voices of all songs against the time in which ``mido.MidiFile`` merely reads them.

    python -m perf song_voices

Both run on the same songs in one run, garbage collection on; each figure is the best round. Ours is
all of it: what decides about voices in playing order, notes paired, pedals, programs, tails, the
sum over time, the notes that a module of 28 voices cuts, the figures and the findings. Reading is
not in it. The module is that of the example bench; once more with tails of 200 ms, so that far more
notes are cut. Wire time, voices and parts together promise at most 40 % of mido's reading; voices
alone are held to a third of that here. A song repeated 1, 10 and 100 times shows whether the time
of an event grows. Exit status 1 when a promise is missed, 3 when songs are missing.
"""

from __future__ import annotations

import gc
import io
import platform
import re
import sys
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import NamedTuple

sys.path[:0] = [str(Path(__file__).resolve().parent.parent / part) for part in ("src", "")]

import mido  # noqa: E402

from knobwright.adapters.files.sheets import load  # noqa: E402
from knobwright.core.song.read import read_song  # noqa: E402
from knobwright.core.song.records import Event, Song  # noqa: E402
from knobwright.core.song.write import new_song, track_events  # noqa: E402
from knobwright.core.timing.voices.findings import voice_findings  # noqa: E402
from knobwright.core.timing.voices.front import figures, voices_of  # noqa: E402
from knobwright.core.timing.voices.module import Choices, Polyphony, polyphony  # noqa: E402
from knobwright.core.timing.voices.suggest import suggest  # noqa: E402
from tests.oracle import midifile  # noqa: E402

ROOT = Path(__file__).resolve().parent.parent
SHEET = ROOT / "examples/larkfield-bench/larkfield-t4.sheet.toml"
N_ROUNDS = 3
#: Per cent of mido's reading that voices may take: a third of the 40 that all three promise.
PROMISE = 13.3
#: How much the time of an event may differ between a song and its repetitions.
GROWTH = 1.2
TAIL_MS = 200
_ODD_KEY = re.compile(rb"\xff\x59\x02[\x00-\xff][\x02-\xff]")


class Row(NamedTuple):
    """One line of the table; times in nanoseconds an event."""

    package: str
    n_songs: int
    n_events: int
    mido_ns: float
    ours_ns: float
    n_cut: int
    with_tails_ns: float
    n_cut_with_tails: int
    suggest_ms: float


def run(songs: list[Song], module: Polyphony) -> int:
    """Return how many notes are cut in all songs."""
    n = 0
    for song in songs:
        voices = voices_of(song, module)
        voice_findings(voices)
        n += figures(voices).n_cut
    return n


def seconds(work: Callable[[], object]) -> float:
    """Return the time of one round."""
    gc.collect()
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def best(works: list[Callable[[], object]]) -> list[float]:
    """Return the best round of each; the rounds take turns."""
    found = [float("inf")] * len(works)
    for _ in range(N_ROUNDS):
        for i, work in enumerate(works):
            found[i] = min(found[i], seconds(work))
    return found


def measure(package: str, plain: Polyphony, ringing: Polyphony) -> Row:
    """Return one line: all songs of one package."""
    data = [_ODD_KEY.sub(lambda found: found[0][:-1] + b"\x00", song.data)
            for song in midifile.songs(package)]  # fmt: skip
    songs = [read_song(one) for one in data]
    n_events = sum(song.n_events for song in songs)
    read, ours, tails = best([
        lambda: [mido.MidiFile(file=io.BytesIO(one)) for one in data],
        lambda: run(songs, plain),
        lambda: run(songs, ringing),
    ])  # fmt: skip
    crowded = [song for song in songs if len(voices_of(song, plain).cuts.note)]
    asked = seconds(lambda: [suggest(song, voices_of(song, plain)) for song in crowded])
    per = 1e9 / n_events
    return Row(
        package, len(songs), n_events, read * per, ours * per, run(songs, plain), tails * per,
        run(songs, ringing), asked * 1e3 / max(len(crowded), 1),
    )  # fmt: skip


def growth(module: Polyphony) -> list[tuple[int, int, float]]:
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
        long = read_song(new_song(tracks, division=song.division, running_status=True))
        # As much work a round for each, so that short songs are not measured by luck.
        copies = [long] * (100 // n)
        taken = min(best([partial(run, copies, module)]))
        out.append((n, long.n_events, taken * 1e9 / (long.n_events * len(copies))))
    return out


def table(rows: list[Row]) -> str:
    """Return the lines as a Markdown table."""
    lines = [
        "| package | songs | events | mido reads, ns an event | voices, ns | % | notes cut "
        f"| tails of {TAIL_MS} ms, ns | % | notes cut | all suggestions, ms a song | promised, % |",
        "|---|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|--:|",
    ]
    for row in rows:
        kept = "" if _percent(row) <= PROMISE else " **missed**"
        lines.append(
            f"| {row.package} | {row.n_songs} | {row.n_events} | {row.mido_ns:.0f} "
            f"| {row.ours_ns:.0f} | {_percent(row):.1f} | {row.n_cut} | {row.with_tails_ns:.0f} "
            f"| {100 * row.with_tails_ns / row.mido_ns:.1f} | {row.n_cut_with_tails} "
            f"| {row.suggest_ms:.0f} | {PROMISE}{kept} |"
        )
    return "\n".join(lines)


def _percent(row: Row) -> float:
    return 100 * row.ours_ns / row.mido_ns


def main() -> int:
    """Print the tables; return the exit status."""
    lacking = midifile.missing()
    if lacking:
        print(f"Missing songs: install the Debian packages {' '.join(lacking)}.", file=sys.stderr)
        return 3
    print(f"Python {platform.python_version()}, mido {mido.version_info}, garbage collection on\n")
    sheet = load(str(SHEET)).require()
    plain, ringing = polyphony(sheet), polyphony(sheet, Choices(tail_ms=TAIL_MS))
    rows = [measure(package, plain, ringing) for package in midifile.PACKAGES]
    print(table(rows))
    grown = growth(plain)
    print("\n| one song, repeated | events | voices, ns an event |\n|--:|--:|--:|")
    for n, n_events, ns in grown:
        print(f"| {n} | {n_events} | {ns:.0f} |")
    steady = grown[-1][2] <= grown[0][2] * GROWTH
    return 0 if steady and all(_percent(row) <= PROMISE for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
