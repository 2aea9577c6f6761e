"""Stages at full rate, exclusives by length and by the rest after them, and latency."""

from __future__ import annotations

from knobwright.core.link.content import (
    BEND,
    CONTROL,
    EXCLUSIVE,
    OFF,
    ON,
    POLY,
    Builder,
)
from knobwright.core.link.known import Known
from knobwright.core.link.records import Stage
from knobwright.core.link.stages import NEAR_US, Plan, finish

#: Bytes in a burst without a rest.
BURSTS = (6, 12, 24, 48, 96, 192, 384, 768, 1536, 3072)
QUICK_BURSTS = (6, 12, 48, 96, 192, 384)
#: Lengths of exclusives that are tried, F0 and F7 counted: buffers are powers of two.
LENGTHS = (6, 8, 12, 16, 17, 24, 32, 33, 48, 64, 65, 96, 128, 129, 192, 256, 257, 384, 512, 513,
           1024, 2048, 4096)  # fmt: skip
QUICK_LENGTHS = (6, 12, 16, 32, 64, 65, 128, 256, 512)
_TWICE_UP_TO = 129
#: Rests after an exclusive that are tried, in milliseconds.
RESTS_MS = (0, 1, 2, 3, 5, 7, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 150, 200)
_MIN_LENGTH = 6
#: Shortest run of bytes that the rest after an exclusive can be tried with.
MIN_RUN = 12


