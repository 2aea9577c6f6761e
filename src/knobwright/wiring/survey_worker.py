"""A process that examines songs: told by its parent on standard input, answering on its output.

A frame is a length (4 bytes, low byte first) and that many bytes of MessagePack. The first frame
holds the limits and the set-up and is answered by an empty text, or by why it can't be used; each
frame behind it holds a job and is answered by a row. At the end of the input the process ends: so
it never outlives its parent by more than one song.
"""

from __future__ import annotations

import os
import signal
import sys
from typing import IO

import msgspec
from msgspec import Struct

from knobwright.core.errors import KnobwrightError
from knobwright.engine.survey import Job
from knobwright.wiring.survey_work import Examiner, Setup

_HEAD_BYTES = 4


class Limits(Struct, frozen=True):
    """What one song may take: seconds until its process is ended, MiB beyond what is in use."""

    seconds: float = 60.0
    memory_mib: int = 2048


class Begin(Struct, frozen=True):
    """The first frame."""

    setup: Setup
    limits: Limits


def write_frame(stream: IO[bytes], data: bytes) -> None:
    """Write a frame and hand it to the system."""
    stream.write(len(data).to_bytes(_HEAD_BYTES, "little") + data)
    stream.flush()


def read_frame(stream: IO[bytes]) -> bytes | None:
    """Return the next frame; ``None`` at the end, also in the midst of a frame."""
    head = stream.read(_HEAD_BYTES)
    if len(head) < _HEAD_BYTES:
        return None
    n_bytes = int.from_bytes(head, "little")
    data = stream.read(n_bytes)
    return data if len(data) == n_bytes else None


def main() -> None:
    """Serve until the input ends."""
    # Ctrl-C on a terminal reaches every process; what it means is the parent's to decide.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever prints must not run into the frames
    serve(sys.stdin.buffer, answers)


def serve(orders: IO[bytes], answers: IO[bytes]) -> None:
    """Answer every frame of ``orders``."""
    first = read_frame(orders)
    if first is None:
        return
    begin = msgspec.msgpack.decode(first, type=Begin)
    try:
        examiner = Examiner(begin.setup)
    except KnobwrightError as error:
        write_frame(answers, msgspec.msgpack.encode(str(error)))
        return
    limit_memory(begin.limits.memory_mib)
    write_frame(answers, msgspec.msgpack.encode(""))
    decoder = msgspec.msgpack.Decoder(Job)
    while (frame := read_frame(orders)) is not None:
        row = examiner.row(decoder.decode(frame))
        write_frame(answers, msgspec.msgpack.encode(row))


def limit_memory(mib: int) -> None:
    """Let this process take so many MiB more than it has now, where the system can tell and limit.

    Linux only: elsewhere the limits of the reader hold (32 MiB and 4 000 000 events a song).
    """
    try:
        import resource

        with open("/proc/self/statm", encoding="ascii") as file:
            n_pages = int(file.read().split()[0])
    except (ImportError, OSError, ValueError):
        return
    most = n_pages * resource.getpagesize() + (mib << 20)
    _, hard = resource.getrlimit(resource.RLIMIT_AS)
    if hard != resource.RLIM_INFINITY:
        most = min(most, hard)
    resource.setrlimit(resource.RLIMIT_AS, (most, hard))


if __name__ == "__main__":
    main()
