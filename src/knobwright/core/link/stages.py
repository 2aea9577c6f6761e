"""Stages with rests: silence, single messages, running status, real time."""

from __future__ import annotations

from knobwright.core.link.content import (
    BEND,
    CHANNEL_KINDS,
    COMMON_KINDS,
    CONTROL,
    EXCLUSIVE,
    OFF,
    ON,
    ON_0,
    POLY,
    PRESSURE,
    PROGRAM,
    REAL_TIME_KINDS,
    Builder,
    Numbers,
)
from knobwright.core.link.known import Known
from knobwright.core.link.matching import CLOSING
from knobwright.core.link.records import Stage

#: Rest between messages of one group, in microseconds.
NEAR_US = 4_000
#: How long it is waited for bytes that are missing: a busy machine may hold them up.
PATIENCE_US = 300_000
#: A pause after which running status must still hold.
PAUSE_US = 400_000
N_TRIES = 3
TRY_CHANNELS = (0, 5, 10)


#: Data bytes that have one bit set, one bit missing, none and all.
_BITS = (0, *(1 << bit for bit in range(7)), *(0x7F ^ 1 << bit for bit in range(7)), 0x7F)


class Plan:
    """What all builders of stages share: the line, the port, and the numbers of the messages."""

    def __init__(self, *, baud: int, is_stream: bool, is_quick: bool) -> None:
        self.baud = baud
        self.is_stream = is_stream
        self.is_quick = is_quick
        self.numbers = Numbers()
        #: Rest between single messages, in microseconds.
        self.apart_us = 8_000 if is_quick else 12_000
        #: Rest after an exclusive where what follows must not suffer from it: more than modules
        #: need (20 to 60 ms, common practice, no source).
        self.exclusive_rest_us = 100_000 if is_quick else 150_000
        #: Rest before a burst.
        self.burst_rest_us = 80_000 if is_quick else 150_000

    def builder(self) -> Builder:
        """Return a builder for this line."""
        return Builder(self.baud)


def finish(
    plan: Plan,
    known: Known,
    build: Builder,
    name: str,
    words: str,
    *,
    is_full_rate: bool = False,
) -> Stage:
    """Close a stage: two messages that are not judged, and how long it is waited for the end."""
    kinds = known.alive(POLY, CONTROL, BEND) or [POLY]
    channels = known.channels or [0]
    for _ in range(2):
        build.rest(NEAR_US * 2)
        build.send(plan.numbers.message(kinds[0], channels[0]), kinds[0], CLOSING)
    quiet_us = 60_000 + known.worst_us * 3 // 2
    return Stage(
        name,
        words,
        tuple(build.pieces),
        tuple(build.messages),
        tuple(build.marks),
        tuple(build.orphans),
        build.length_us,
        quiet_us,
        10 * quiet_us + 4 * known.n_copies * build.length_us,
        PATIENCE_US + quiet_us,
        is_full_rate,
    )


def silence(plan: Plan) -> Stage:
    """Return the stage in which nothing is sent."""
    length_us = 400_000 if plan.is_quick else 1_000_000
    return Stage(
        "silence", "nothing is sent", (), (), length_us=length_us, quiet_us=0, longest_us=0
    )


def singles(plan: Plan, known: Known) -> Stage:
    """Return the stage with messages of every kind, on every channel, with every bit."""
    build, numbers = plan.builder(), plan.numbers
    build.rest(plan.apart_us)
    for channel in TRY_CHANNELS:
        for kind in CHANNEL_KINDS:
            build.send(numbers.message(kind, channel), kind, kind)
            build.rest(plan.apart_us)
        for kind in COMMON_KINDS:
            build.send(numbers.common(kind), kind, kind)
            build.rest(plan.apart_us)
        for kind, data in REAL_TIME_KINDS.items():
            if data not in known.noise:
                build.send(data, kind, kind)
                build.rest(plan.apart_us)
        build.send(numbers.exclusive(8), EXCLUSIVE, EXCLUSIVE)
        build.rest(plan.exclusive_rest_us)
    for channel in range(16):
        for kind in (POLY, CONTROL, BEND):
            build.send(numbers.message(kind, channel), kind, f"channel {channel + 1}")
            build.rest(plan.apart_us)
    for place in (1, 2):
        for byte in _BITS:
            pair = (byte, 0x2A) if place == 1 else (0x2A, byte)
            build.send(bytes((0xA0, *pair)), POLY, "bits")
            build.rest(plan.apart_us)
    for byte in (
        0x2B,
        0x2C,
        0x2D,
    ):  # the highest value again: one that comes back lower may be chance
        build.send(bytes((0xA0, byte, 0x7F)), POLY, "bits")
        build.rest(plan.apart_us)
    build.rest(known.worst_us)
    words = "single messages of every kind, on every channel, with every bit"
    stage = finish(plan, known, build, "single messages", words)
    quiet_us = 250_000 if plan.is_quick else 400_000
    return stage._replace(quiet_us=quiet_us, patience_us=1_000_000, longest_us=6_000_000)


