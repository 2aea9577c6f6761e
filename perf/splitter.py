"""Measure the byte splitter against ``mido.Parser`` on the same bytes, in one run.

    python -m perf splitter

Both make one record a message and all messages are counted: mido its message objects, the splitter
records with bytes and arrival time. mido does not follow running status, so running status is
timed on its own, without a ratio. Each figure is the best of several rounds; rounds of the two take
turns, so that a slow moment of the machine hits both. Exit status 1 when a promise is missed, 3
when a package is missing.
"""

from __future__ import annotations

import platform
import random
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

sys.path[:0] = [str(Path(__file__).resolve().parent.parent / part) for part in ("src", "")]

import mido  # noqa: E402

from knobwright.core.wire.cost import shortened  # noqa: E402
from knobwright.core.wire.stream import Message, Splitter  # noqa: E402
from tests.oracle import midifile  # noqa: E402

N_ROUNDS = 3
#: Longest stretch of real music timed for each package: mido needs seconds for all of it.
MAX_MESSAGES = 60_000
#: Bytes a piece -> how many times as fast as mido the splitter promises to be.
PROMISES = {4096: 20.0, 3: 5.0}


class Row(NamedTuple):
    """One line of the table; times in nanoseconds a message, mido's 0 where it was not timed."""

    traffic: str
    n_messages: int
    piece_bytes: int
    ours_ns: float
    mido_ns: float

    @property
    def ratio(self) -> float:
        """How many times as fast as mido; 0 where mido was not timed."""
        return self.mido_ns / self.ours_ns

    @property
    def kept(self) -> bool:
        """Whether the promise for this size of piece is kept."""
        return not self.mido_ns or self.ratio >= PROMISES[self.piece_bytes]


def made_up(n_messages: int) -> list[bytes]:
    """Return mixed traffic with full status: all channel messages, clock, common, exclusive."""
    choose = random.Random(1)
    kinds = (0x80, 0x90, 0x90, 0x90, 0xA0, 0xB0, 0xB0, 0xC0, 0xD0, 0xE0)
    out: list[bytes] = []
    for i in range(n_messages):
        if i % 200 == 199:
            data = bytes(choose.randrange(128) for _ in range(20))
            out.append(b"\xf0\x7d" + data + b"\xf7")
        elif i % 50 == 49:
            out.append(choose.choice((b"\xf6", b"\xf3\x05", b"\xf2\x10\x00", b"\xf1\x23")))
        elif i % 10 == 9:
            out.append(b"\xf8")
        else:
            status = choose.choice(kinds) | choose.randrange(16)
            n_data = 1 if status >> 4 in (0xC, 0xD) else 2
            out.append(bytes((status, *(choose.randrange(128) for _ in range(n_data)))))
    return out


def run_ours(pieces: list[bytes]) -> int:
    """Return how many messages the splitter finds, arrival times on; nothing may be dropped."""
    splitter = Splitter()
    n_found = 0
    for at_ns, piece in enumerate(pieces):
        n_found += len(splitter.feed(piece, at_ns))
    return n_found


def run_mido(pieces: list[bytes]) -> int:
    """Return how many messages ``mido.Parser`` finds."""
    parser = mido.Parser()
    n_found = 0
    for piece in pieces:
        parser.feed(piece)
        n_found += sum(1 for _ in parser)
    return n_found


def seconds(run: Callable[[list[bytes]], int], pieces: list[bytes], n_expected: int) -> float:
    """Return the time of one round; fails where the count of messages is not the expected one."""
    start = time.perf_counter()
    n_found = run(pieces)
    taken = time.perf_counter() - start
    if n_found != n_expected:
        raise AssertionError(f"{run.__name__} found {n_found} messages, expected {n_expected}")
    return taken


def cut(stream: bytes, piece_bytes: int) -> list[bytes]:
    """Return the stream in pieces of a size."""
    return [stream[i : i + piece_bytes] for i in range(0, len(stream), piece_bytes)]


def check_same(stream: bytes, messages: list[bytes]) -> None:
    """Fail unless the splitter gives just these messages, byte for byte."""
    records = Splitter().feed(stream)
    if [r.data for r in records if isinstance(r, Message)] != messages or len(records) != len(
        messages
    ):
        raise AssertionError("the splitter's messages are not the ones that were sent")


def measure(traffic: str, messages: list[bytes], piece_bytes: int) -> Row:
    """Return one line of the table: both on the same bytes in the same pieces."""
    stream = b"".join(messages)
    check_same(stream, messages)
    pieces = cut(stream, piece_bytes)
    n_messages = len(messages)
    ours, theirs = [], []
    for _ in range(N_ROUNDS):
        ours.append(seconds(run_ours, pieces, n_messages))
        theirs.append(seconds(run_mido, pieces, n_messages))
        ours.append(seconds(run_ours, pieces, n_messages))
    scale = 1e9 / n_messages
    return Row(traffic, n_messages, piece_bytes, min(ours) * scale, min(theirs) * scale)


def measure_running(traffic: str, messages: list[bytes], piece_bytes: int) -> Row:
    """Return one line for the same messages with running status, without mido."""
    stream = b"".join(shortened(messages))
    check_same(stream, messages)
    pieces = cut(stream, piece_bytes)
    best = min(seconds(run_ours, pieces, len(messages)) for _ in range(2 * N_ROUNDS))
    return Row(
        traffic + ", running status", len(messages), piece_bytes, best * 1e9 / len(messages), 0
    )


def table(rows: list[Row]) -> str:
    """Return the lines as a Markdown table."""
    lines = [
        "| traffic | messages | piece, bytes | splitter, ns a message | mido, ns a message "
        "| times as fast | promised |",
        "|---|--:|--:|--:|--:|--:|--:|",
    ]
    for row in rows:
        theirs = f"{row.mido_ns:.0f} | {row.ratio:.1f}" if row.mido_ns else "– | –"
        promise = f"{PROMISES[row.piece_bytes]:.0f}" if row.mido_ns else "–"
        lines.append(
            f"| {row.traffic} | {row.n_messages} | {row.piece_bytes} | {row.ours_ns:.0f} "
            f"| {theirs} | {promise}{'' if row.kept else ' **missed**'} |"
        )
    return "\n".join(lines)


def main() -> int:
    """Print the table; return the exit status."""
    lacking = midifile.missing()
    if lacking:
        print(f"Missing songs: install the Debian packages {' '.join(lacking)}.", file=sys.stderr)
        return 3
    sources = {"made up, full status": made_up(MAX_MESSAGES)}
    for package in midifile.PACKAGES:
        # Whole songs from all over the package, up to the limit.
        messages = [data for _, song in midifile.messages(package)[::3] for data in song]
        sources[f"music of {package}"] = messages[:MAX_MESSAGES]
    rows = [
        measure(traffic, messages, piece_bytes)
        for traffic, messages in sources.items()
        for piece_bytes in PROMISES
    ]
    rows += [
        measure_running(traffic.removesuffix(", full status"), messages, piece_bytes)
        for traffic, messages in sources.items()
        for piece_bytes in PROMISES
    ]
    print(f"Python {platform.python_version()}, mido {mido.version_info}\n")
    print(table(rows))
    return 0 if all(row.kept for row in rows) else 1


if __name__ == "__main__":
    sys.exit(main())
