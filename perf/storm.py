"""Sixteen knobs and a dense song on one MIDI cable: how late are notes, and how old are values?

    python perf/storm.py

The cable is modelled: 3 125 bytes a second, in virtual time, so that the figures are the same on
every machine. The knobs set parameters of the example module, half by NRPN and half by exclusive
messages with a checksum, each a hundred times a second; the module asks for a rest of 20 ms after
each exclusive message. The song plays about sixty notes a second on ten channels, with bends,
pedals and programs. The same traffic goes through the order rules and through plain
first-in-first-out, which keeps the rest too. Exit status 1 when the promise is missed: a note
waits at most for a message under way, what plays at the same moment, and its own barriers.
"""

from __future__ import annotations

import random
import sys
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).resolve().parent.parent
sys.path[:0] = [str(ROOT / "src")]

from knobwright.core.codec.check import check_sheet  # noqa: E402
from knobwright.core.codec.plan import Codec  # noqa: E402
from knobwright.core.timing.items import NOTE, VALUE, Item  # noqa: E402
from knobwright.core.timing.merge import Merge, from_setting, shared_bases  # noqa: E402
from knobwright.core.timing.pacing import Pacing  # noqa: E402

SHEET = ROOT / "examples" / "larkfield-bench" / "larkfield-t4.sheet.toml"
BYTE_NS = 320_000  # ten bits at 31 250 baud
GAP_NS = 20_000_000
SECOND = 1_000_000_000
N_SECONDS = 20
KNOB_HZ = 100
NOTES_HZ = 60
#: Worst delay of a note through the order rules that is promised, in milliseconds.
PROMISED_MS = 25.0

BY_NRPN = ("tone.vibrato-rate", "tone.vibrato-depth", "tone.brightness", "tone.resonance")
BY_EXCLUSIVE = (
    "hall.time", "hall.level", "echo.time", "echo.feedback",
    "echo.level", "chorus.rate", "chorus.depth", "master.volume",
)  # fmt: skip

Arrival = tuple[int, Item]
Sent = tuple[int, int, Item]  # when it came, when its last byte began to leave, what


class Row(NamedTuple):
    """One line of the table; times in milliseconds."""

    traffic: str
    way: str
    notes: list[float]  # from arrival to the first byte on the line, of each note
    values: list[float]  # age of each knob's value when it is complete
    n_values: int  # values that came


def load_codec() -> Codec:
    """Return the codec of the example module; fails where its sheet has faults."""
    checked = check_sheet(SHEET.read_text(encoding="utf-8"), library=_no_includes)
    if checked.sheet is None:
        raise SystemExit(f"{SHEET.name}: {checked.faults}")
    return Codec(checked.sheet)


def _no_includes(name: str) -> str:
    raise SystemExit(f"the example sheet includes {name!r}: this measurement wants it alone")