def running(plan: Plan, known: Known) -> Stage | None:
    """Return the stage with plain running status; ``None`` where the port can't carry it."""
    kinds = known.alive(OFF, ON, POLY, CONTROL, PROGRAM, PRESSURE, BEND)
    if not plan.is_stream or not kinds or not known.channels:
        return None
    build = plan.builder()
    for turn in range(N_TRIES):
        channel = known.channels[turn * 5 % len(known.channels)]
        for kind in kinds:
            build.rest(NEAR_US)
            build.send(plan.numbers.message(kind, channel), kind, "full")
            for _ in range(3):
                build.rest(NEAR_US)
                _short(build, plan, kind, channel)
            if kind == ON and ON_0 in known.kinds:
                build.rest(NEAR_US)
                _short(build, plan, ON_0, channel)
    return finish(plan, known, build, "running status", "messages without their status byte")


def _short(build: Builder, plan: Plan, kind: str, channel: int, group: str = "short") -> None:
    """Send a message without its status byte."""
    message = plan.numbers.message(kind, channel)
    build.send(message, kind, group, on_wire=message[1:])


def running_more(plan: Plan, known: Known) -> Stage | None:
    """Return the stage with what must end running status, and what must not."""
    kinds = known.alive(ON, POLY, CONTROL, BEND)
    if not plan.is_stream or not kinds or not known.channels:
        return None
    build, numbers = plan.builder(), plan.numbers
    for turn in range(_n_tries(plan)):
        kind = kinds[turn % len(kinds)]
        channel = known.channels[(turn * 5 + 1) % len(known.channels)]
        for real_time in known.real_times():
            build.rest(NEAR_US)
            build.send(numbers.message(kind, channel), kind, "full")
            build.rest(NEAR_US)
            build.raw(real_time)
            build.rest(NEAR_US)
            _short(build, plan, kind, channel, "real time")
        build.rest(NEAR_US)
        build.send(numbers.message(kind, channel), kind, "full")
        if turn == 0 or not plan.is_quick:
            build.rest(PAUSE_US)
            _short(build, plan, kind, channel, "pause")
        if known.takes_exclusive:
            _end_running(build, plan, known, EXCLUSIVE, kind, channel)
        for ender in known.alive(*COMMON_KINDS):
            _end_running(build, plan, known, ender, kind, channel)
    words = "running status with real time, pauses, exclusive and common messages"
    return finish(plan, known, build, "running status and others", words)


def _end_running(
    build: Builder, plan: Plan, known: Known, ender: str, kind: str, channel: int
) -> None:
    """Send what ends running status, data bytes that belong to nothing then, and a full message."""
    is_exclusive = ender == EXCLUSIVE
    group = EXCLUSIVE if is_exclusive else "common"
    numbers = plan.numbers
    for is_again in (False, True):
        build.rest(NEAR_US)
        build.send(numbers.message(kind, channel), kind, "full")
        build.rest(NEAR_US)
        ends = numbers.exclusive(8) if is_exclusive else numbers.common(ender)
        build.send(ends, ender, "ender")
        build.rest(plan.exclusive_rest_us if is_exclusive else NEAR_US)
        message = numbers.message(kind, channel)
        if is_again:
            build.send(message, kind, f"again {group}")
        else:
            build.orphans.append((known.expect(message), group))
            build.raw(message[1:])


def _n_tries(plan: Plan) -> int:
    """Return how often the slower trials are made."""
    return N_TRIES - 1 if plan.is_quick else N_TRIES


def real_time(plan: Plan, known: Known) -> Stage | None:
    """Return the stage with real time between and inside messages, and inside exclusives."""
    bytes_all = known.real_times()
    kinds = known.alive(ON, POLY, CONTROL, PROGRAM, BEND)
    if not bytes_all or not kinds or not known.channels:
        return None
    build, numbers = plan.builder(), plan.numbers
    n_marks = 0
    for turn in range(N_TRIES * 2):
        for kind in kinds:
            channel = known.channels[(turn + 3) % len(known.channels)]
            build.rest(NEAR_US)
            build.mark(bytes_all[n_marks % len(bytes_all)], "between")
            n_marks += 1
            build.rest(NEAR_US)
            build.send(numbers.message(kind, channel), kind, "between")
            if not plan.is_stream:
                continue
            for at in (1, 2):
                message = numbers.message(kind, channel)
                if at < len(message):
                    build.rest(NEAR_US)
                    _inside(build, message, kind, bytes_all[n_marks % len(bytes_all)], at)
                    n_marks += 1
        if plan.is_stream and known.takes_exclusive and turn < _n_tries(plan):
            for at in (1, 4, 6):
                build.rest(NEAR_US)
                # With its real-time byte as long as the ones that came back alone.
                message = numbers.exclusive(7)
                _inside(build, message, EXCLUSIVE, bytes_all[n_marks % len(bytes_all)], at)
                n_marks += 1
                build.rest(plan.exclusive_rest_us)
    return finish(plan, known, build, "real time", "real time between and inside messages")


def _inside(build: Builder, message: bytes, kind: str, real_time: bytes, at: int) -> None:
    """Send a message with a real-time byte in front of its byte number ``at``."""
    group = EXCLUSIVE if kind == EXCLUSIVE else f"inside {at}"
    build.mark(real_time, group, alone=False)
    build.send(message, kind, group, on_wire=message[:at] + real_time + message[at:])
