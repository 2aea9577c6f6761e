"""The records of the link test. Times in a plan are microseconds from the start of its stage."""

from __future__ import annotations

from typing import NamedTuple

WORKS = "works"
FAILS = "does not work"
UNKNOWN = "not known"
NOT_ON_THIS_PORT = "could not be tested on this kind of port"


class Piece(NamedTuple):
    """Bytes that are handed to the port in one go, and when (us from the start of the stage)."""

    at_us: int
    data: bytes


class Sent(NamedTuple):
    """A message that must come back.

    ``kind`` names what it is, ``group`` what it tries; ``piece`` is the number of the piece that
    holds its last byte, ``offset_bytes`` how many bytes came before it since the last rest.
    """

    data: bytes
    kind: str
    group: str
    piece: int
    offset_bytes: int


class Mark(NamedTuple):
    """A real-time byte in a stage; message number ``before`` must not come back before it."""

    data: bytes
    group: str
    before: int


class Stage(NamedTuple):
    """One stage of the plan.

    ``orphans`` are messages that must *not* come back (data bytes that belong to nothing, under a
    status that is over), each with its group. ``length_us`` is the time until the last byte has
    left; the stage ends when nothing has come for ``quiet_us`` after that (``patience_us`` while
    bytes are missing), or after ``longest_us``.
    """

    name: str
    words: str
    pieces: tuple[Piece, ...]
    messages: tuple[Sent, ...]
    marks: tuple[Mark, ...] = ()
    orphans: tuple[tuple[bytes, str], ...] = ()
    length_us: int = 0
    quiet_us: int = 60_000
    longest_us: int = 3_000_000
    patience_us: int = 0
    is_full_rate: bool = False

    @property
    def n_bytes(self) -> int:
        """Return how many bytes are sent."""
        return sum(len(piece.data) for piece in self.pieces)


class Run(NamedTuple):
    """What came of a stage: when each piece was handed over, and what arrived when (ns)."""

    sent_ns: tuple[int, ...]
    received: tuple[tuple[int, bytes], ...]


class Finding(NamedTuple):
    """A fault that was found: its name in the table, and the evidence.

    ``details`` says in words what this link does; ``place`` is where in the stream it was seen;
    ``sent`` and ``got`` are the bytes there, as hex.
    """

    name: str
    details: str
    place: str = ""
    sent: str = ""
    got: str = ""


class Latency(NamedTuple):
    """How long messages take from hand-over to arrival, in microseconds.

    ``wire_us`` is what one cable explains: the time of the message's own bytes. ``counts`` are the
    messages in each class of ``class_us`` microseconds, the first beginning at ``from_us``.
    """

    n: int
    wire_us: int
    least_us: int
    median_us: int
    p99_us: int
    worst_us: int
    from_us: int
    class_us: int
    counts: tuple[int, ...]

    @property
    def spread_us(self) -> int:
        """Return the jitter: from the quickest message to the 99 % one."""
        return self.p99_us - self.least_us


class LinkResult(NamedTuple):
    """What the link test found.

    ``longest_exclusive`` is in bytes, 0 where no limit was found up to ``tried_exclusive``;
    ``rest_ms`` is the shortest rest after an exclusive at which nothing is lost. ``is_whole`` is
    false where the test was broken off.
    """

    findings: tuple[Finding, ...]
    running_status: str
    real_time: str
    longest_exclusive: int
    tried_exclusive: int
    rest_ms: int
    longest_burst: int
    latency: Latency | None
    baud: int
    n_messages: int
    n_bytes: int
    stages: tuple[str, ...]
    is_whole: bool


def proven(result: LinkResult, at: str) -> dict[str, bool | int | str]:
    """Return what the bench keeps of a link: the table ``[link.proven]``.

    Whether running status works is left out where it could not be tested.

    Parameters
    ----------
    result : LinkResult
    at : str
        When it was tested, as text.
    """
    tested = result.running_status in (WORKS, FAILS)
    return {
        **({"running_status": result.running_status == WORKS} if tested else {}),
        "longest_exclusive": result.longest_exclusive,
        "rest_ms": result.rest_ms,
        "at": at,
    }