def knobs(codec: Codec) -> list[Arrival]:
    """Return the moves of sixteen knobs, each of its own parameter or channel."""
    choose = random.Random(16)
    shared = shared_bases(codec.sheet.parameters)
    hands = [(key, channel) for channel in (1, 2) for key in BY_NRPN]
    hands += [(key, 1) for key in BY_EXCLUSIVE]
    out: list[Arrival] = []
    for key, channel in hands:
        parameter = codec.parameters[key]
        low, high = parameter.ranges[0]
        phase_ns = choose.randrange(SECOND // KNOB_HZ)
        for i in range(N_SECONDS * KNOB_HZ):
            messages = codec.encode(key, choose.randint(low, high), channel)
            item = from_setting(parameter, messages, channel, shared=shared, source=key)
            out.append((phase_ns + i * SECOND // KNOB_HZ, item))
    return out


def song() -> list[Arrival]:
    """Return a dense song: notes on ten channels, chords of up to four, bends, pedals, programs."""
    choose = random.Random(60)
    merge = Merge("song")
    events: list[tuple[int, bytes]] = []
    at_ns = 0
    n_notes = 0
    while n_notes < NOTES_HZ * N_SECONDS:
        at_ns += int(choose.expovariate(NOTES_HZ / 1.8) * SECOND)
        for _ in range(choose.choice((1, 1, 2, 3) if n_notes % 9 else (4,))):
            channel, key = choose.randrange(10), choose.randrange(36, 84)
            length_ns = choose.randrange(60, 900) * 1_000_000
            events.append((at_ns, bytes((0x90 | channel, key, choose.randrange(1, 128)))))
            events.append((at_ns + length_ns, bytes((0x80 | channel, key, 64))))
            n_notes += 1
        if n_notes % 11 == 0:
            channel = choose.randrange(10)
            events.append((at_ns, bytes((0xB0 | channel, 64, choose.choice((0, 127))))))
        if n_notes % 97 == 0:
            events.append((at_ns, bytes((0xC0 | choose.randrange(10), choose.randrange(128)))))
    for i in range(40 * N_SECONDS):  # two wheels, twenty positions a second
        channel = i % 2
        events.append((i * SECOND // 40, bytes((0xE0 | channel, 0, choose.randrange(128)))))
    events.sort(key=lambda event: event[0])
    return [(at, item) for at, message in events for item in merge.feed(message)]


def by_rules(traffic: list[Arrival]) -> list[Sent]:
    """Return when each item leaves by the order rules."""
    pacing = Pacing(byte_ns=BYTE_NS, stream=True, gap_ns=GAP_NS)
    came: dict[int, int] = {}
    sent: list[Sent] = []
    arrivals = deque(traffic)
    now_ns = 0
    while True:
        while (hand := pacing.due(now_ns)) is not None:
            sent.extend((came[id(item)], now_ns, item) for item in hand.done)
        times = [t for t in (pacing.next_ns, arrivals[0][0] if arrivals else None) if t is not None]
        if not times:
            return sent
        now_ns = max(now_ns, min(times))
        if arrivals and arrivals[0][0] <= now_ns:
            at_ns, item = arrivals.popleft()
            came[id(item)] = at_ns
            pacing.push(item, now_ns)


def first_in_first_out(traffic: list[Arrival]) -> list[Sent]:
    """Return when each item leaves one after the other, rests kept."""
    free_ns = gap_end_ns = 0
    sent: list[Sent] = []
    for at_ns, item in traffic:
        start_ns = 0
        for message in item.messages:
            start_ns = max(at_ns, free_ns)
            if message[0] == 0xF0:
                start_ns = max(start_ns, gap_end_ns)
            free_ns = start_ns + len(message) * BYTE_NS
            if message[0] == 0xF0:
                gap_end_ns = free_ns + GAP_NS
        sent.append((at_ns, start_ns, item))
    return sent


WAYS: dict[str, Callable[[list[Arrival]], list[Sent]]] = {
    "order rules": by_rules,
    "first in, first out": first_in_first_out,
}


def measure(name: str, traffic: list[Arrival]) -> list[Row]:
    """Return one row for each way of the same traffic."""
    rows = []
    n_values = sum(item.sort == VALUE for _, item in traffic)
    for way, run in WAYS.items():
        sent = run(traffic)
        n_notes = sum(item.sort == NOTE for _, _, item in sent)
        if n_notes != sum(item.sort == NOTE for _, item in traffic):
            raise AssertionError("a note was lost")
        notes = sorted((t - at) / 1e6 for at, t, item in sent if item.sort == NOTE)
        values = sorted((t - at) / 1e6 for at, t, item in sent if item.sort == VALUE)
        rows.append(Row(name, way, notes, values, n_values))
    return rows


def share(values: list[float], part: float) -> float:
    """Return the value below which a part (0 to 1) of sorted values lies."""
    return values[min(len(values) - 1, int(part * len(values)))]


def table(rows: list[Row]) -> str:
    """Return the lines as a Markdown table."""
    lines = [
        "| traffic | way | notes | note delay, ms: half | 99 % | worst "
        "| values in | sent | age when sent, ms: half | worst |",
        "|---|---|--:|--:|--:|--:|--:|--:|--:|--:|",
    ]
    for row in rows:
        ages = (share(row.values, 0.5), row.values[-1]) if row.values else None
        age = f"{ages[0]:.1f} | {ages[1]:.1f}" if ages else "– | –"
        lines.append(
            f"| {row.traffic} | {row.way} | {len(row.notes)} | {share(row.notes, 0.5):.2f} "
            f"| {share(row.notes, 0.99):.2f} | {row.notes[-1]:.2f} "
            f"| {row.n_values} | {len(row.values)} | {age} |"
        )
    return "\n".join(lines)


def main() -> int:
    """Print the table; return the exit status."""
    codec = load_codec()
    turning, playing = knobs(codec), song()
    both = sorted(turning + playing, key=lambda arrival: arrival[0])
    n_bytes = sum(len(m) for _, item in both for m in item.messages)
    print(
        f"{N_SECONDS} s: {len(turning)} moves of 16 knobs, {len(playing)} messages of the song; "
        f"{n_bytes / N_SECONDS:.0f} bytes a second want to leave, 3125 can.\n"
    )
    rows = measure("song alone", playing) + measure("song and 16 knobs", both)
    print(table(rows))
    storm = next(row for row in rows if row.traffic != "song alone" and row.way == "order rules")
    return 0 if storm.notes[-1] <= PROMISED_MS else 1


if __name__ == "__main__":
    sys.exit(main())