def _bulk(plan: Plan, known: Known, n: int) -> tuple[str, bytes]:
    """Return the n-th message of a dense stream: kinds and channels in turn."""
    kinds = known.alive(ON, OFF, POLY, CONTROL, BEND)
    kind = kinds[n % len(kinds)]
    channel = known.channels[n // len(kinds) % len(known.channels)]
    return kind, plan.numbers.message(kind, channel)


def _can_bulk(known: Known) -> bool:
    return bool(known.alive(ON, OFF, POLY, CONTROL, BEND) and known.channels)


def bursts(plan: Plan, known: Known) -> Stage | None:
    """Return the stage with longer and longer bursts at full rate."""
    if not _can_bulk(known):
        return None
    build = plan.builder()
    n = 0
    sizes = QUICK_BURSTS if plan.is_quick else BURSTS
    for size in sizes:
        if known.n_copies > 1 and size > QUICK_BURSTS[-1]:
            break
        build.rest(plan.burst_rest_us)
        for _ in range(size // 3):
            kind, message = _bulk(plan, known, n)
            build.send(message, kind, f"burst of {size} bytes")
            n += 1
    build.rest(plan.burst_rest_us)
    return finish(plan, known, build, "full rate", "bursts without a rest", is_full_rate=True)


def control(plan: Plan, known: Known) -> Stage:
    """Return the stage with as many messages as got lost at full rate, now with rests."""
    build = plan.builder()
    for n in range(300):
        kind, message = _bulk(plan, known, n)
        build.rest(NEAR_US)
        build.send(message, kind, "control")
    words = "the same sort of messages with rests, to compare"
    return finish(plan, known, build, "with rests", words)


def dense(plan: Plan, known: Known) -> Stage | None:
    """Return the stage with running status and real time at full rate, as a song has them."""
    if not plan.is_stream or not _can_bulk(known) or known.longest_burst or known.is_swapping:
        return None
    build = plan.builder()
    clocks = known.real_times() if known.takes_real_time_inside else []
    size = 192 if plan.is_quick else 960
    last, n = 0, 0
    kinds = known.alive(ON, POLY, CONTROL)
    if not kinds:
        return None
    build.rest(plan.burst_rest_us)
    for n in range(size // 2):
        kind = kinds[n // 12 % len(kinds)]
        channel = known.channels[n // 36 % len(known.channels)]
        if clocks and n % 9 == 8:
            build.mark(clocks[n // 9 % len(clocks)], "dense")
        message = plan.numbers.message(kind, channel)
        build.send(message, kind, "dense", on_wire=message[1:] if message[0] == last else message)
        last = message[0]
    build.rest(plan.burst_rest_us)
    words = "running status and real time at full rate"
    return finish(plan, known, build, "full rate, running status", words, is_full_rate=True)


def lengths(plan: Plan, known: Known, limit: int) -> Stage | None:
    """Return the stage with longer and longer exclusives, up to ``limit`` bytes (0: no limit)."""
    if not known.takes_exclusive:
        return None
    build = plan.builder()
    for n_bytes in tried_lengths(plan, known, limit):
        for _ in range(2 if n_bytes <= _TWICE_UP_TO and not plan.is_quick else 1):
            _one_exclusive(build, plan, n_bytes)
    words = "exclusives, longer and longer"
    return finish(plan, known, build, "exclusives by length", words, is_full_rate=True)


def tried_lengths(plan: Plan, known: Known, limit: int) -> list[int]:
    """Return the lengths that are tried, within what the port and the rate allow."""
    top = min((n for n in (limit, known.longest_burst) if n), default=1 << 30)
    tried = [n for n in (QUICK_LENGTHS if plan.is_quick else LENGTHS) if n <= top]
    if tried and tried[-1] < top <= LENGTHS[-1] and known.longest_burst:
        tried.append(top)
    return tried


def one_length(plan: Plan, known: Known, n_bytes: int) -> Stage:
    """Return the stage with an exclusive of one length, to find the longest that comes back."""
    build = plan.builder()
    _one_exclusive(build, plan, max(n_bytes, _MIN_LENGTH))
    return finish(plan, known, build, f"exclusive of {n_bytes} bytes", "", is_full_rate=True)


def _one_exclusive(build: Builder, plan: Plan, n_bytes: int) -> None:
    """Send an exclusive, with rests around it."""
    build.rest(NEAR_US)
    build.send(plan.numbers.exclusive(n_bytes), EXCLUSIVE, f"exclusive of {n_bytes} bytes")
    build.rest(plan.exclusive_rest_us)


def rests(plan: Plan, known: Known, rest_ms: int) -> Stage | None:
    """Return the stage with messages that follow an exclusive after a rest."""
    top = min((n for n in (known.longest_burst, known.longest_exclusive) if n), default=1 << 30)
    if known.longest_burst and known.longest_burst < MIN_RUN:
        return None
    if not known.takes_exclusive or not _can_bulk(known) or top < _MIN_LENGTH:
        return None
    run = known.longest_burst or 1 << 30
    build = plan.builder()
    # An exclusive may be followed by a message or by another one; both with short and long ones.
    short = min(8, top, run - _MIN_LENGTH if run < 1 << 30 else 8)
    long = max(short, min(96, top, run - 8))
    for turn in range(1 if plan.is_quick else 3):
        for size, follower in ((short, 0), (short, short), (long, 0), (long, short)):
            if size + max(follower, 3) > run:
                continue
            build.send(plan.numbers.exclusive(size), EXCLUSIVE, "first")
            build.rest(rest_ms * 1_000)
            if follower:
                build.send(plan.numbers.exclusive(follower), EXCLUSIVE, "second")
            else:
                kind, message = _bulk(plan, known, turn)
                build.send(message, kind, "second")
            build.rest(RESTS_MS[-1] * 1_000)
    words = f"exclusives with {rest_ms} ms of rest after them"
    return finish(plan, known, build, f"rest of {rest_ms} ms", words, is_full_rate=True)


def latency(plan: Plan, known: Known) -> Stage | None:
    """Return the stage with single messages at uneven distances, to be timed."""
    kinds = known.alive(POLY, CONTROL, BEND, ON)
    if not kinds or not known.channels:
        return None
    build = plan.builder()
    for n in range(40 if plan.is_quick else 200):
        # Uneven, so that no clock of the way falls into step with it.
        build.rest(9_000 + n * 7_919 % 9_973)
        build.send(plan.numbers.message(kinds[0], known.channels[0]), kinds[0], "latency")
    return finish(plan, known, build, "latency", "single messages, timed")
